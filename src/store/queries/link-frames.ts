/** The frames of a life with their octets: what the story of its link is read from, and what its keys proved. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface LinkFrameRecord {
  readonly atUs: number;
  readonly counter: number | null;
  readonly repeat: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly payload: Uint8Array;
  readonly keyId: number | null;
}

/** The newest frames of the window, in order of time. */
export function linkFrames(
  store: Store,
  lifeId: number,
  window: TimeWindow,
  most: number,
): LinkFrameRecord[] {
  const rows = prepared(
    store,
    `SELECT f.at_us AS atUs, f.counter, f.repeat, f.frequency_hz AS frequencyHz, f.data_rate AS dataRate,
            f.key_id AS keyId,
            (SELECT payload FROM reception WHERE frame_id = f.id AND payload IS NOT NULL LIMIT 1) AS payload
     FROM frame f WHERE f.life_id = ? AND f.at_us >= ? AND f.at_us < ? ORDER BY f.at_us DESC, f.id DESC LIMIT ?`,
  ).all(lifeId, window.fromUs, window.toUs, most) as LinkFrameRecord[];
  return rows.filter(({ payload }) => payload !== null).reverse();
}

export interface KeyCounts {
  readonly proved: number;
  readonly invalid: number;
  readonly replays: number;
}

export function keyCounts(store: Store, lifeId: number, window: TimeWindow): KeyCounts {
  return prepared(
    store,
    `SELECT count(*) FILTER (WHERE mic_verdict = 1) AS proved, count(*) FILTER (WHERE mic_verdict = 0) AS invalid,
            count(*) FILTER (WHERE replay = 1) AS replays
     FROM frame WHERE life_id = ? AND at_us >= ? AND at_us < ?`,
  ).get(lifeId, window.fromUs, window.toUs) as KeyCounts;
}
