/** A stretch without any reception on some channels: how long, how many frames were due in it, and what it says. By hand. */
import { describe, expect, it } from "vitest";
import { type Hole, longestHole, meaningOf } from "../../../src/diagnosis/findings/channel-holes.ts";
import type { SceneReception } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, scene } from "./by-minutes.ts";

const SILENT = 868_100_000;
const OTHER = 868_300_000;
const on = (frequencyHz: number, ...minutes: number[]) =>
  minutes.map((minute) => heard(2, minute, Math.round(minute), { frequencyHz }));
/** A frame each minute from 1 to 199 on the other channel. */
const others = every(3, 1, 199, [], { frequencyHz: OTHER });
const look = { fromUs: 80 * MINUTE, toUs: 160 * MINUTE, lookFromUs: 0, lookToUs: 200 * MINUTE };
const quarter = { channels: [SILENT], shareThen: 0.25 };
const hole = (receptions: readonly SceneReception[], channels = quarter, range = look) => {
  const found = longestHole(
    [...receptions].sort((a, b) => a.atUs - b.atUs),
    channels,
    range,
  );
  return found === null ? null : [found.fromUs / MINUTE, found.toUs / MINUTE, found.due];
};

describe("the longest hole in a channel", () => {
  it("lies between two receptions on it; a third of what came on the others was due", () => {
    // From 61 to 179: 119 frames elsewhere, of which the silent quarter would have been a third more.
    expect(hole([...others, ...on(SILENT, 40, 60, 180)])).toEqual([60, 180, expect.closeTo(119 / 3, 9)]);
  });

  it("begins and ends where one looked, if nothing came on it at all", () => {
    expect(hole(others)).toEqual([0, 200, expect.closeTo(199 / 3, 9)]);
    expect(hole([...others, ...on(SILENT, -5, 250)])).toEqual([0, 200, expect.closeTo(199 / 3, 9)]);
  });

  it("must fill seven tenths of the gap: 56 of its 80 minutes", () => {
    expect(hole([...others, ...on(SILENT, 60, 136)])?.slice(0, 2)).toEqual([60, 136]);
    expect(hole([...others, ...on(SILENT, 60, 135.9, 180)])).toBeNull();
    expect(hole([...others, ...on(SILENT, 20, 104, 150)])?.slice(0, 2)).toBeUndefined();
    expect(hole([...others, ...on(SILENT, 20, 104, 199)])?.slice(0, 2)).toEqual([104, 199]);
  });

  it("of two as long is the first", () => {
    const range = { fromUs: 10 * MINUTE, toUs: 90 * MINUTE, lookFromUs: 0, lookToUs: 200 * MINUTE };
    expect(hole([...others, ...on(SILENT, 100)], quarter, range)?.slice(0, 2)).toEqual([0, 100]);
  });

  it("is no chance from seven frames due on", () => {
    // 21 frames elsewhere are seven due.
    const few = (count: number) => [...others.slice(99, 99 + count), ...on(SILENT, 60, 180)];
    expect(hole(few(21))).toEqual([60, 180, expect.closeTo(7, 9)]);
    expect(hole(few(20))).toBeNull();
  });

  it("counts frames with a counter only, and those at its ends not", () => {
    const nameless = others.map((one) => ({ ...one, counter: null }));
    expect(hole([...nameless, ...on(SILENT, 60, 180)])).toBeNull();
    const atEnds = [...others.slice(99, 119), ...on(OTHER, 60, 180), ...on(SILENT, 60, 180)];
    expect(hole(atEnds)).toBeNull();
    // A reception without a frequency came on no silent channel.
    const unknown = others.map((one) => ({ ...one, frequencyHz: null }));
    expect(hole([...unknown, ...on(SILENT, 60, 180)])?.[2]).toBeCloseTo(119 / 3, 9);
  });

  it("of channels that carried next to all takes no more than 49 frames for one elsewhere", () => {
    const most = { channels: [SILENT], shareThen: 0.99 };
    expect(hole([...others, ...on(SILENT, 60, 180)], most)?.[2]).toBeCloseTo((119 * 0.99) / 0.02, 6);
  });

  it("of two channels ends where anything came on either", () => {
    const both = { channels: [SILENT, 868_500_000], shareThen: 0.5 };
    expect(hole([...others, ...on(SILENT, 60, 180), ...on(868_500_000, 70)], both)?.slice(0, 2)).toEqual([
      70, 180,
    ]);
  });
});

