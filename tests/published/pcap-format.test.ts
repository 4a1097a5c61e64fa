/**
 * Do magic numbers, layouts and examples agree with the documents that define them?
 * Sources: draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng (IETF opsawg, editors' copies of 14 May 2026),
 * draft-ietf-opsawg-pcaplinktype, RFC 1071. Every file here is written out octet by octet after the figures.
 */
import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { type CaptureItem, createCaptureDecoder } from "../../src/wire/capture/capture-decoder.ts";
import { linkTypes } from "../../src/wire/capture/frame-decoder.ts";
import { addWords, checksumOf } from "../../src/wire/capture/ip-packet.ts";
import {
  pcapFileHeaderOctets,
  pcapMagicMicroseconds,
  pcapMagicNanoseconds,
  pcapRecordHeaderOctets,
} from "../../src/wire/capture/pcap.ts";
import { blockTypes, byteOrderMagic } from "../../src/wire/capture/pcapng.ts";

const hex = (text: string): Uint8Array => new Uint8Array(Buffer.from(text.replace(/\s+/g, ""), "hex"));

function read(text: string): CaptureItem[] {
  const decoder = createCaptureDecoder();
  return [...decoder.push(hex(text)), ...decoder.end()];
}

/** One line an item: time and octets, or the fault's reason. */
const told = (items: readonly CaptureItem[]): string[] =>
  items.map((item) =>
    item.kind === "datagram"
      ? `${item.arrival.atUs} ${Buffer.from(item.arrival.bytes).toString("hex")}`
      : item.fault.reason,
  );

// RFC 791 figure 4 and RFC 768: IPv4 header of 20 octets, UDP header of 8, the four octets 02 00 01 04.
const packet = `
  45 00 0020 0001 0000 40 11 0000 c0000201 c000020a
  06a4 9cbb 000c 0000
  02000104`;
const packetOctets = 32;

describe("draft-ietf-opsawg-pcap", () => {
  test("section 4: the two magic numbers and the length of the file header; section 5: of the record header", () => {
    expect(pcapMagicMicroseconds).toBe(0xa1b2c3d4);
    expect(pcapMagicNanoseconds).toBe(0xa1b23c4d);
    expect(pcapFileHeaderOctets).toBe(24);
    expect(pcapRecordHeaderOctets).toBe(16);
  });

  test("figures 1 and 3: file header and packet record, big endian, microseconds", () => {
    const file = `
      a1b2c3d4 0002 0004 00000000 00000000 00040000 00000065
      69a3d5a0 0000007b 00000020 00000020 ${packet}`;
    expect(told(read(file))).toEqual([`${0x69a3d5a0}000123 02000104`]);
  });

  test("figures 1 and 3: the same, little endian, nanoseconds", () => {
    const file = `
      4d3cb2a1 0200 0400 00000000 00000000 00000400 65000000
      a0d5a369 78e00100 20000000 20000000 ${packet}`;
    // 0x0001E078 = 123,000 ns.
    expect(told(read(file))).toEqual([`${0x69a3d5a0}000123 02000104`]);
  });

  test("section 4: reserved fields that old writers filled are passed over", () => {
    const file = `
      a1b2c3d4 0002 0004 ffffd5d0 00000006 00040000 00000065
      69a3d5a0 0000007b 00000020 00000020 ${packet}`;
    expect(told(read(file))).toHaveLength(1);
  });

  test("section 5: records are not padded", () => {
    const odd = packet.replace("0020 0001", "0021 0001").replace("000c 0000", "000d 0000");
    const record = `69a3d5a0 00000001 00000021 00000021 ${odd} 05`;
    const file = `a1b2c3d4 0002 0004 00000000 00000000 00040000 00000065 ${record} ${record}`;
    expect(told(read(file))).toEqual(Array.from({ length: 2 }, () => `${0x69a3d5a0}000001 0200010405`));
  });

  test("section 4.1 names the byte orders the wrong way round: a little-endian machine's file begins D4 C3 B2 A1", () => {
    // Written by tcpdump 4.99.3 on a little-endian machine.
    const file = readFileSync(new URL("../data/capture/lo-ethernet.pcap", import.meta.url));
    expect(file.subarray(0, 4).toString("hex")).toBe("d4c3b2a1");
  });
});

