import { expect, test } from "vitest";
import {
  identifierAt,
  littleEndian,
  octetsOfHex,
  putIdentifier,
  putLittleEndian,
  sameOctets,
} from "../../../src/wire/lorawan/octets.ts";

test("hex with an odd digit or a stranger in it is no hex", () => {
  expect(octetsOfHex("123")).toBeNull();
  expect(octetsOfHex("1G")).toBeNull();
});

test("numbers are little endian, and negative ones wrap into their width", () => {
  const bytes = new Uint8Array(4);
  putLittleEndian(bytes, 0, 4, 0xfedcba98);
  expect([...bytes]).toEqual([0x98, 0xba, 0xdc, 0xfe]);
  expect(littleEndian(bytes, 0, 4)).toBe(0xfedcba98);
  putLittleEndian(bytes, 0, 3, -2);
  expect(littleEndian(bytes, 0, 3)).toBe(0xfffffe);
});

test("identifiers are sent least significant octet first", () => {
  const bytes = new Uint8Array(5);
  putIdentifier(bytes, 1, 4, "49BE7DF1");
  expect([...bytes]).toEqual([0, 0xf1, 0x7d, 0xbe, 0x49]);
  expect(identifierAt(bytes, 1, 4)).toBe("49BE7DF1");
});

test("text that is no identifier of that size is written as zeros", () => {
  const bytes = new Uint8Array(2).fill(9);
  putIdentifier(bytes, 0, 2, "ABC");
  expect([...bytes]).toEqual([0, 0]);
});

test("octet strings are equal with the same octets and length", () => {
  const of = (...octets: number[]) => Uint8Array.from(octets);
  expect(sameOctets(of(1, 2), of(1, 2))).toBe(true);
  expect(sameOctets(of(), of())).toBe(true);
  expect(sameOctets(of(1), of(1, 2))).toBe(false);
  expect(sameOctets(of(1, 2), of(1))).toBe(false);
  expect(sameOctets(of(1, 2), of(1, 3))).toBe(false);
});
