import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import type { JudgeGap } from "../../../src/model/gap.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, TOWER } from "../traffic.ts";

const NODES = ["01A2B3C4", "01A2B3C5"] as const;
const HOUR_S = 3_600;
const DAYS = 3;
const EVERY_S = 600;
/** Hours of each day without the first node, and counters of each day that nobody hears of the second. */
const SILENT_HOURS = [4, 5];
const MISSED = [80, 81, 82, 83, 84, 85];
/** A late frame on the last day, an hour before the end. */
const LATE_S = (24 * DAYS - 1) * HOUR_S;

/** Two nodes and one gateway for three days, with two gaps a day; the first node begins anew after a day and a half. */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let s = 0; s < DAYS * 24 * HOUR_S; s += 120) all.push(pull(SHED, s, (s / 120) % 65_536));
  const restartS = 36 * HOUR_S;
  for (let i = 0; i < (DAYS * 24 * HOUR_S) / EVERY_S; i++) {
    const atS = i * EVERY_S;
    const ofDay = i % ((24 * HOUR_S) / EVERY_S);
    const counter = atS < restartS ? i : i - restartS / EVERY_S;
    if (!SILENT_HOURS.includes(Math.floor((atS / HOUR_S) % 24)))
      all.push(push(SHED, atS + 7, [{ payload: phy(NODES[0], counter) }], i));
    if (!MISSED.includes(ofDay)) all.push(push(SHED, atS + 31, [{ payload: phy(NODES[1], i) }], 1_000 + i));
  }
  return all.map(live).sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

/** As the listening service receives it. */
function live(item: DecodedArrival): DecodedArrival {
  return { ...item, arrival: { ...item.arrival, door: "udp" } };
}

function listening(store: Store, judge: JudgeGap): Recorder {
  const recorder = new Recorder(store, judge);
  recorder.listen(START, "start");
  return recorder;
}

function record(pieces: readonly (readonly DecodedArrival[])[], judge: JudgeGap): Store {
  const store = openStore(":memory:");
  const recorder = listening(store, judge);
  for (const piece of pieces) {
    recorder.record(piece);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
  }
  return store;
}

const rows = (store: Store): unknown[] =>
  store.prepare("SELECT * FROM gap ORDER BY id").all() as Record<string, unknown>[];

/** Beginnings of the gaps that are judged, hours after the first frame. */
function judging(): { judge: JudgeGap; judgedAtHours: number[] } {
  const judgedAtHours: number[] = [];
  return {
    judgedAtHours,
    judge: (scene) => {
      judgedAtHours.push(Math.round((scene.gap.fromUs - START) / 3_600e6));
      return judgeGap(scene);
    },
  };
}
const START = traffic()[0]?.arrival.atUs ?? 0;

describe("a frame that comes late", () => {
  const late = live(push(TOWER, LATE_S + 31, [{ payload: phy(NODES[1], (24 * DAYS - 1) * 6) }], 9_000));

  it("has only those gaps judged again whose findings may rest on it", () => {
    const { judge, judgedAtHours } = judging();
    const store = openStore(":memory:");
    const recorder = listening(store, judge);
    const finish = () => {
      while (recorder.workOnGaps({ patient: false, nowUs: null }));
    };
    recorder.record(traffic());
    finish();
    // A silence at four and missed counters at one, three days each, and the restart.
    expect([...judgedAtHours].sort((a, b) => a - b)).toEqual([4, 13, 28, 36, 37, 52, 61]);
    judgedAtHours.length = 0;
    recorder.record([late]);
    finish();
    // Evidence is looked for up to two hours after a gap: none reaches the last hour but what lies beside it.
    expect(judgedAtHours.filter((hour) => hour < 61)).toEqual([]);
    expect(rows(store)).toHaveLength(7);
  });

  it("leaves all gaps and findings as they are when it comes in time", () => {
    const inTime = [...traffic(), late].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const expected = rows(record([inTime], judgeGap)).map(finding);
    expect(rows(record([traffic(), [late]], judgeGap)).map(finding)).toEqual(expected);
  });

  it("or many, in any pieces, give the same gaps and findings", () => {
    const all = traffic();
    const expected = rows(record([all], judgeGap)).map(finding);
    expect(expected).toHaveLength(7);
    const held = fc.uniqueArray(fc.nat({ max: all.length - 2 }), { minLength: 1, maxLength: 12 });
    fc.assert(
      fc.property(held, fc.integer({ min: 1, max: all.length - 1 }), (indexes, cutAt) => {
        const later = new Set(indexes);
        const first = all.filter((_, i) => i < cutAt && !later.has(i));
        const second = all.filter((_, i) => i >= cutAt && !later.has(i));
        const third = all.filter((_, i) => later.has(i));
        const store = record([first, second, third], judgeGap);
        expect(rows(store).map(finding)).toEqual(expected);
      }),
      { numRuns: 5 },
    );
  });
});

/** What a gap's row says, without up to when it was judged. */
function finding(row: unknown): unknown {
  const { judged_to_us: _judgedTo, ...rest } = row as Record<string, unknown>;
  return rest;
}
