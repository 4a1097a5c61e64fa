/** Which frames of nodes were heard in a window, and how did the best antenna hear each? */

import { GROUPING_WINDOW_US } from "../../ledger/group-receptions.ts";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { columnsOf, OF_LIFE, prepared } from "./statement.ts";

/** One uplink frame of a counter life with its best reception (best SNR, then RSSI); levels in tenths. */
export interface HeardFrame {
  readonly id: number;
  readonly lifeId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly repeat: 0 | 1;
  readonly dataRate: number;
  readonly airtimeUs: number;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
  readonly receptions: number;
  /** Distinct gateways that heard it, by row id. */
  readonly gatewayIds: readonly number[];
}

// Replays are left out everywhere: they are no transmission of the node, and their counters may lie far from the
// window's. Frames are read from the table itself, also for one site (narrowed.ts): those without a hearing go.
/** All frames of the window, by time. */
export function framesInWindow(store: Store, { fromUs, toUs }: TimeRange): HeardFrame[] {
  const within = "at_us >= ? AND at_us < ? AND life_id IS NOT NULL AND replay = 0";
  const frames = framesWhere(store, within, [fromUs, toUs]);
  // Through the time of the receptions, not their frame: one pass in order of time beats a look-up a frame. A frame's
  // time is that of its first reception, the others come within the grouping window.
  const hearings = "at_us >= ? AND at_us <= ? AND +frame_id IS NOT NULL";
  addHearings(store, frames, hearings, [fromUs, toUs + GROUPING_WINDOW_US]);
  return heardOf(frames);
}

/**
 * How many frames of each life the window holds, by its row id. A frame has receptions, the first of them at its
 * own time, so that they need not be read.
 */
export function frameCounts(store: Store, { fromUs, toUs }: TimeRange): ReadonlyMap<number, number> {
  const rows = prepared(
    store,
    `SELECT life_id, count(*) FROM frame
     WHERE at_us >= ? AND at_us < ? AND life_id IS NOT NULL AND replay = 0 GROUP BY life_id`,
  )
    .raw()
    .all(fromUs, toUs) as [number, number][];
  return new Map(rows);
}

/** The frames of some lives, by time. */
export function framesOfLives(
  store: Store,
  lifeIds: readonly number[],
  { fromUs, toUs }: TimeRange,
): HeardFrame[] {
  const ids = "(SELECT value FROM json_each(?))";
  const within = `dev_addr IN (SELECT dev_addr FROM main.life WHERE id IN ${ids}) AND life_id IN ${ids}
    AND at_us >= ? AND at_us < ? AND replay = 0`;
  const json = JSON.stringify(lifeIds);
  const values = [json, json, fromUs, toUs];
  const frames = framesWhere(store, within, values);
  addHearings(store, frames, `frame_id IN (SELECT id FROM main.frame WHERE ${within})`, values);
  return heardOf(frames);
}

/** Those of one life, by time. */
export function framesOfLife(store: Store, lifeId: number, { fromUs, toUs }: TimeRange): HeardFrame[] {
  const within = `${OF_LIFE} AND at_us >= ? AND at_us < ? AND replay = 0`;
  const values = [lifeId, lifeId, fromUs, toUs];
  const frames = framesWhere(store, within, values);
  const hearings = `frame_id IN (SELECT id FROM main.frame WHERE ${within})`;
  addHearings(store, frames, hearings, values);
  return heardOf(frames);
}

type Filling = { -readonly [key in keyof HeardFrame]: HeardFrame[key] };

const NOBODY: readonly number[] = [];

