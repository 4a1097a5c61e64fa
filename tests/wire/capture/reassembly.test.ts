/** Do fragments come together in any order, never into something that was not sent, and within bounds? */
import * as fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { IpPacket } from "../../../src/wire/capture/ip-packet.ts";
import { createReassembler } from "../../../src/wire/capture/reassembly.ts";
import { holds } from "../forwarder/arbitraries.ts";
import { arrival, arrivalsOf, joined, pcapOf, read, reasonsOf, someTimeUs } from "./octets.ts";
import { createPcapWriter, udpFrames } from "./other-captures.ts";

const long = arrival({ bytes: Uint8Array.from({ length: 4000 }, (_, at) => (at * 7) & 0xff) });
const over6 = {
  from: { address: "2001:db8::10", port: 40_123 },
  to: { address: "2001:db8::1", port: 1700 },
};
const long6 = { ...long, ...over6 };
const raw = (one: typeof long, identification = 1, mtuOctets = 600): Uint8Array[] =>
  udpFrames(one, { linkType: 101, mtuOctets, identification });
const bytesOf = (frames: readonly Uint8Array[], timesUs: readonly number[] = []) =>
  arrivalsOf(read(pcapOf(101, frames, timesUs))).map(({ bytes }) => bytes);

describe("order", () => {
  test("fragments of IPv4 and IPv6 come together in any order, repeated ones included", () => {
    const index = fc.array(fc.nat(), { minLength: 0, maxLength: 6 });
    holds(
      fc.property(fc.boolean(), index, fc.infiniteStream(fc.nat()), (six, repeats, order) => {
        const one = six ? long6 : long;
        const frames = raw(one);
        const repeated = repeats.map((which) => frames[which % frames.length]!);
        const keyed = [...frames, ...repeated].map((frame) => ({ frame, key: order.next().value as number }));
        const shuffled = keyed.toSorted((a, b) => a.key - b.key).map(({ frame }) => frame);
        const whole = bytesOf(shuffled);
        expect(whole.length).toBeGreaterThanOrEqual(1);
        for (const bytes of whole) expect(bytes).toEqual(one.bytes);
      }),
      { numRuns: 60 },
    );
  });

  test("fragments of several datagrams may be mixed", () => {
    const other = arrival({
      bytes: Uint8Array.from({ length: 3000 }, () => 9),
      to: { address: "192.0.2.2", port: 1700 },
    });
    const frames = raw(long, 1).flatMap((frame, at) => [frame, ...raw(other, 1).slice(at, at + 1)]);
    expect(bytesOf(frames).toSorted((a, b) => a.length - b.length)).toEqual([other.bytes, long.bytes]);
  });

  test("the whole datagram has the time at which its last fragment came", () => {
    const frames = raw(long);
    const times = frames.map((_, at) => someTimeUs + at * 1_000_000);
    expect(arrivalsOf(read(pcapOf(101, frames, times)))[0]?.atUs).toBe(times.at(-1));
  });
});

describe("loss", () => {
  test("a missing fragment is told at the end of the file, with the port it was going to", () => {
    const frames = raw(long);
    const items = read(pcapOf(101, [...frames.slice(0, 3), ...frames.slice(4)]));
    expect(items).toHaveLength(1);
    expect(items[0]).toMatchObject({
      kind: "fault",
      fault: { reason: "fragment_missing", layer: "ip", need: 4008 },
      atUs: someTimeUs,
      to: { address: "192.0.2.1", port: 1700 },
    });
  });

  test("after 30 s of the capture's time a datagram is given up, and its identification is free", () => {
    const frames = raw(long);
    const late = someTimeUs + 31_000_000;
    const items = read(
      pcapOf(101, [frames[0]!, ...frames], [someTimeUs, ...frames.map((_, at) => late + at)]),
    );
    expect(reasonsOf(items)).toEqual(["fragment_missing"]);
    expect(arrivalsOf(items)).toHaveLength(1);
  });

  test("a fragment cut by the snapshot length is told, and the datagram is not made up", () => {
    const writer = createPcapWriter({ snapshotOctets: 300, mtuOctets: 600 });
    const items = read(joined(writer.header, writer.datagram(long)));
    expect(arrivalsOf(items)).toEqual([]);
    expect(new Set(reasonsOf(items))).toEqual(new Set(["snapped"]));
  });
});

