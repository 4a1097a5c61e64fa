import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  clusterHearings,
  contentOf,
  digestOf,
  GROUPING_WINDOW_US,
  ghostOf,
  type Hearing,
} from "../../src/ledger/group-receptions.ts";
import { beganAtUs, restartedBetween } from "../../src/radio/clock.ts";

let nextId = 1;
function hearing(gatewayId: number, atUs: number, tmstKey = atUs, antenna = 0): Hearing {
  return { id: nextId++, gatewayId, antenna, atUs, tmstKey };
}

describe("grouping receptions into frames", () => {
  it("joins what several gateways and antennas heard within the window", () => {
    const groups = clusterHearings([
      hearing(2, 150_000),
      hearing(1, 0),
      hearing(1, 0, 0, 1),
      hearing(3, 1_900_000),
    ]);
    expect(groups.map((group) => group.length)).toEqual([4]);
  });

  it("keeps apart what one gateway's own counter shows to be two transmissions", () => {
    const groups = clusterHearings([hearing(1, 0, 5_000_000), hearing(1, 900_000, 5_900_000)]);
    expect(groups.length).toBe(2);
  });

  it("does not take a wrap of the counter for two transmissions", () => {
    const groups = clusterHearings([hearing(1, 0, 4_294_967_290, 0), hearing(1, 0, 4, 1)]);
    expect(groups.length).toBe(1);
  });

  it("keeps the window and the counter's jitter to the microsecond", () => {
    const sizes = (...hearings: Hearing[]) => clusterHearings(hearings).map((group) => group.length);
    expect(sizes(hearing(1, 0), hearing(2, 2_000_000))).toEqual([2]);
    expect(sizes(hearing(1, 0), hearing(2, 2_000_001))).toEqual([1, 1]);
    expect(sizes(hearing(1, 0, 500), hearing(1, 10, 100_500, 1))).toEqual([2]);
    expect(sizes(hearing(1, 0, 500), hearing(1, 10, 100_501, 1))).toEqual([1, 1]);
    // Without a counter on one side nothing contradicts; a counter of 0 is one.
    expect(sizes(hearing(1, 0, -1), hearing(1, 10, 900_000, 1))).toEqual([2]);
    expect(sizes(hearing(1, 0, 0), hearing(1, 10, 900_000, 1))).toEqual([1, 1]);
  });

  it("sorts a group by time, then gateway, antenna and counter", () => {
    const [group] = clusterHearings([
      hearing(2, 5, 7, 0),
      hearing(1, 5, 9, 1),
      hearing(1, 5, 8, 1),
      hearing(1, 5, 9, 0),
      hearing(3, 4, 7, 0),
    ]);
    expect(group?.map(({ gatewayId, antenna, tmstKey }) => [gatewayId, antenna, tmstKey])).toEqual([
      [3, 0, 7],
      [1, 0, 9],
      [1, 1, 8],
      [1, 1, 9],
      [2, 0, 7],
    ]);
  });

  it("gives the same groups for every order of its input", () => {
    const some = fc.array(
      fc.record({
        gatewayId: fc.integer({ min: 1, max: 3 }),
        atUs: fc.integer({ min: 0, max: 4 * GROUPING_WINDOW_US }),
        antenna: fc.integer({ min: 0, max: 1 }),
      }),
      { maxLength: 12 },
    );
    fc.assert(
      fc.property(some, fc.infiniteStream(fc.nat()), (parts, randoms) => {
        const hearings = parts.map((part, id) => ({ ...part, id, tmstKey: part.atUs }));
        const keyed = hearings.map((one) => ({ one, by: randoms.next().value as number }));
        const shuffled = keyed.sort((a, b) => a.by - b.by).map(({ one }) => one);
        const sets = (list: Hearing[]) =>
          clusterHearings(list).map((group) =>
            group.map(({ gatewayId, atUs, antenna }) => `${gatewayId} ${atUs} ${antenna}`),
          );
        expect(sets(shuffled)).toEqual(sets(hearings));
      }),
    );
  });
});