function framesWhere(
  store: Store,
  condition: string,
  values: readonly (number | string)[],
): Map<number, Filling> {
  const columns = ["id", "life_id", "at_us", "counter", "repeat", "data_rate", "airtime_us"];
  const [ids = [], lives, times, counters, repeats, dataRates, airtimes] = columnsOf(
    store,
    columns,
    `FROM main.frame WHERE ${condition}`,
    values,
  );
  const frames = new Map<number, Filling>();
  for (let i = 0; i < ids.length; i++) {
    const id = ids[i] ?? 0;
    frames.set(id, {
      id,
      lifeId: lives?.[i] ?? 0,
      atUs: times?.[i] ?? 0,
      counter: counters?.[i] ?? 0,
      repeat: repeats?.[i] === 1 ? 1 : 0,
      dataRate: dataRates?.[i] ?? 0,
      airtimeUs: airtimes?.[i] ?? 0,
      snrTenths: null,
      rssiTenths: null,
      receptions: 0,
      gatewayIds: NOBODY,
    });
  }
  return frames;
}

function addHearings(
  store: Store,
  frames: ReadonlyMap<number, Filling>,
  condition: string,
  values: readonly (number | string)[],
): void {
  const columns = ["frame_id", "gateway_id", "snr_tenths", "rssi_tenths"];
  const [frameIds = [], gatewayIds, snrs, rssis] = columnsOf(
    store,
    columns,
    `FROM reception WHERE ${condition}`,
    values,
  );
  // Most frames were heard by one gateway alone: they share one list.
  const alone = new Map<number, readonly number[]>();
  for (let i = 0; i < frameIds.length; i++) {
    const frame = frames.get(frameIds[i] ?? 0);
    if (frame === undefined) continue;
    const gatewayId = gatewayIds?.[i] ?? 0;
    const snr = snrs?.[i] ?? null;
    const rssi = rssis?.[i] ?? null;
    if (isBetter(snr, rssi, frame)) {
      frame.snrTenths = snr;
      frame.rssiTenths = rssi;
    }
    frame.receptions += 1;
    if (frame.gatewayIds === NOBODY) {
      let list = alone.get(gatewayId);
      if (list === undefined) {
        list = [gatewayId];
        alone.set(gatewayId, list);
      }
      frame.gatewayIds = list;
    } else if (!frame.gatewayIds.includes(gatewayId)) frame.gatewayIds = [...frame.gatewayIds, gatewayId];
  }
}

/** By SNR, then by RSSI; a level that was not reported is worse than any. */
function isBetter(snr: number | null, rssi: number | null, best: Filling): boolean {
  if (snr !== best.snrTenths) return snr !== null && (best.snrTenths === null || snr > best.snrTenths);
  return rssi !== null && (best.rssiTenths === null || rssi > best.rssiTenths);
}

function heardOf(frames: ReadonlyMap<number, Filling>): HeardFrame[] {
  return [...frames.values()]
    .filter(({ receptions }) => receptions > 0)
    .sort((a, b) => a.atUs - b.atUs || a.id - b.id);
}

/** One hearing of a life's frame by one antenna. */
export interface LifeReception {
  readonly gatewayId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
}