describe("draft-ietf-opsawg-pcapng", () => {
  const section = "0a0d0d0a 0000001c 1a2b3c4d 0001 0000 ffffffffffffffff 0000001c";
  const described = "00000001 00000014 0065 0000 00000000 00000014";
  /** Figure 11 with the time as a count of microseconds. */
  const enhanced = `
    00000006 00000040 00000000 00064bef dd4e6e7b ${"00000020".repeat(2)} ${packet} 00000040`;
  const enhancedUs = 0x00064bef * 2 ** 32 + 0xdd4e6e7b;

  test("sections 4.1 to 4.8 and appendix A: block types and byte-order magic", () => {
    expect(byteOrderMagic).toBe(0x1a2b3c4d);
    expect(blockTypes).toEqual({
      sectionHeader: 0x0a0d0d0a,
      interfaceDescription: 0x00000001,
      obsoletePacket: 0x00000002,
      simplePacket: 0x00000003,
      nameResolution: 0x00000004,
      interfaceStatistics: 0x00000005,
      enhancedPacket: 0x00000006,
      decryptionSecrets: 0x0000000a,
      custom: 0x00000bad,
      customNotCopied: 0x40000bad,
    });
  });

  test("figures 9, 10 and 11: section header, interface description, enhanced packet", () => {
    expect(told(read(section + described + enhanced))).toEqual([`${enhancedUs} 02000104`]);
  });

  test("figure 4: a section of version 1.1 between two of 1.0 is skipped", () => {
    const newer = section.replace("0001 0000", "0001 0001");
    const data = described + enhanced;
    expect(told(read(section + data + newer + data + section + data))).toEqual([
      `${enhancedUs} 02000104`,
      "version",
      `${enhancedUs} 02000104`,
    ]);
  });

  test("figure 12: a simple packet has 16 octets around its data", () => {
    const length = (packetOctets + 16).toString(16).padStart(8, "0");
    const simple = `00000003 ${length} 00000020 ${packet} ${length}`;
    expect(told(read(section + described + enhanced + simple))).toEqual([
      `${enhancedUs} 02000104`,
      "timestamp_borrowed",
      `${enhancedUs} 02000104`,
    ]);
  });

  test("figure 19: the obsolete packet block has 16 bits of interface and 16 of drops", () => {
    const obsolete = `
      00000002 00000040 0000 ffff 00064bef dd4e6e7b ${"00000020".repeat(2)} ${packet} 00000040`;
    expect(told(read(section + described + obsolete))).toEqual([`${enhancedUs} 02000104`]);
  });

  test("section 4.2: if_tsresol 6 is microseconds, 10 with the highest bit set 1/1024 s; if_tsoffset 1234 is added", () => {
    const withOptions = (options: string): string => {
      const octets = hex(options).length;
      const length = (20 + octets).toString(16).padStart(8, "0");
      return `00000001 ${length} 0065 0000 00000000 ${options} ${length}`;
    };
    const at = (units: bigint): string => `
      00000006 00000040 00000000 ${units.toString(16).padStart(16, "0")} ${"00000020".repeat(2)} ${packet} 00000040`;
    const time = (options: string, units: bigint): string[] =>
      told(read(section + withOptions(options) + at(units)));
    expect(time("0009 0001 06000000 0000 0000", 5_000_001n)).toEqual(["5000001 02000104"]);
    expect(time("0009 0001 8a000000 0000 0000", 5n * 1024n + 256n)).toEqual(["5250000 02000104"]);
    expect(time("000e 0008 00000000000004d2 0000 0000", 1n)).toEqual(["1234000001 02000104"]);
  });

  test("section 3.1: a block without a body has 12 octets and is skipped; types with the highest bit are for local use", () => {
    const empty = "80000001 0000000c 0000000c";
    expect(told(read(section + empty + described + empty + enhanced))).toEqual([`${enhancedUs} 02000104`]);
  });
});

describe("draft-ietf-opsawg-pcaplinktype", () => {
  test("the numbers of the link types that are read", () => {
    expect(linkTypes).toMatchObject({
      null: 0,
      ethernet: 1,
      raw: 101,
      loop: 108,
      linuxCooked: 113,
      ipv4: 228,
      ipv6: 229,
      linuxCooked2: 276,
    });
  });
});

describe("RFC 1071", () => {
  test("section 3: the example sums to DDF2, so the checksum is its complement", () => {
    expect(checksumOf(addWords(0, hex("0001 f203 f4f5 f6f7")))).toBe(0xffff - 0xddf2);
  });
});
