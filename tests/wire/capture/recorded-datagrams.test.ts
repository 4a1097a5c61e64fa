/** Do recorded datagrams in JSON lines come back as written, and is a broken line only that line's loss? */
import * as fc from "fast-check";
import { describe, expect, test } from "vitest";
import { createCaptureDecoder } from "../../../src/wire/capture/capture-decoder.ts";
import { encodeRecordedDatagram, longestLineOctets } from "../../../src/wire/capture/recorded-datagrams.ts";
import { holds } from "../forwarder/arbitraries.ts";
import { arrival, arrivalsOf, read, reasonsOf } from "./octets.ts";

const line = encodeRecordedDatagram(arrival());
const file = (...lines: readonly string[]): Uint8Array => new Uint8Array(Buffer.from(lines.join("")));

test("a line is readable and has its members in a fixed order", () => {
  expect(line).toBe(
    '{"at":"2026-03-01T06:00:00.000123Z","from":"192.0.2.10 40123","to":"192.0.2.1 1700","bytes":"AhI0AgIAXhAAAAAB"}\n',
  );
});

test("a digest of a datagram that was kept in parts is written behind its octets, and read", () => {
  const one = { ...arrival(), digest: 77 };
  const text = encodeRecordedDatagram(one);
  expect(text).toBe(`${line.trimEnd().slice(0, -1)},"digest":77}\n`);
  expect(arrivalsOf(read(file(text)))).toEqual([one]);
});

test("what is written comes back, to the microsecond and the octet", () => {
  const endpoint = fc.record({
    address: fc.oneof(fc.ipV4(), fc.constantFrom("2001:db8::1", "::1", "::ffff:192.0.2.1")),
    port: fc.nat(65_535),
  });
  const one = fc.record({
    bytes: fc.uint8Array({ maxLength: 300 }),
    atUs: fc.nat({ max: 4_102_444_800_000_000 }),
    from: endpoint,
    to: endpoint,
    door: fc.constant("capture" as const),
  });
  holds(
    fc.property(
      fc.array(one, { minLength: 1, maxLength: 8 }),
      fc.integer({ min: 1, max: 90 }),
      (all, piece) => {
        const items = read(file(...all.map(encodeRecordedDatagram)), piece);
        expect(arrivalsOf(items)).toEqual(all);
        expect(reasonsOf(items)).toEqual([]);
      },
    ),
  );
});

test("the largest datagram of UDP fits a line", () => {
  const largest = arrival({ bytes: new Uint8Array(65_507).fill(7) });
  expect(arrivalsOf(read(file(encodeRecordedDatagram(largest)), 4096))).toEqual([largest]);
});

test("a byte-order mark, Windows line ends, empty lines, unknown members and a missing last line feed are no trouble", () => {
  const more = line.replace("{", '{"note":"north field",').trimEnd();
  const items = read(file(`\uFEFF${line.trimEnd()}\r\n`, "\n \n", more));
  expect(arrivalsOf(items)).toEqual([arrival(), arrival()]);
  expect(reasonsOf(items)).toEqual([]);
});

describe("a broken line is a fault and the next line is read", () => {
  for (const [what, broken] of [
    ["no JSON", "{oops}\n"],
    ["JSON that is no object", "[1,2]\n"],
    ["a member that is missing", line.replace('"bytes"', '"octets"')],
    ["a time without its zone", line.replace("Z", "")],
    ["a day that the month does not have", line.replace("03-01", "02-30")],
    ["a time before 1970", line.replace("2026", "1969")],
    ["an address that is none", line.replace("192.0.2.10", "192.0.2.400")],
    ["a port that is none", line.replace("40123", "70000")],
    ["a port behind a colon", line.replace("192.0.2.1 1700", "192.0.2.1:1700")],
    ["base64 that is none", line.replace("AhI0", "?hI0")],
  ] as const) {
    test(what, () => {
      const items = read(file(line, broken, line));
      expect(items.map(({ kind }) => kind)).toEqual(["datagram", "fault", "datagram"]);
      expect(items[1]).toMatchObject({ fault: { reason: "line", layer: "capture", at: line.length } });
    });
  }
});

test("a file cut within its last line gives what was whole, and says so", () => {
  const items = read(file(line, line.slice(0, 70)));
  expect(arrivalsOf(items)).toEqual([arrival()]);
  expect(reasonsOf(items)).toEqual(["cut"]);
});

test("a line without end is one fault and never held whole", () => {
  const decoder = createCaptureDecoder();
  const items = decoder.push(file(line, '{"bytes":"'));
  for (let megabyte = 0; megabyte < 20; megabyte++) {
    items.push(...decoder.push(new Uint8Array(1 << 20).fill(0x41)));
  }
  items.push(...decoder.push(file("\n", line)), ...decoder.end());
  expect(arrivalsOf(items)).toEqual([arrival(), arrival()]);
  expect(reasonsOf(items)).toEqual(["line_length"]);
  expect(longestLineOctets).toBeLessThan(1 << 18);
});