/** A fragment for the reassembler itself. */
function fragment(
  identification: number,
  offset: number,
  bytes: Uint8Array,
  more: boolean,
  version: 4 | 6 = 4,
) {
  const packet: IpPacket = {
    version,
    source: new Uint8Array(version === 4 ? 4 : 16).fill(1),
    destination: new Uint8Array(version === 4 ? 4 : 16).fill(2),
    protocol: 17,
    payload: bytes,
    missing: 0,
    fragment: { identification, offset, more },
  };
  return [packet, { identification, offset, more }] as const;
}

function collecting() {
  const reasons: string[] = [];
  return { reasons, reassembler: createReassembler((fault) => reasons.push(fault.reason)) };
}

describe("what is kept of a fragment", () => {
  const eight = new Uint8Array(8).fill(0xaa);
  const as = (protocol: number, [packet, place]: ReturnType<typeof fragment>) =>
    [{ ...packet, protocol }, place] as const;

  test("in IPv6 the protocol of the piece that stands first counts, whichever comes first", () => {
    const opening = as(17, fragment(1, 0, eight, true, 6));
    const ending = as(60, fragment(1, 8, eight, false, 6));
    for (const order of [
      [opening, ending],
      [ending, opening],
    ]) {
      const { reassembler } = collecting();
      expect(order.map((one) => reassembler.add(...one, 0)?.protocol ?? null)).toEqual([null, 17]);
    }
  });

  test("in IPv4 one identification of two protocols is two datagrams", () => {
    const { reasons, reassembler } = collecting();
    reassembler.add(...as(6, fragment(1, 0, eight, true)), 0);
    expect(reassembler.add(...as(17, fragment(1, 8, eight, false)), 0)).toBeNull();
    expect(reassembler.add(...as(17, fragment(1, 0, eight, true)), 0)?.protocol).toBe(17);
    reassembler.end();
    expect(reasons).toEqual(["fragment_missing"]);
  });

  test("a loss tells where the datagram was going, though the octets it was read from were used again", () => {
    const lost: unknown[] = [];
    const reassembler = createReassembler((...loss) => lost.push(loss));
    const [packet, place] = fragment(1, 8, eight.slice(), false);
    reassembler.add(packet, place, 5);
    packet.destination.fill(9);
    packet.payload.fill(9);
    const [first, firstPlace] = fragment(2, 0, eight.slice(), true);
    reassembler.add(first, firstPlace, 6);
    first.payload.fill(9);
    reassembler.end();
    expect(lost).toEqual([
      [
        { reason: "fragment_missing", layer: "ip", at: 0, need: 16, have: 8 },
        5,
        null,
        Uint8Array.of(2, 2, 2, 2),
      ],
      [{ reason: "fragment_missing", layer: "ip", at: 0 }, 6, eight, Uint8Array.of(2, 2, 2, 2)],
    ]);
  });
});

