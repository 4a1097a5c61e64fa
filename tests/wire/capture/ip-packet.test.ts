/** Are IP and UDP headers believed only as far as the octets go? */
import { describe, expect, test } from "vitest";
import { createCaptureDecoder } from "../../../src/wire/capture/capture-decoder.ts";
import { formatIpAddress, parseIpAddress } from "../../../src/wire/capture/ip-packet.ts";
import { arrival, arrivalsOf, hex, joined, pcapOf, read, reasonsOf } from "./octets.ts";
import { udpFrames } from "./other-captures.ts";

const options = { linkType: 101, mtuOctets: 1500, identification: 1 } as const;
const packet4 = (): Uint8Array => udpFrames(arrival(), options)[0]!;
const over6 = {
  from: { address: "2001:db8::10", port: 40_123 },
  to: { address: "2001:db8::1", port: 1700 },
};
const packet6 = (): Uint8Array => udpFrames(arrival(over6), options)[0]!;
const readRaw = (packet: Uint8Array) => read(pcapOf(101, [packet]));

/** The IPv6 packet with headers between its own and UDP. */
function withExtensions(first: number, extensions: Uint8Array): Uint8Array {
  const packet = packet6();
  const longer = joined(packet.subarray(0, 40), extensions, packet.subarray(40));
  new DataView(longer.buffer, longer.byteOffset).setUint16(4, longer.length - 40);
  longer[6] = first;
  return longer;
}

describe("IPv4", () => {
  test("options between header and UDP are skipped", () => {
    const packet = packet4();
    const longer = joined(packet.subarray(0, 20), hex("94040000"), packet.subarray(20));
    longer[0] = 0x46;
    new DataView(longer.buffer, longer.byteOffset).setUint16(2, longer.length);
    expect(arrivalsOf(readRaw(longer))).toEqual([arrival()]);
  });

  test("a total length of zero, left to the network card, means the whole frame", () => {
    const packet = packet4();
    packet.set([0, 0], 2);
    expect(arrivalsOf(readRaw(packet))).toEqual([arrival()]);
  });

  test("lengths that cannot be are faults", () => {
    const shortHeader = packet4();
    shortHeader[0] = 0x44;
    const shortTotal = packet4();
    shortTotal.set([0, 19], 2);
    const longTotal = packet4();
    longTotal.set([1, 0], 2);
    for (const packet of [shortHeader, shortTotal, longTotal, packet4().subarray(0, 15)]) {
      expect(reasonsOf(readRaw(packet))).toEqual(["ip_length"]);
    }
  });

  test("other versions and other protocols are told apart from damage", () => {
    const tcp = packet4();
    tcp[9] = 6;
    expect(readRaw(tcp)).toEqual([]);
    expect(reasonsOf(readRaw(hex("50 00 00 00")))).toEqual(["ip_version"]);
  });
});

describe("IPv6", () => {
  test("hop-by-hop, routing, destination, authentication and mobility headers are gone along", () => {
    const chain = joined(
      hex("2b 00 0102 00000000"),
      hex("3c 01 0102 00000000 0000000000000000"),
      hex("33 00 0102 00000000"),
      hex("87 04 0000 00000000 00000000 000000000000000000000000"),
      hex("11 00 0000 00000000"),
    );
    expect(arrivalsOf(readRaw(withExtensions(0, chain)))).toEqual([arrival(over6)]);
  });

  test("a fragment header that splits nothing is gone along", () => {
    expect(arrivalsOf(readRaw(withExtensions(44, hex("11 00 0000 00000007"))))).toEqual([arrival(over6)]);
  });

  test("an extension header that runs over the packet is a fault", () => {
    const packet = withExtensions(0, hex("11 ff 0000 00000000"));
    expect(reasonsOf(readRaw(packet))).toEqual(["ip_length"]);
  });

  test("encrypted payload and no payload are passed over", () => {
    for (const protocol of [50, 59, 58]) {
      const packet = packet6();
      packet[6] = protocol;
      expect(readRaw(packet)).toEqual([]);
    }
  });
});

describe("UDP", () => {
  test("a length beyond the packet or below the header is a fault that tells the port", () => {
    for (const length of [7, 200]) {
      const packet = packet4();
      new DataView(packet.buffer, packet.byteOffset).setUint16(24, length);
      const [item] = readRaw(packet);
      expect(item).toMatchObject({ kind: "fault", fault: { reason: "udp_length" }, to: { port: 1700 } });
    }
  });

  test("a length short of the packet leaves the rest aside", () => {
    const packet = packet4();
    new DataView(packet.buffer, packet.byteOffset).setUint16(24, 8 + 4);
    expect(arrivalsOf(readRaw(packet))[0]?.bytes).toEqual(hex("02123402"));
  });

  test("an empty datagram is a datagram", () => {
    const packet = udpFrames(arrival({ bytes: new Uint8Array(0) }), options)[0]!;
    expect(arrivalsOf(readRaw(packet))[0]?.bytes).toHaveLength(0);
  });

  test("a wrong checksum is counted and the datagram read; none at all is right", () => {
    const wrong = packet4();
    wrong[26]! ^= 0x55;
    const none = packet4();
    none.set([0, 0], 26);
    const decoder = createCaptureDecoder();
    const items = [...decoder.push(pcapOf(101, [packet4(), wrong, none, packet6()])), ...decoder.end()];
    expect(arrivalsOf(items)).toHaveLength(4);
    expect(decoder.figures()).toEqual({ frames: 4, otherFrames: 0, wrongChecksums: 1 });
  });
});

describe("addresses", () => {
  test("IPv6 is written in the one form of RFC 5952, sections 4 and 5", () => {
    for (const [octets, text] of [
      ["20010db8000000000000000000000001", "2001:db8::1"],
      ["20010db8000000010001000100010001", "2001:db8:0:1:1:1:1:1"],
      ["20010000000000010000000000000001", "2001:0:0:1::1"],
      ["20010db8000000000001000000000001", "2001:db8::1:0:0:1"],
      ["00000000000000000000000000000000", "::"],
      ["00000000000000000000000000000001", "::1"],
      ["00000000000000000000ffffc0000201", "::ffff:192.0.2.1"],
      ["20010db8000000000000000000000000", "2001:db8::"],
    ] as const) {
      expect(formatIpAddress(hex(octets))).toBe(text);
      expect(parseIpAddress(text)).toEqual(hex(octets));
    }
  });

  test("text that is no address is none", () => {
    for (const text of [
      "",
      "1.2.3",
      "1.2.3.256",
      "1.2.3.4.5",
      ":::",
      "1::2::3",
      "1:2:3:4:5:6:7:8:9",
      "g::",
      "::1.2.3.256",
      "::1.2.3",
      "::1.2.3.4:5",
      "1.2.3.4:5:6:7:8:9:a",
      "a",
    ]) {
      expect(parseIpAddress(text), text).toBeNull();
    }
    expect(parseIpAddress("1:2:3:4:5:6:7::8")).toBeNull();
  });
});
