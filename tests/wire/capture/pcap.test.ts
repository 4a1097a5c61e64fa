/** Are pcap files read as written, whatever the byte order and resolution, and what does damage cost? */
import { describe, expect, test } from "vitest";
import { createCaptureDecoder } from "../../../src/wire/capture/capture-decoder.ts";
import { arrival, arrivalsOf, joined, read, reasonsOf, someTimeUs } from "./octets.ts";
import { createPcapWriter, udpFrames } from "./other-captures.ts";

const frame = udpFrames(arrival(), { linkType: 1, mtuOctets: 1500, identification: 7 })[0]!;

/** A file of datagrams with tokens 0, 1, 2 …, one a second. */
function fileOf(count: number, options: Parameters<typeof createPcapWriter>[0] = {}): Uint8Array[] {
  const writer = createPcapWriter(options);
  const records = Array.from({ length: count }, (_, token) =>
    writer.datagram(
      arrival({
        bytes: Uint8Array.of(2, 0, token, 2, 2, 0, 0x5e, 0x10, 0, 0, 0, 1),
        atUs: someTimeUs + token * 1_000_000,
      }),
    ),
  );
  return [writer.header, ...records];
}

const tokensOf = (file: Uint8Array): (number | undefined)[] =>
  arrivalsOf(read(file)).map(({ bytes }) => bytes[2]);

describe("header", () => {
  for (const byteOrder of ["little", "big"] as const) {
    for (const nanoseconds of [false, true]) {
      test(`${byteOrder} endian with ${nanoseconds ? "nano" : "micro"}seconds comes back as written`, () => {
        const writer = createPcapWriter({ byteOrder, nanoseconds });
        const items = read(joined(writer.header, writer.datagram(arrival())));
        expect(items).toEqual([{ kind: "datagram", arrival: arrival() }]);
      });
    }
  }

  test("a frame check sequence length beside the link type is no part of it", () => {
    const file = joined(...fileOf(1));
    new DataView(file.buffer, file.byteOffset).setUint32(20, 0x2400_0001, true);
    expect(arrivalsOf(read(file))).toHaveLength(1);
  });

  test("another major version is refused and ends the reading", () => {
    const file = joined(...fileOf(2));
    new DataView(file.buffer, file.byteOffset).setUint16(4, 3, true);
    const items = read(file);
    expect(reasonsOf(items)).toEqual(["version"]);
    expect(arrivalsOf(items)).toEqual([]);
  });

  test("a header that is cut says how much is missing", () => {
    const [header] = fileOf(0);
    expect(read(header!.subarray(0, 20))).toEqual([
      { kind: "fault", fault: { reason: "cut", layer: "capture", at: 0, need: 24, have: 20 }, atUs: null },
    ]);
  });
});