describe("overlap", () => {
  const a = new Uint8Array(16).fill(0xaa);

  test("an overlap that agrees is allowed in IPv4 and discards the datagram in IPv6", () => {
    for (const version of [4, 6] as const) {
      const { reasons, reassembler } = collecting();
      reassembler.add(...fragment(1, 0, a, true, version), 0);
      const whole = reassembler.add(...fragment(1, 8, a, false, version), 0);
      expect(whole?.payload ?? null).toEqual(version === 4 ? new Uint8Array(24).fill(0xaa) : null);
      expect(reasons).toEqual(version === 4 ? [] : ["fragment_overlap"]);
    }
  });

  test("in IPv6 a shorter piece at the same place is an overlap too; the same piece twice is none", () => {
    const { reasons, reassembler } = collecting();
    reassembler.add(...fragment(1, 0, a, true, 6), 0);
    reassembler.add(...fragment(1, 0, a, true, 6), 0);
    expect(reasons).toEqual([]);
    reassembler.add(...fragment(1, 0, a.subarray(0, 8), true, 6), 0);
    expect(reasons).toEqual(["fragment_overlap"]);
  });

  test("an overlap that contradicts discards the datagram, late fragments of it included", () => {
    const { reasons, reassembler } = collecting();
    reassembler.add(...fragment(1, 0, a, true), 0);
    expect(reassembler.add(...fragment(1, 8, new Uint8Array(16).fill(0xbb), true), 0)).toBeNull();
    expect(reassembler.add(...fragment(1, 0, a, true), 0)).toBeNull();
    expect(reassembler.add(...fragment(1, 16, a, false), 0)).toBeNull();
    reassembler.end();
    expect(reasons).toEqual(["fragment_overlap"]);
  });

  test("fragments beyond the end, two ends, and lengths that are no multiple of 8 discard the datagram", () => {
    const cases = [
      [fragment(1, 0, a, false), fragment(1, 16, a, true)],
      [fragment(1, 32, a, true), fragment(1, 0, a, false)],
      [fragment(1, 16, a, false), fragment(1, 16, a.subarray(0, 8), false)],
      [fragment(1, 65_528, a, false)],
      [fragment(1, 0, a.subarray(0, 15), true)],
      [fragment(1, 0, a.subarray(0, 0), true)],
    ];
    const seen = cases.map((fragments) => {
      const { reasons, reassembler } = collecting();
      const whole = fragments.map((one) => reassembler.add(...one, 0));
      reassembler.end();
      return { reasons, whole: whole.filter((one) => one !== null).length };
    });
    expect(seen.map(({ reasons }) => reasons[0])).toEqual([
      // The first piece was a whole datagram by itself; the second opens another that never ends.
      "fragment_missing",
      "fragment_bounds",
      "fragment_bounds",
      "fragment_bounds",
      "fragment_length",
      "fragment_length",
    ]);
    expect(seen.map(({ whole }) => whole)).toEqual([1, 0, 0, 0, 0, 0]);
  });
});

describe("bounds", () => {
  test("a flood of openings evicts the oldest and holds a bounded number of octets", () => {
    const { reasons, reassembler } = collecting();
    const content = new Uint8Array(1480).fill(1);
    let most = 0;
    for (let identification = 0; identification < 20_000; identification++) {
      reassembler.add(...fragment(identification, 0, content, true), 0);
      most = Math.max(most, reassembler.heldOctets);
    }
    expect(most).toBeLessThanOrEqual(8 * 1024 * 1024);
    expect(new Set(reasons)).toEqual(new Set(["fragments_evicted"]));
    reassembler.end();
    expect(reassembler.heldOctets).toBe(0);
  });

  test("thousands of pieces of one datagram are given up", () => {
    const { reasons, reassembler } = collecting();
    for (let at = 0; at < 2000; at++) reassembler.add(...fragment(1, at * 16, new Uint8Array(8), true), 0);
    expect(reasons).toEqual(["fragment_limit"]);
    expect(reassembler.heldOctets).toBeLessThan(1000);
  });

  test("whatever comes, the octets held are what is open, and nothing stays after the end", () => {
    const one = fc.record({
      identification: fc.nat(3),
      offset: fc.nat(12).map((units) => units * 8),
      octets: fc.nat(40),
      fill: fc.nat(1),
      more: fc.boolean(),
      six: fc.boolean(),
      atUs: fc.nat(90_000_000),
    });
    holds(
      fc.property(fc.array(one, { maxLength: 60 }), (fragments) => {
        const { reassembler } = collecting();
        for (const { identification, offset, octets, fill, more, six, atUs } of fragments) {
          const bytes = new Uint8Array(octets).fill(fill);
          const whole = reassembler.add(...fragment(identification, offset, bytes, more, six ? 6 : 4), atUs);
          if (whole !== null) expect(whole.payload.length).toBeLessThanOrEqual(65_535);
          expect(reassembler.heldOctets).toBeGreaterThanOrEqual(0);
        }
        reassembler.end();
        expect(reassembler.heldOctets).toBe(0);
      }),
    );
  });
});