describe("content of a frame", () => {
  const data = Uint8Array.from([0x40, 1, 2, 3, 4, 0x80, 7, 0, 1, 0xaa, 0xbb, 0x11, 0x22, 0x33, 0x44]);

  it("leaves out the frame control octet and the first half of the MIC, which a repeat may change", () => {
    const repeat = Uint8Array.from(data);
    repeat[5] = 0xc0;
    repeat[11] = 0x99;
    expect(contentOf(repeat, true)).toBe(contentOf(data, true));
  });

  it("differs when counter, payload or the last half of the MIC differ", () => {
    for (const at of [0, 1, 6, 9, 13, 14]) {
      const other = Uint8Array.from(data);
      other[at] = (other[at] ?? 0) ^ 0xff;
      expect(contentOf(other, true)).not.toBe(contentOf(data, true));
    }
  });

  it("has no collision among a hundred thousand counters", () => {
    const seen = new Set<number>();
    const bytes = new Uint8Array(4);
    for (let i = 0; i < 100_000; i++) {
      new DataView(bytes.buffer).setUint32(0, i);
      seen.add(digestOf(bytes));
    }
    expect(seen.size).toBe(100_000);
  });
});

describe("ghosts", () => {
  it("recognises the published pair: 868.3 MHz at -35 dBm and 867.3 MHz at -100 dBm, 2 µs apart", () => {
    // Public issue 48 of the SX1302 reference daemon's repository.
    const strong = { frequencyHz: 868_300_000, tmstKey: 1_000, rssiTenths: -350 };
    const weak = { frequencyHz: 867_300_000, tmstKey: 1_002, rssiTenths: -1000 };
    expect(ghostOf(strong, weak)).toBe("b");
    expect(ghostOf(weak, strong)).toBe("a");
  });

  it("leaves two hearings of like strength alone", () => {
    expect(
      ghostOf(
        { frequencyHz: 868_300_000, tmstKey: 1_000, rssiTenths: -900 },
        { frequencyHz: 868_500_000, tmstKey: 1_002, rssiTenths: -1000 },
      ),
    ).toBe(null);
  });

  it("stand within 5 ms on the counter, 20 dB or more below, on another frequency", () => {
    const at = (frequencyHz: number | null, tmstKey: number, rssiTenths: number | null) => ({
      frequencyHz,
      tmstKey,
      rssiTenths,
    });
    const original = at(868_300_000, 5_000, -350);
    expect(ghostOf(original, at(867_300_000, 10_000, -550))).toBe("b");
    expect(ghostOf(original, at(867_300_000, 0, -550))).toBe("b");
    expect(ghostOf(at(867_300_000, 10_000, -550), original)).toBe("a");
    expect(ghostOf(original, at(867_300_000, 10_001, -550))).toBeNull();
    expect(ghostOf(original, at(867_300_000, 5_000, -549))).toBeNull();
    expect(ghostOf(at(867_300_000, 5_000, -549), original)).toBeNull();
    expect(ghostOf(original, at(868_300_000, 5_000, -900))).toBeNull();
    // What a gateway did not say proves nothing.
    expect(ghostOf(original, at(null, 5_000, -900))).toBeNull();
    expect(ghostOf(original, at(867_300_000, 5_000, null))).toBeNull();
    expect(ghostOf(at(868_300_000, -1, -350), at(867_300_000, -1, -900))).toBeNull();
  });
});

describe("restart of a concentrator", () => {
  const at = (atS: number, tmstS: number) => ({ atUs: atS * 1e6, tmstUs: (tmstS * 1e6) % 4_294_967_296 });

  it("is no restart when the counter runs on, across its wrap and over hours", () => {
    expect(restartedBetween(at(0, 4_290), at(10, 4_300))).toBe(false);
    expect(restartedBetween(at(0, 100), at(3 * 3600, 100 + 3 * 3600))).toBe(false);
  });

  it("date the restart where the new counter stood at zero, and never before the last reading of the old one", () => {
    expect(beganAtUs(at(0, 4_000), at(600, 35))).toBe(565_000_000);
    expect(beganAtUs(at(0, 4_000), at(600, 603))).toBe(1);
  });

  it("is one when the counter began at zero in between", () => {
    expect(restartedBetween(at(0, 1_000), at(600, 35))).toBe(true);
  });

  it("is none when only the path stalled", () => {
    expect(restartedBetween(at(0, 1_000), at(30, 1_010))).toBe(false);
  });
});
