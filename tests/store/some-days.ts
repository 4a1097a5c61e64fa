/** Some days of traffic, recorded and gone through; and the removal of what a rule does not keep, to its end. */
import Database from "better-sqlite3";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const DAY_S = 86_400;
export const DAY_US = DAY_S * 1e6;
/** 2026-03-14T00:00:00Z; START_US is 09:00 of it. */
export const FIRST_MIDNIGHT_US = START_US - 9 * 3_600e6;

const nodeOf = (node: number) => (0x0100_0000 + node).toString(16).toUpperCase().padStart(8, "0");

/**
 * Some days of two gateways and four nodes, a frame each twenty minutes: node 1 falls silent on the first day, node 2
 * loses twelve counters on the second, node 3 begins on the third.
 */
export function traffic(days: number, isOneSilent = true): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  let token = 0;
  for (const [i, eui] of [SHED, TOWER].entries())
    for (let s = 10 * i + 1; s < days * DAY_S; s += 240) all.push(pull(eui, s, token++ % 65_536));
  for (let node = 0; node < 4; node++)
    for (let s = 30 + node * 61, counter = 1; s < days * DAY_S; s += 1_200, counter++) {
      const day = s / DAY_S;
      if ((node === 1 && isOneSilent && day > 0.4) || (node === 3 && day < 2.2)) continue;
      if (node === 2 && day > 1.2 && day < 1.2 + (12 * 1_200) / DAY_S) continue;
      for (const [i, eui] of [SHED, TOWER].entries()) {
        if ((counter * 7 + node) % 10 === i) continue;
        const tmstUs = Math.round((s + i * 0.03) * 1e6) % 4_294_967_296;
        all.push(
          push(eui, s + i * 0.03, [{ payload: phy(nodeOf(node), counter), tmstUs }], token++ % 65_536),
        );
      }
    }
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

export function recorded(arrivals: readonly DecodedArrival[]): { db: Store; recorder: Recorder } {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  recorder.record(arrivals);
  workOff(recorder);
  return { db, recorder };
}

const kept = new Map<number, Buffer>();

/**
 * `recorded(traffic(days))` for a test to which it does not matter that the recorder has just begun with its store: it is
 * recorded once for all of them, and each gets a copy.
 */
export function recordedDays(days: number): { db: Store; recorder: Recorder } {
  let octets = kept.get(days);
  if (octets === undefined) {
    const { db, recorder } = recorded(traffic(days));
    recorder.close();
    octets = db.serialize();
    kept.set(days, octets);
  }
  const db = new Database(octets);
  db.pragma("journal_mode = MEMORY");
  db.pragma("foreign_keys = ON");
  const recorder = new Recorder(db, judgeGap);
  workOff(recorder);
  return { db, recorder };
}

export function workOff(recorder: Recorder): void {
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
}

/** Returns the number of steps. */
export function removeAll(recorder: Recorder, most = 500): number {
  let steps = 0;
  while (recorder.removeMore({ nowUs: null, most })) steps += 1;
  return steps;
}