describe("what a hole of two hours means", () => {
  const hours: Hole = { fromUs: 60 * MINUTE, toUs: 180 * MINUTE, due: 40 };
  // One looks from minute 40 to 260. With 40 frames due a restart may lie a quarter, 30 min, from an end.
  const meaning = (
    restarts: readonly number[],
    seenAt: readonly number[],
    of: Hole = hours,
    tellsCounter = true,
  ) =>
    meaningOf(
      of,
      scene(
        [],
        {},
        { homes: [gateway({ tellsCounter, restartsUs: restarts.map((minute) => minute * MINUTE) })] },
      ),
      seenAt.map((minute) => heard(3, minute, minute)),
      1.7,
    );
  const kind = (...given: Parameters<typeof meaning>) => {
    const { weights } = meaning(...given);
    return weights.interference === -3 ? "began anew" : weights.interference === 4 ? "ran on" : "unknown";
  };

  it("is either where the counter tells nothing", () => {
    const { text, weights, leavesOpen } = meaning([60], [100], hours, false);
    expect(text.replaceAll(/[\u202F\u00A0]/g, " ")).toBe(
      "nothing at all was heard there for 2 h, when 40 frames were due by what came on the others",
    );
    expect(weights).toEqual({
      "weak-link": -1.5,
      "gateway-transmitting": -2,
      congestion: -1,
      interference: 1.7,
      "channel-mismatch": 1.7,
    });
    expect(leavesOpen).toEqual(["interference", "channel-mismatch"]);
    expect(meaningOf(hours, scene([], {}, { homes: [] }), [], 2).leavesOpen).toBeDefined();
  });

  it("is another plan where the gateway restarted near its begin or end", () => {
    const { text, weights, leavesOpen } = meaning([60], []);
    expect(text).toMatch(/; the gateway's counter restarted as that began or ended$/);
    expect(weights).toEqual({ "channel-mismatch": 6, interference: -3, "weak-link": -1.5, congestion: -1.5 });
    expect(leavesOpen).toBeUndefined();
    expect([90, 90.1, 149.9, 150, 180].map((minute) => kind([minute], [120]))).toEqual([
      ...["began anew", "ran on", "ran on", "began anew", "began anew"],
    ]);
    // A second of slack beyond the ends.
    expect(
      [60 - 0.9 / 60, 60 - 1.1 / 60, 180 + 0.9 / 60, 180 + 1.1 / 60].map((minute) => kind([minute], [120])),
    ).toEqual(["began anew", "ran on", "began anew", "ran on"]);
  });

  it("allows a restart less far from the ends the more frames were due: of 160 an eighth", () => {
    const dense = { ...hours, due: 160 };
    expect([75, 75.1].map((minute) => kind([minute], [120], dense))).toEqual(["began anew", "ran on"]);
  });

  it("is a disturbance where the counter was read beside an end and ran on", () => {
    const { text, weights } = meaning([], [120]);
    expect(text).toMatch(
      /; the gateway's counter ran on, and a gateway takes on other channels only when it starts$/,
    );
    expect(weights).toEqual({ interference: 4, "channel-mismatch": -2.5, "weak-link": -1.5, congestion: -1 });
    expect(kind([], [])).toBe("unknown");
    // Beyond the 30 min after its begin, or before the 30 min before its end, at any minute between.
    expect([60, 61, 89, 91, 151, 180, 181].map((minute) => kind([], [minute]))).toEqual([
      ...["unknown", "ran on", "ran on", "ran on", "ran on", "ran on", "unknown"],
    ]);
  });

  it("is judged by one end where the other is only where one looked", () => {
    const toEnd = { ...hours, toUs: 260 * MINUTE };
    // 200 min: a quarter is 50. Its begin at 60 alone tells.
    expect([109, 111].map((minute) => kind([minute], [200], toEnd))).toEqual(["began anew", "ran on"]);
    expect(kind([255], [200], toEnd)).toBe("ran on");
    expect([109, 111].map((minute) => kind([], [minute], toEnd))).toEqual(["unknown", "ran on"]);
    const fromBegin = { ...hours, fromUs: 40 * MINUTE };
    // 140 min: a quarter is 35. Its end at 180 alone tells.
    expect([45, 146].map((minute) => kind([minute], [100], fromBegin))).toEqual(["ran on", "began anew"]);
    expect([144, 146].map((minute) => kind([], [minute], fromBegin))).toEqual(["ran on", "unknown"]);
    const whole = { fromUs: 40 * MINUTE, toUs: 260 * MINUTE, due: 40 };
    expect(kind([40], [100], whole)).toBe("unknown");
  });
});
