/** Is the IP packet found behind every link layer that gateways and servers are captured on? */
import { describe, expect, test } from "vitest";
import { arrival, arrivalsOf, hex, joined, pcapOf, read, reasonsOf } from "./octets.ts";
import { createPcapWriter, udpFrames } from "./other-captures.ts";

const options = { linkType: 101, mtuOctets: 1500, identification: 1 } as const;
const packet4 = udpFrames(arrival(), options)[0]!;
const over6 = {
  from: { address: "2001:db8::10", port: 40_123 },
  to: { address: "2001:db8::1", port: 1700 },
};
const packet6 = udpFrames(arrival(over6), options)[0]!;
const macs = hex("020000000002 020000000001");

describe("written and read", () => {
  for (const [name, linkType] of [
    ["Ethernet", 1],
    ["raw IP", 101],
    ["Linux cooked v1", 113],
    ["Linux cooked v2", 276],
    ["BSD loopback in host order", 0],
    ["BSD loopback in network order", 108],
  ] as const) {
    test(`${name} carries IPv4 and IPv6`, () => {
      const writer = createPcapWriter({ linkType });
      const both = [arrival(), arrival(over6)];
      const file = joined(writer.header, ...both.map((one) => writer.datagram(one)));
      expect(arrivalsOf(read(file))).toEqual(both);
    });
  }
});

describe("Ethernet", () => {
  test("one VLAN tag, a service tag with a customer tag, and three tags are looked behind", () => {
    for (const tags of ["8100 0064", "88a8 0064 8100 0065", "9100 0001 88a8 0002 8100 0003"]) {
      const items = read(pcapOf(1, [joined(macs, hex(tags), hex("0800"), packet4)]));
      expect(arrivalsOf(items), tags).toHaveLength(1);
    }
    expect(arrivalsOf(read(pcapOf(1, [joined(macs, hex("8100 0064 86dd"), packet6)])))).toEqual([
      arrival(over6),
    ]);
  });

  test("tags without end are no network's traffic", () => {
    const tags = Array.from({ length: 40 }, () => hex("8100 0001"));
    expect(read(pcapOf(1, [joined(macs, ...tags, hex("0800"), packet4)]))).toEqual([]);
  });

  test("padding behind a short packet is no part of the datagram", () => {
    const items = read(pcapOf(1, [joined(macs, hex("0800"), packet4, new Uint8Array(18).fill(0xaa))]));
    expect(arrivalsOf(items)).toEqual([arrival()]);
  });

  test("ARP and frames with a length in place of a type are passed over", () => {
    const arp = joined(macs, hex("0806"), new Uint8Array(28));
    const llc = joined(macs, hex("0026"), new Uint8Array(38));
    expect(read(pcapOf(1, [arp, llc]))).toEqual([]);
  });

  test("a whole frame that is shorter than its header is a fault", () => {
    expect(reasonsOf(read(pcapOf(1, [macs, hex("00")])))).toEqual(["link_length", "link_length"]);
  });
});

describe("others", () => {
  test("a VLAN tag within a cooked frame is looked behind", () => {
    const cooked = hex("0000 0001 0006 0200000000010000 8100 0064 0800");
    expect(arrivalsOf(read(pcapOf(113, [joined(cooked, packet4)])))).toEqual([arrival()]);
    const cooked2 = hex("8100 0000 00000001 0001 00 06 0200000000010000 0064 0800");
    expect(arrivalsOf(read(pcapOf(276, [joined(cooked2, packet4)])))).toEqual([arrival()]);
  });

  test("both DLT_RAW numbers and the two of one IP version are raw IP", () => {
    for (const linkType of [12, 14, 101, 228]) {
      expect(arrivalsOf(read(pcapOf(linkType, [packet4]))), `${linkType}`).toEqual([arrival()]);
    }
    expect(arrivalsOf(read(pcapOf(229, [packet6])))).toEqual([arrival(over6)]);
  });

  test("a loopback family may stand in either byte order, and IPv6 has four numbers", () => {
    for (const family of ["02000000", "00000002"]) {
      expect(arrivalsOf(read(pcapOf(0, [joined(hex(family), packet4)])))).toEqual([arrival()]);
    }
    for (const family of ["0a000000", "18000000", "1c000000", "1e000000", "0000001e"]) {
      expect(arrivalsOf(read(pcapOf(0, [joined(hex(family), packet6)])))).toEqual([arrival(over6)]);
    }
    expect(read(pcapOf(0, [joined(hex("07000000"), packet4)]))).toEqual([]);
    expect(read(pcapOf(108, [joined(hex("02000000"), packet4)]))).toEqual([]);
  });

  test("a link type that is not read is a fault that names it", () => {
    const [item] = read(pcapOf(105, [packet4]));
    expect(item).toMatchObject({ kind: "fault", fault: { reason: "link_type", detail: "link type 105" } });
  });
});