describe("records", () => {
  test("nanoseconds are rounded down to microseconds", () => {
    const writer = createPcapWriter({ nanoseconds: true });
    const record = writer.datagram(arrival());
    new DataView(record.buffer, record.byteOffset).setUint32(4, 123_999, true);
    expect(arrivalsOf(read(joined(writer.header, record)))[0]?.atUs).toBe(someTimeUs);
  });

  test("a record cut in its data costs that record only and is named", () => {
    const file = joined(...fileOf(3));
    const items = read(file.subarray(0, file.length - 5));
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([0, 1]);
    expect(reasonsOf(items)).toEqual(["cut"]);
  });

  test("a record cut in its header is named", () => {
    const [header, first, second] = fileOf(2);
    const items = read(joined(header!, first!, second!.subarray(0, 9)));
    expect(reasonsOf(items)).toEqual(["cut"]);
    expect(arrivalsOf(items)).toHaveLength(1);
  });

  test("a record that claims 4 GB is a fault, and the records behind it are found again", () => {
    const [header, first, second, ...rest] = fileOf(5);
    new DataView(second!.buffer, second!.byteOffset).setUint32(8, 0xffff_fff0, true);
    const items = read(joined(header!, first!, second!, ...rest));
    expect(reasonsOf(items)).toEqual(["record_length"]);
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([0, 2, 3, 4]);
  });

  test("4 GB are not waited for: the fault and what stands behind it are told before the file ends", () => {
    const [header, first, second, ...rest] = fileOf(5);
    new DataView(second!.buffer, second!.byteOffset).setUint32(8, 0xffff_fff0, true);
    const decoder = createCaptureDecoder();
    const items = decoder.push(joined(header!, first!, second!, ...rest));
    expect(reasonsOf(items)).toEqual(["record_length"]);
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([0, 2, 3, 4]);
  });

  test("octets that were lost in the middle cost the records they touch, not the rest", () => {
    const file = joined(...fileOf(20));
    const damaged = joined(file.subarray(0, 500), file.subarray(530));
    const tokens = tokensOf(damaged);
    expect(tokens.length).toBeGreaterThanOrEqual(17);
    expect(tokens.at(-1)).toBe(19);
    expect(reasonsOf(read(damaged)).length).toBeGreaterThan(0);
  });

  test("a length that claims more than is left is a cut, and the records behind it are found again", () => {
    const [header, first, second, ...rest] = fileOf(5);
    new DataView(second!.buffer, second!.byteOffset).setUint32(8, 200_000, true);
    const items = read(joined(header!, first!, second!, ...rest));
    expect(reasonsOf(items)).toEqual(["cut"]);
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([0, 2, 3, 4]);
  });

  test("more octets than the snapshot length allows are counted, and the frame is read", () => {
    const [header, record] = fileOf(1);
    new DataView(header!.buffer, header!.byteOffset).setUint32(16, 40, true);
    const items = read(joined(header!, record!));
    expect(reasonsOf(items)).toEqual(["captured_length"]);
    expect(arrivalsOf(items)).toHaveLength(1);
  });

  test("a length grown by damage does not swallow the records behind it", () => {
    const [header, first, second, ...rest] = fileOf(12);
    new DataView(second!.buffer, second!.byteOffset).setUint32(8, 54 + 300, true);
    const items = read(joined(header!, first!, second!, ...rest));
    expect(reasonsOf(items)).toEqual(["record_length"]);
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]);
  });

  test("records of another day within the data of a damaged one are not taken for the file's own", () => {
    const [header, first, , ...rest] = fileOf(4);
    const writer = createPcapWriter();
    const insideOf = (daysBefore: number) =>
      [7, 8].map((token) =>
        writer.datagram(
          arrival({ bytes: Uint8Array.of(2, 0, token, 4), atUs: someTimeUs - daysBefore * 86_400_000_000 }),
        ),
      );
    const tokens = (daysBefore: number) => {
      const damaged = writer.datagram(
        arrival({ bytes: joined(...insideOf(daysBefore)), atUs: someTimeUs + 1_000_000 }),
      );
      new DataView(damaged.buffer, damaged.byteOffset).setUint32(8, 0xffff_fff0, true);
      return tokensOf(joined(header!, first!, damaged, ...rest));
    };
    expect(tokens(2)).toEqual([0, 2, 3]);
    // Of the same day they cannot be told from the file's own.
    expect(tokens(1)).toEqual([0, 7, 8, 2, 3]);
  });

  test("original lengths that a writer left out, and leaps in time, cost nothing", () => {
    const [header, ...records] = fileOf(6);
    for (const [at, record] of records.entries()) {
      const view = new DataView(record.buffer, record.byteOffset);
      view.setUint32(12, 0, true);
      view.setUint32(0, view.getUint32(0, true) + (at % 3) * 86_400 * 200, true);
    }
    const items = read(joined(header!, ...records), 10);
    expect(reasonsOf(items)).toEqual([]);
    expect(arrivalsOf(items)).toHaveLength(6);
  });

  test("a snapshot length of zero is no limit", () => {
    const [header, record] = fileOf(1);
    new DataView(header!.buffer, header!.byteOffset).setUint32(16, 0, true);
    expect(reasonsOf(read(joined(header!, record!)))).toEqual([]);
  });

  test("a fraction of a second that is none costs the record, not the file", () => {
    const [header, first, second] = fileOf(2);
    new DataView(first!.buffer, first!.byteOffset).setUint32(4, 1_000_000, true);
    const items = read(joined(header!, first!, second!));
    // 24 octets of file header, then 4 of seconds.
    expect(items[0]).toEqual({
      kind: "fault",
      fault: { reason: "timestamp", layer: "capture", at: 28, detail: "fraction 1000000" },
      atUs: Math.floor(someTimeUs / 1_000_000) * 1_000_000,
    });
    expect(arrivalsOf(items).map(({ bytes }) => bytes[2])).toEqual([1]);
    expect(items).toHaveLength(2);
  });
});

describe("snapshot length", () => {
  test("a frame cut by it is a named fault that tells where the datagram was going", () => {
    const writer = createPcapWriter({ snapshotOctets: 48 });
    const items = read(joined(writer.header, writer.datagram(arrival())));
    expect(items).toEqual([
      {
        kind: "fault",
        fault: { reason: "snapped", layer: "capture", at: 24, need: frame.length, have: 48 },
        atUs: someTimeUs,
        to: { address: "192.0.2.1", port: 1700 },
      },
    ]);
  });

  test("a frame cut within the headers is a named fault too", () => {
    for (const snapshotOctets of [1, 13, 14, 20, 33, 34, 37]) {
      const writer = createPcapWriter({ snapshotOctets });
      const items = read(joined(writer.header, writer.datagram(arrival())));
      expect(reasonsOf(items), `${snapshotOctets} octets`).toEqual(["snapped"]);
    }
  });

  test("a frame that lost only what follows the datagram is read", () => {
    const writer = createPcapWriter({ snapshotOctets: frame.length });
    const trailer = joined(frame, new Uint8Array(6));
    expect(arrivalsOf(read(joined(writer.header, writer.frame(trailer, someTimeUs))))).toHaveLength(1);
  });

  test("a cut frame of another protocol is nobody's loss", () => {
    const tcp = frame.slice();
    tcp[14 + 9] = 6;
    const writer = createPcapWriter({ snapshotOctets: 40 });
    expect(read(joined(writer.header, writer.frame(tcp, someTimeUs)))).toEqual([]);
  });
});
