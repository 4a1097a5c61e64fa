/** Which receptions could be another delivery of one that comes in: by payload, counter and arrival. Both sides of each limit. */
import { describe, expect, it } from "vitest";
import { GHOST_SPAN_US } from "../../src/ledger/group-receptions.ts";
import {
  commonLength,
  isOtherAntenna,
  isSame,
  payloadDigest,
  ReceptionMemory,
  type Remembered,
  SAME_MOMENT_US,
  type Sought,
} from "../../src/store/recorder/reception-memory.ts";

const PAYLOAD = Uint8Array.of(1, 2, 3);
let lastId = 0;
const reception = (more: Partial<Remembered> = {}): Remembered => {
  const payload = more.payload === undefined ? PAYLOAD : more.payload;
  return {
    id: ++lastId,
    arrivedUs: 1_000_000_000,
    tmstKey: 50_000_000,
    frequencyHz: 868_100_000,
    antenna: 0,
    rssiTenths: -970,
    payload,
    digest: payloadDigest(payload),
    ghost: false,
    further: false,
    ...more,
  };
};
const holding = (...all: readonly Remembered[]) => {
  const memory = new ReceptionMemory();
  for (const one of all) memory.add(one);
  return memory;
};

describe("receptions that are remembered", () => {
  const isFound = (kept: Partial<Remembered>, sought: Partial<Sought> = {}) =>
    holding(reception(kept)).alike(reception(sought)).length === 1;

  it("are alike with the same payload and a counter some milliseconds off, whatever channel and antenna", () => {
    expect(isFound({})).toBe(true);
    expect(isFound({ frequencyHz: 868_300_000, antenna: 1, rssiTenths: -1_100 })).toBe(true);
    for (const side of [1, -1]) {
      expect(isFound({ tmstKey: 50_000_000 + side * GHOST_SPAN_US })).toBe(true);
      expect(isFound({ tmstKey: 50_000_000 + side * (GHOST_SPAN_US + 1) })).toBe(false);
    }
    const other = Uint8Array.of(1, 2, 4);
    expect(isFound({ payload: other, digest: payloadDigest(other) })).toBe(false);
    // Octets decide where digests are alike by chance.
    expect(isFound({ payload: other, digest: payloadDigest(PAYLOAD) })).toBe(false);
    expect(isFound({ payload: null }, { payload: null })).toBe(true);
    expect(isFound({ payload: null, digest: payloadDigest(PAYLOAD) })).toBe(false);
  });

  it("are alike as long as the same counter is the same moment: two minutes of arrival either way", () => {
    for (const side of [1, -1]) {
      expect(isFound({ arrivedUs: 1_000_000_000 + side * SAME_MOMENT_US })).toBe(true);
      expect(isFound({ arrivedUs: 1_000_000_000 + side * (SAME_MOMENT_US + 1) })).toBe(false);
    }
  });

  it("without a counter are alike within a second, and with the same stand-in alone", () => {
    const without = (kept: Partial<Remembered>) => isFound({ tmstKey: -7, ...kept }, { tmstKey: -7 });
    expect(without({})).toBe(true);
    for (const side of [1, -1]) {
      expect(without({ arrivedUs: 1_000_000_000 + side * 1_000_000 })).toBe(true);
      expect(without({ arrivedUs: 1_000_000_000 + side * 1_000_001 })).toBe(false);
      expect(without({ tmstKey: -7 + side })).toBe(false);
    }
  });

  it("are the newest 64 of one payload and moment", () => {
    const all = Array.from({ length: 65 }, () => reception());
    expect(holding(...all.slice(0, 64)).alike(reception())).toHaveLength(64);
    expect(
      holding(...all)
        .alike(reception())
        .map(({ id }) => id),
    ).toEqual(all.slice(1).map(({ id }) => id));
  });

  it("are forgotten oldest first: what arrived before a moment, and what is too many", () => {
    const all = [10, 20, 30, 40].map((second) => reception({ arrivedUs: second * 1e6 }));
    const memory = holding(...all);
    const forgotten: number[] = [];
    memory.trim(20e6, 4, ({ arrivedUs }) => forgotten.push(arrivedUs / 1e6));
    expect([forgotten, memory.size]).toEqual([[10], 3]);
    memory.trim(20e6, 2, ({ arrivedUs }) => forgotten.push(arrivedUs / 1e6));
    expect([forgotten, memory.size]).toEqual([[10, 20], 2]);
    expect(memory.alike(reception({ arrivedUs: 30e6 })).map(({ arrivedUs }) => arrivedUs / 1e6)).toEqual([
      30, 40,
    ]);
    memory.trim(Number.NEGATIVE_INFINITY, 2);
    expect(memory.size).toBe(2);
    memory.trim(1e9, 2);
    expect([memory.size, memory.alike(reception({ arrivedUs: 30e6 }))]).toEqual([0, []]);
    memory.add(reception());
    expect(memory.size).toBe(1);
  });

  it("keep their number over thousands that come and go", () => {
    const memory = new ReceptionMemory();
    for (let i = 0; i < 5_000; i++) {
      memory.add(reception({ tmstKey: i * 100_000, arrivedUs: i * 1e6 }));
      memory.trim((i - 9) * 1e6, 100);
    }
    expect(memory.size).toBe(10);
    expect(memory.alike(reception({ tmstKey: 4_990 * 100_000, arrivedUs: 4_990e6 }))).toHaveLength(1);
    expect(memory.alike(reception({ tmstKey: 4_989 * 100_000, arrivedUs: 4_989e6 }))).toEqual([]);
  });
});

describe("the length to which the longest memories are cut", () => {
  it.each([
    // Nothing to cut, the limit itself included.
    [[], 10, Number.POSITIVE_INFINITY],
    [[4, 6], 10, Number.POSITIVE_INFINITY],
    // 4 + 4, 5 + 5.
    [[4, 7], 8, 4],
    [[9, 9], 10, 5],
    // The short ones stay whole: 1 + 2, and 6, 7 or 8 for the other two.
    [[1, 2, 50, 70], 9, 3],
    [[70, 1, 50, 2], 10, 3],
    [[70, 1, 50, 2], 11, 4],
    [[9, 9, 9], 2, 0],
  ])("of %j with room for %d is %d", (lengths, most, length) => {
    expect(commonLength(lengths, most)).toBe(length);
  });
});

describe("two receptions", () => {
  it("are one delivered twice by counter, antenna and channel, another antenna's where that alone differs", () => {
    const one = reception();
    const judged = (more: Partial<Remembered>) => [
      isSame(reception(more), one),
      isOtherAntenna(reception(more), one),
    ];
    expect(judged({})).toEqual([true, false]);
    expect(judged({ antenna: 1 })).toEqual([false, true]);
    expect(judged({ tmstKey: 50_000_001 })).toEqual([false, false]);
    expect(judged({ antenna: 1, tmstKey: 50_000_001 })).toEqual([false, false]);
    expect(judged({ frequencyHz: 868_300_000 })).toEqual([false, false]);
    expect(judged({ antenna: 1, frequencyHz: 868_300_000 })).toEqual([false, false]);
  });
});
