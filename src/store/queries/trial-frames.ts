/** Which frames did each antenna hear in a stretch of time, and with which levels? Column by column, for many frames. */

import { GROUPING_WINDOW_US } from "../../ledger/group-receptions.ts";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { columnsOf, OF_LIFE, prepared } from "./statement.ts";

/** One hearing of a frame by one antenna; levels in tenths. Frames that were heard alike share one. */
export interface Hearing {
  readonly gatewayId: number;
  readonly antenna: number;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
  readonly signalRssiTenths: number | null;
}

/** One transmission of a node, with all who heard it. */
export interface TrialFrame {
  readonly lifeId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly frequencyHz: number | null;
  readonly hearings: Hearing[];
}

/** The time from which on at most `most` frames lie within the window; its begin when there are no more. */
export function newestFrames(store: Store, { fromUs, toUs }: TimeRange, most: number): number {
  const first = prepared(
    store,
    `SELECT at_us FROM frame WHERE at_us >= ? AND at_us < ? AND life_id IS NOT NULL
     ORDER BY at_us DESC LIMIT 1 OFFSET ?`,
  )
    .pluck()
    .get(fromUs, toUs, most - 1) as number | undefined;
  return Math.max(fromUs, first ?? fromUs);
}

/** The time up to which at most `most` frames lie within the window; its end when there are no more. */
export function oldestFrames(store: Store, { fromUs, toUs }: TimeRange, most: number): number {
  const next = prepared(
    store,
    `SELECT at_us FROM frame WHERE at_us >= ? AND at_us < ? AND life_id IS NOT NULL
     ORDER BY at_us LIMIT 1 OFFSET ?`,
  )
    .pluck()
    .get(fromUs, toUs, most) as number | undefined;
  return next ?? toUs;
}

/** Pieces in which a window is read: the texts of a piece's columns are given back before the next. Chosen. */
const PIECES = 8;

/** Frames of counter lives in the window by time; replays are no transmission of the node. */
export function trialFrames(store: Store, { fromUs, toUs }: TimeRange): TrialFrame[] {
  const frames = new Map<number, TrialFrame>();
  const hearings = new Hearings();
  const endUs = toUs + GROUPING_WINDOW_US + 1;
  // Of an empty window, too, a piece has a length.
  const pieceUs = Math.ceil((endUs - fromUs) / PIECES);
  for (let beginUs = fromUs; beginUs < toUs; beginUs += pieceUs)
    addFrames(store, { fromUs: beginUs, toUs: Math.min(toUs, beginUs + pieceUs) }, frames);
  for (let beginUs = fromUs; beginUs < endUs; beginUs += pieceUs)
    addHearings(store, { fromUs: beginUs, toUs: Math.min(endUs, beginUs + pieceUs) }, frames, hearings);
  return [...frames.values()].sort((x, y) => x.atUs - y.atUs || x.counter - y.counter);
}

function addFrames(store: Store, { fromUs, toUs }: TimeRange, frames: Map<number, TrialFrame>): void {
  const [ids = [], lives, times, counters, rates, frequencies] = columnsOf(
    store,
    ["id", "life_id", "at_us - @from", "counter", "data_rate", "frequency_hz"],
    "FROM frame WHERE at_us >= @from AND at_us < @to AND life_id IS NOT NULL AND replay = 0",
    { from: fromUs, to: toUs },
  );
  for (let i = 0; i < ids.length; i++)
    frames.set(ids[i] ?? 0, {
      lifeId: lives?.[i] ?? 0,
      atUs: fromUs + (times?.[i] ?? 0),
      counter: counters?.[i] ?? 0,
      dataRate: rates?.[i] ?? 0,
      frequencyHz: frequencies?.[i] ?? null,
      hearings: [],
    });
}

function addHearings(
  store: Store,
  { fromUs, toUs }: TimeRange,
  frames: ReadonlyMap<number, TrialFrame>,
  hearings: Hearings,
): void {
  const [frameIds = [], gatewayIds, antennas, snrs, rssis, signalRssis] = columnsOf(
    store,
    ["frame_id", "gateway_id", "antenna", "snr_tenths", "rssi_tenths", "signal_rssi_tenths"],
    "FROM reception WHERE at_us >= ? AND at_us < ? AND +frame_id IS NOT NULL AND ghost = 0",
    [fromUs, toUs],
  );
  for (let i = 0; i < frameIds.length; i++)
    frames
      .get(frameIds[i] ?? 0)
      ?.hearings.push(
        hearings.of(
          gatewayIds?.[i] ?? 0,
          antennas?.[i] ?? 0,
          snrs?.[i] ?? null,
          rssis?.[i] ?? null,
          signalRssis?.[i] ?? null,
        ),
      );
}

/** One object for all hearings that are alike: levels come in steps, so that of hundreds of thousands few differ. */
class Hearings {
  /** By gateway and antenna, then by what was read. */
  readonly #known = new Map<number, Map<number, Hearing>>();

  of(
    gatewayId: number,
    antenna: number,
    snrTenths: number | null,
    rssiTenths: number | null,
    signalRssiTenths: number | null,
  ): Hearing {
    const receiver = gatewayId * ANTENNAS + antenna;
    let ofReceiver = this.#known.get(receiver);
    if (ofReceiver === undefined) {
      ofReceiver = new Map();
      this.#known.set(receiver, ofReceiver);
    }
    const levels =
      (levelCode(snrTenths) * LEVELS + levelCode(rssiTenths)) * LEVELS + levelCode(signalRssiTenths);
    let hearing = ofReceiver.get(levels);
    if (hearing === undefined) {
      hearing = { gatewayId, antenna, snrTenths, rssiTenths, signalRssiTenths };
      ofReceiver.set(levels, hearing);
    }
    return hearing;
  }
}

/** More than an antenna's number, and than a level in tenths, may be. */
const ANTENNAS = 256;
const LEVELS = 2 ** 17;

function levelCode(tenths: number | null): number {
  return tenths === null ? 0 : tenths + LEVELS / 2;
}

/** An antenna of a gateway that heard a frame in the window; null: none did. */
export function antennaHeard(store: Store, gatewayId: number, { fromUs, toUs }: TimeRange): number | null {
  const antenna = prepared(
    store,
    `SELECT antenna FROM reception INDEXED BY reception_by_gateway
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND +frame_id IS NOT NULL AND ghost = 0
     ORDER BY at_us LIMIT 1`,
  )
    .pluck()
    .get(gatewayId, fromUs, toUs) as number | undefined;
  return antenna ?? null;
}

export interface CommandFrame {
  readonly atUs: number;
  readonly payload: Uint8Array;
}

/** Uplinks of a life that carry FOpts, the newest first: where a node answers the network's commands. */
export function framesWithCommands(
  store: Store,
  lifeId: number,
  { fromUs, toUs }: TimeRange,
  most: number,
): CommandFrame[] {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs,
            (SELECT payload FROM reception WHERE frame_id = f.id AND payload IS NOT NULL LIMIT 1) AS payload
     FROM frame f WHERE ${OF_LIFE} AND at_us >= ? AND at_us < ? AND repeat = 0 AND replay = 0
       AND (frame_control & 15) > 0
     ORDER BY at_us DESC LIMIT ?`,
  ).all(lifeId, lifeId, fromUs, toUs, most) as { atUs: number; payload: Uint8Array | null }[];
  return rows.flatMap(({ atUs, payload }) => (payload === null ? [] : [{ atUs, payload }]));
}