export function receptionsOfLife(store: Store, lifeId: number, window: TimeRange): LifeReception[] {
  return prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, r.at_us AS atUs, f.counter, f.data_rate AS dataRate,
            r.snr_tenths AS snrTenths, r.rssi_tenths AS rssiTenths
     FROM main.frame f CROSS JOIN reception r ON r.frame_id = f.id
     WHERE ${OF_LIFE} AND f.at_us >= ? AND f.at_us < ? AND f.replay = 0 ORDER BY r.gateway_id, r.at_us, r.id`,
  ).all(lifeId, lifeId, window.fromUs, window.toUs) as LifeReception[];
}

/** EUIs of the gateways that heard the newest frame of a life. */
export function gatewaysOfNewestFrame(store: Store, lifeId: number): string[] {
  return prepared(
    store,
    `SELECT DISTINCT g.eui FROM reception r JOIN gateway g ON g.id = r.gateway_id
     WHERE r.frame_id = (SELECT id FROM frame WHERE ${OF_LIFE} ORDER BY at_us DESC LIMIT 1)`,
  )
    .pluck()
    .all(lifeId, lifeId) as string[];
}

// The frames of a life with their octets: what the story of its link is read from, and what its keys proved.

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
export function linkFrames(store: Store, lifeId: number, window: TimeRange, most: number): LinkFrameRecord[] {
  const rows = prepared(
    store,
    `SELECT f.at_us AS atUs, f.counter, f.repeat, f.frequency_hz AS frequencyHz, f.data_rate AS dataRate,
            f.key_id AS keyId,
            (SELECT payload FROM reception WHERE frame_id = f.id AND payload IS NOT NULL LIMIT 1) AS payload
     FROM frame f WHERE ${OF_LIFE} AND f.at_us >= ? AND f.at_us < ? ORDER BY f.at_us DESC, f.id DESC LIMIT ?`,
  ).all(lifeId, lifeId, window.fromUs, window.toUs, most) as LinkFrameRecord[];
  return rows.filter(({ payload }) => payload !== null).reverse();
}

export interface KeyCounts {
  readonly proved: number;
  readonly invalid: number;
  readonly replays: number;
}

export function keyCounts(store: Store, lifeId: number, window: TimeRange): KeyCounts {
  return prepared(
    store,
    `SELECT count(*) FILTER (WHERE mic_verdict = 1) AS proved, count(*) FILTER (WHERE mic_verdict = 0) AS invalid,
            count(*) FILTER (WHERE replay = 1) AS replays
     FROM frame WHERE ${OF_LIFE} AND at_us >= ? AND at_us < ?`,
  ).get(lifeId, lifeId, window.fromUs, window.toUs) as KeyCounts;
}

// How did each gateway hear each transmission of a life? The evidence for what is said of its links.

/** One hearing by one antenna; levels in tenths. */
export interface LinkHearing {
  readonly gatewayId: number;
  readonly frameId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly repeat: number;
  readonly dataRate: number;
  readonly frequencyHz: number | null;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
  readonly signalRssiTenths: number | null;
  readonly frequencyOffsetHz: number | null;
}

const COLUMNS = [
  "gateway_id",
  "frame_id",
  "at_us",
  "counter",
  "repeat",
  "data_rate",
  "frequency_hz",
  "snr_tenths",
  "rssi_tenths",
  "signal_rssi_tenths",
  "frequency_offset_hz",
];

/** Hearings of the newest `most` frames of the window, by gateway and time. Replays are none of the node's. */
export function linkHearings(
  store: Store,
  lifeId: number,
  { fromUs, toUs }: TimeRange,
  most: number,
): LinkHearing[] {
  const columns = columnsOf(
    store,
    COLUMNS,
    `FROM (
       SELECT r.gateway_id, r.frame_id, r.at_us, f.counter, f.repeat, f.data_rate, r.frequency_hz, r.snr_tenths,
              r.rssi_tenths, r.signal_rssi_tenths, r.frequency_offset_hz
       FROM (SELECT id, counter, repeat, data_rate FROM frame
             WHERE ${OF_LIFE} AND at_us >= ? AND at_us < ? AND replay = 0 ORDER BY at_us DESC LIMIT ?) f
         CROSS JOIN reception r ON r.frame_id = f.id
       ORDER BY r.gateway_id, r.at_us, r.id)`,
    [lifeId, lifeId, fromUs, toUs, most],
  );
  const [gatewayIds = []] = columns;
  return gatewayIds.map((gatewayId, i) => {
    const at = (column: number) => columns[column]?.[i] ?? null;
    return {
      gatewayId: gatewayId ?? 0,
      frameId: at(1) ?? 0,
      atUs: at(2) ?? 0,
      counter: at(3) ?? 0,
      repeat: at(4) ?? 0,
      dataRate: at(5) ?? 0,
      frequencyHz: at(6),
      snrTenths: at(7),
      rssiTenths: at(8),
      signalRssiTenths: at(9),
      frequencyOffsetHz: at(10),
    };
  });
}
