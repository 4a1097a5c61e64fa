import { describe, expect, test } from "vitest";
import { composeDevAddr, networkOf, readDevAddr } from "../../../src/wire/lorawan/device-address.ts";

describe("NetID type of an address", () => {
  // Errata "NwkId Length Fix for Type 3 and Type 4 NetIDs", tables 1 and 2: first and last address of each type.
  test.each([
    ["00000000", 0],
    ["7FFFFFFF", 0],
    ["80000000", 1],
    ["BFFFFFFF", 1],
    ["C0000000", 2],
    ["DFFFFFFF", 2],
    ["E0000000", 3],
    ["EFFFFFFF", 3],
    ["F0000000", 4],
    ["F7FFFFFF", 4],
    ["F8000000", 5],
    ["FBFFFFFF", 5],
    ["FC000000", 6],
    ["FDFFFFFF", 6],
    ["FE000000", 7],
    ["FEFFFFFF", 7],
    ["FF000000", null],
    ["FFFFFFFF", null],
  ])("%s is of type %s", (devAddr, type) => {
    expect(readDevAddr(devAddr).type).toBe(type);
  });
});

describe("NwkID", () => {
  // brocaar/lorawan (MIT), fhdr_test.go: an address sample of every type.
  test.each([
    ["5BFFFFFF", 0x2d],
    ["ADFFFFFF", 0x2d],
    ["D6DFFFFF", 0x16d],
    ["EB6FFFFF", 0x5b7],
    ["F5B6FFFF", 0xb6d],
    ["FADB7FFF", 0x16db],
    ["FD6DB7FF", 0x5b6d],
    ["FEB6DB7F", 0x16db6],
  ])("of %s is %i", (devAddr, nwkId) => {
    expect(readDevAddr(devAddr).nwkId).toBe(nwkId);
  });

  // brocaar/lorawan (MIT), netid_test.go: a NetID sample of every type; NwkID is the low bits of its ID.
  test.each([
    ["00006D", 0x2d],
    ["20006D", 0x2d],
    ["40036D", 0x16d],
    ["76DB6D", 0x16db6d & 0x7ff],
    ["96DB6D", 0x16db6d & 0xfff],
    ["B6DB6D", 0x16db6d & 0x1fff],
    ["D6DB6D", 0x16db6d & 0x7fff],
    ["F6DB6D", 0x16db6d & 0x1ffff],
  ])("of NetID %s goes into its addresses, which lead back to it", (netId, nwkId) => {
    const address = readDevAddr(composeDevAddr(netId, 5) ?? "");
    expect(address).toMatchObject({ type: Number.parseInt(netId, 16) >> 21, nwkId, nwkAddr: 5 });
    const { lowest, step, count } = address.netIds ?? { lowest: "", step: 1, count: 0 };
    // Types 0 to 2 leave RFU bits in the NetID, which no address carries: they come back as 0.
    const usable = Number.parseInt(netId, 16) & ~(address.type === 2 ? 0x1ffe00 : count === 1 ? 0x1fffc0 : 0);
    const distance = usable - Number.parseInt(lowest, 16);
    expect(step === 0 ? distance : distance % step).toBe(0);
    expect(distance).toBeLessThan(Math.max(1, step * count));
  });

  test("of an address of type 6 is the low 15 bits of its ID", () => {
    expect(readDevAddr("FC00DC06")).toMatchObject({ type: 6, nwkId: 0x37, nwkAddr: 6 });
  });
});

describe("the network of an address", () => {
  test.each([
    ["00000000", "private"],
    ["01FFFFFF", "private"],
    ["02000000", "private"],
    ["03FFFFFF", "private"],
    ["04000000", "NetID 000002"],
    ["26011BDA", "NetID 000013"],
    ["AD000001", "NetID 20002D"],
    ["D6DFFFFF", "NetID 40016D"],
    ["EB6FFFFF", "NwkID 5B7 (type 3)"],
    ["FC00DC06", "NwkID 0037 (type 6)"],
    ["FF000000", "no NetID type"],
    ["not an address", "no NetID type"],
  ])("%s is labelled %s", (devAddr, label) => {
    expect(networkOf(devAddr)).toBe(label);
  });

  test("of type 3 is a set of NetIDs, not one operator", () => {
    const { netIds, isPrivate } = readDevAddr("EB6FFFFF");
    expect(netIds).toEqual({
      count: 1024,
      lowest: "6005B7",
      step: 2048,
      text: "one of 1024 NetIDs of type 3 from 6005B7 to 7FFDB7",
    });
    expect(isPrivate).toBe(false);
  });

  test("of type 0 is one NetID", () => {
    expect(readDevAddr("26011BDA").netIds).toMatchObject({ count: 1, lowest: "000013", step: 0 });
  });

  test("a text that is no NetID gives no address", () => {
    expect(composeDevAddr("xyz", 1)).toBeNull();
  });
});
