import { describe, expect, it } from "vitest";
import {
  type Association,
  Associations,
  type Direction,
  directionOf,
} from "../../../src/intake/relay/associations.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const at = (port: number, address = "192.0.2.7") => ({ address, port });

function setUp(most = 8) {
  const forgotten: Association[] = [];
  const book = new Associations({ most, onForgotten: (one) => forgotten.push(one) });
  const open = (
    eui: string,
    port: number,
    direction: Direction,
    nowMs: number,
    address?: string,
  ): Association => {
    const association = book.of(eui, at(port, address), "0.0.0.0", direction, nowMs);
    if (typeof association === "string") throw new Error(association);
    return association;
  };
  const pull = (eui: string, port: number, nowMs: number, address?: string): Association => {
    const association = open(eui, port, "pull", nowMs, address);
    book.pulled(association, nowMs);
    return association;
  };
  return { book, forgotten, open, pull };
}

describe("the direction of a datagram", () => {
  const head = (version: number, identifier: number, size = 12) =>
    Uint8Array.from({ length: size }, (_, i) => [version, 1, 2, identifier][i] ?? 7);
  it("is push for PUSH_DATA, pull for PULL_DATA and TX_ACK, in both versions", () => {
    for (const version of [1, 2]) {
      expect([0, 2, 5].map((identifier) => directionOf(head(version, identifier)))).toEqual([
        "push",
        "pull",
        "pull",
      ]);
    }
  });
  it("is none for a cut head, another version, another identifier or a server's datagram", () => {
    expect(directionOf(head(2, 0, 11))).toBeNull();
    expect(directionOf(head(3, 0))).toBeNull();
    for (const identifier of [1, 3, 4, 6, 255]) expect(directionOf(head(2, identifier))).toBeNull();
  });
});

describe("the book of associations", () => {
  it("keeps one for each gateway, source and direction", () => {
    const { book, open } = setUp();
    const push = open(SHED, 40_000, "push", 0);
    expect(open(SHED, 40_000, "push", 5)).toBe(push);
    expect(open(SHED, 40_000, "pull", 5)).not.toBe(push);
    expect(open(SHED, 40_001, "push", 5)).not.toBe(push);
    expect(open(TOWER, 40_000, "push", 5)).not.toBe(push);
    expect(book.size).toBe(4);
    expect(book.gateways()).toBe(2);
  });

  it("sends downlinks to the port that the gateway last pulled from when that changed", () => {
    const { book, open, pull } = setUp();
    const before = pull(SHED, 40_000, 0);
    const push = open(SHED, 40_009, "push", 0);
    expect(book.pullPathOf(before)).toBe(before);
    expect(book.pullPathOf(push)).toBe(before);
    const after = pull(SHED, 41_000, 10);
    expect(book.pullPathOf(before)).toBe(after);
    expect(book.pullPathOf(after)).toBe(after);
    expect(book.pullPathOf(push)).toBe(after);
  });

  it("leaves two gateways that share an identifier their own downlinks", () => {
    const { book, pull } = setUp();
    const one = pull(SHED, 40_000, 0);
    const other = pull(SHED, 41_000, 5);
    pull(SHED, 40_000, 10);
    pull(SHED, 41_000, 15);
    pull(SHED, 40_000, 20);
    expect(book.pullPathOf(one)).toBe(one);
    expect(book.pullPathOf(other)).toBe(other);
  });

  it("turns nothing aside for whoever pulls in another gateway's name from another address", () => {
    const { book, pull } = setUp();
    const gateway = pull(SHED, 40_000, 0);
    pull(SHED, 40_000, 5, "198.51.100.66");
    expect(book.pullPathOf(gateway)).toBe(gateway);
  });

  it("forgets a push path after two minutes of silence and a pull path after five", () => {
    const { book, forgotten, open, pull } = setUp();
    open(SHED, 40_000, "push", 0);
    pull(SHED, 40_001, 0);
    pull(TOWER, 40_002, 200_000);
    expect(book.forgetSilent(119_000)).toBe(0);
    expect(book.forgetSilent(121_000)).toBe(1);
    expect(book.forgetSilent(299_000)).toBe(0);
    expect(book.forgetSilent(301_000)).toBe(1);
    expect(forgotten.map(({ direction }) => direction)).toEqual(["push", "pull"]);
    expect(book.size).toBe(1);
    expect(book.ofSource(at(40_001), "0.0.0.0")).toBeNull();
    expect(book.ofSource(at(40_002), "0.0.0.0")).not.toBeNull();
  });

  it("makes room among the newcomers of a flood, never among gateways that have been there for a while", () => {
    const { book, pull, forgotten } = setUp(8);
    for (let i = 0; i < 4; i++) pull(SHED, 40_000 + i, 0);
    for (let i = 0; i < 4; i++) pull(SHED, 40_000 + i, 70_000);
    for (let i = 0; i < 200; i++)
      book.of(TOWER, at(1_000 + i, `198.51.100.${i}`), "0.0.0.0", "push", 70_001 + i);
    expect(book.size).toBe(8);
    expect(forgotten.every(({ gatewayEui }) => gatewayEui === TOWER)).toBe(true);
    for (let i = 0; i < 4; i++) expect(book.ofSource(at(40_000 + i), "0.0.0.0")).not.toBeNull();
  });

  it("refuses newcomers while settled gateways fill it", () => {
    const { book, pull } = setUp(2);
    for (const nowMs of [0, 65_000]) for (const port of [1, 2]) pull(SHED, port, nowMs);
    expect(book.of(TOWER, at(9, "198.51.100.9"), "0.0.0.0", "push", 65_001)).toBe("capped");
  });

  it("lets one address open no more than 64 at once, and all addresses together no more than 256", () => {
    const { book } = setUp(4096);
    const opened = (address: string) => {
      let count = 0;
      for (let port = 1; port <= 500; port++)
        if (typeof book.of(SHED, at(port, address), "0.0.0.0", "push", 0) !== "string") count += 1;
      return count;
    };
    expect(opened("198.51.100.1")).toBe(64);
    expect(["2", "3", "4", "5", "6"].reduce((sum, n) => sum + opened(`198.51.100.${n}`), 64)).toBe(256);
  });
});
