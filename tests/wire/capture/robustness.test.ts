/** Can any file make the reader throw, hang, invent datagrams or hold on to memory? */
import * as fc from "fast-check";
import { describe, expect, test } from "vitest";
import { createCaptureDecoder } from "../../../src/wire/capture/capture-decoder.ts";
import { encodeRecordedDatagram } from "../../../src/wire/capture/recorded-datagrams.ts";
import { holds } from "../forwarder/arbitraries.ts";
import { arrival, arrivalsOf, joined, read, reasonsOf, someTimeUs } from "./octets.ts";
import { createPcapWriter, udpFrames } from "./other-captures.ts";
import { pcapngBlocks } from "./pcapng-writer.ts";

const datagrams = Array.from({ length: 12 }, (_, at) =>
  arrival({
    bytes: Uint8Array.from(
      { length: at % 4 === 3 ? 1900 : 40 + at },
      (_unused, octet) => (octet + at) & 0xff,
    ),
    atUs: someTimeUs + at * 250_000,
    ...(at % 3 === 1
      ? { from: { address: "2001:db8::10", port: 5 }, to: { address: "2001:db8::1", port: 1700 } }
      : {}),
  }),
);

/** A file in parts that end where a datagram has ended. */
function pcap(): Uint8Array[] {
  const writer = createPcapWriter();
  return [writer.header, ...datagrams.map((one) => writer.datagram(one))];
}

function pcapng(littleEndian: boolean): Uint8Array[] {
  const write = pcapngBlocks(littleEndian);
  const blocks = datagrams.map((one, identification) =>
    joined(
      ...udpFrames(one, { linkType: 1, mtuOctets: 1500, identification }).map((frame) =>
        write.enhanced(0, BigInt(one.atUs), frame),
      ),
    ),
  );
  const custom = write.block(0xbad, new Uint8Array(300));
  return [write.section(), write.interface(), ...blocks.slice(0, 6), custom, ...blocks.slice(6)];
}

const parts = {
  pcap: pcap(),
  "little-endian pcapng": pcapng(true),
  "big-endian pcapng": pcapng(false),
  "recorded datagrams": datagrams
    .map(encodeRecordedDatagram)
    // The line feed is a part of its own: a last line without it is whole.
    .flatMap((line) => [line.slice(0, -1), "\n"])
    .map((text) => new Uint8Array(Buffer.from(text))),
};
const files = {
  pcap: joined(...parts.pcap),
  "little-endian pcapng": joined(...parts["little-endian pcapng"]),
  "big-endian pcapng": joined(...parts["big-endian pcapng"]),
  "recorded datagrams": joined(...parts["recorded datagrams"]),
};
const layers = new Set(["capture", "ip", "udp"]);

/** Whatever came in: plain items, told in data, times that are times. */
function expectSound(file: Uint8Array, piece: number): void {
  for (const item of read(file, piece)) {
    if (item.kind === "datagram") {
      expect(Number.isSafeInteger(item.arrival.atUs) && item.arrival.atUs >= 0).toBe(true);
      expect(item.arrival.bytes.length).toBeLessThanOrEqual(262_144);
      // A copy of its own, so that keeping one datagram does not keep the piece of file it came in.
      expect(item.arrival.bytes.buffer.byteLength).toBeLessThanOrEqual(
        Math.max(8192, item.arrival.bytes.length * 2),
      );
    } else {
      expect(item.fault.reason).toMatch(/^[a-z_0-9]+$/);
      expect(layers.has(item.fault.layer)).toBe(true);
      expect((item.fault.detail ?? "").length).toBeLessThanOrEqual(80);
    }
  }
}

describe("damage", () => {
  for (const [name, file] of Object.entries(files)) {
    test(`the ${name} file itself is whole`, () => {
      expect(arrivalsOf(read(file))).toEqual(datagrams);
      expect(reasonsOf(read(file))).toEqual([]);
    });

    const ends = new Set<number>();
    let end = 0;
    for (const part of parts[name as keyof typeof parts]) {
      end += part.length;
      ends.add(end);
    }

    test(`a ${name} file cut anywhere gives the first datagrams, and a fault unless the cut is between records`, () => {
      holds(
        fc.property(fc.nat(file.length - 1), fc.integer({ min: 1, max: 4000 }), (length, piece) => {
          const items = read(file.subarray(0, length), piece);
          const whole = arrivalsOf(items);
          expect(whole).toEqual(datagrams.slice(0, whole.length));
          expect(reasonsOf(items).length === 0).toBe(ends.has(length));
        }),
        { numRuns: 150 },
      );
    });

    test(`pieces of any size give the same items from a ${name} file`, () => {
      const atOnce = read(file);
      holds(
        fc.property(fc.integer({ min: 1, max: 3000 }), (piece) => {
          expect(read(file, piece)).toEqual(atOnce);
        }),
        { numRuns: 30 },
      );
    });

    test(`changed, lost and added octets in a ${name} file never break the reader`, () => {
      const change = fc.tuple(fc.nat(file.length - 1), fc.nat(255), fc.nat(3), fc.nat(40));
      holds(
        fc.property(
          fc.array(change, { minLength: 1, maxLength: 8 }),
          fc.integer({ min: 1, max: 9000 }),
          (changes, piece) => {
            let damaged = file;
            for (const [at, octet, how, count] of changes) {
              if (how < 2) {
                damaged = damaged.slice();
                damaged[at % damaged.length] = octet;
              } else {
                const middle = how === 2 ? new Uint8Array(0) : new Uint8Array(count).fill(octet);
                damaged = joined(
                  damaged.subarray(0, at),
                  middle,
                  damaged.subarray(how === 2 ? at + count : at),
                );
              }
            }
            expectSound(damaged, piece);
          },
        ),
        { numRuns: 400 },
      );
    });
  }

  test("one octet changed in a pcap or pcapng file costs at most what stands around it", () => {
    for (const file of [files.pcap, files["little-endian pcapng"]]) {
      holds(
        fc.property(
          fc.integer({ min: 60, max: file.length - 1 }),
          fc.integer({ min: 1, max: 255 }),
          (at, flip) => {
            const damaged = file.slice();
            damaged[at]! ^= flip;
            const original = new Set(datagrams.map((one) => JSON.stringify(one)));
            const kept = arrivalsOf(read(damaged)).filter((one) => original.has(JSON.stringify(one)));
            expect(kept.length).toBeGreaterThanOrEqual(datagrams.length - 3);
          },
        ),
        { numRuns: 150 },
      );
    }
  });

  test("octets without meaning never break the reader, behind any opening", () => {
    const opening = fc.constantFrom(
      new Uint8Array(0),
      files.pcap.slice(0, 24),
      files["little-endian pcapng"].slice(0, 48),
      files["big-endian pcapng"].slice(0, 28),
      Uint8Array.of(0x7b),
    );
    holds(
      fc.property(
        opening,
        fc.uint8Array({ maxLength: 3000, size: "max" }),
        fc.integer({ min: 1, max: 999 }),
        (start, rest, piece) => expectSound(joined(start, rest), piece),
      ),
      { numRuns: 150 },
    );
  });
});

describe("format", () => {
  test("an empty file and a file of another kind are named", () => {
    expect(reasonsOf(read(new Uint8Array(0)))).toEqual(["empty"]);
    expect(reasonsOf(read(Uint8Array.of(0xa1, 0xb2)))).toEqual(["format"]);
    expect(read(new Uint8Array(Buffer.from("PNG, say, or plain text")))).toEqual([
      {
        kind: "fault",
        fault: { reason: "format", layer: "capture", at: 0, detail: "first octets 504e472c20736179" },
        atUs: null,
      },
    ]);
  });

  test("the format is told as soon as it is known", () => {
    const decoder = createCaptureDecoder();
    expect(decoder.format()).toBeNull();
    decoder.push(files.pcap.subarray(0, 3));
    expect(decoder.format()).toBeNull();
    decoder.push(files.pcap.subarray(3, 4));
    expect(decoder.format()).toBe("pcap");
  });
});

test("megabytes of false claims are read in bounded memory and time", () => {
  const decoder = createCaptureDecoder();
  decoder.push(files["little-endian pcapng"]);
  // Every fourth octet could open a block of almost a megabyte.
  const claims = new Uint8Array(1 << 20);
  const view = new DataView(claims.buffer);
  for (let at = 0; at + 8 <= claims.length; at += 8) {
    view.setUint32(at, 6, true);
    view.setUint32(at + 4, 1_000_000, true);
  }
  const before = process.memoryUsage().arrayBuffers;
  let items = 0;
  for (let megabyte = 0; megabyte < 24; megabyte++) items += decoder.push(claims).length;
  const grown = process.memoryUsage().arrayBuffers - before;
  items += decoder.end().length;
  expect(grown).toBeLessThan(32 * 1024 * 1024);
  expect(items).toBeLessThan(100_000);
});
