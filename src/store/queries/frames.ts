/** Which frames of nodes were heard in a window, and how did the best antenna hear each? */
import { GROUPING_WINDOW_US } from "../../ledger/clusters.ts";
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

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

type FrameRow = [
  id: number,
  lifeId: number,
  atUs: number,
  counter: number,
  repeat: 0 | 1,
  dataRate: number,
  airtimeUs: number,
];
type HearingRow = [frameId: number, gatewayId: number, snrTenths: number | null, rssiTenths: number | null];

const FRAME = "SELECT id, life_id, at_us, counter, repeat, data_rate, airtime_us FROM frame";
const HEARING = "SELECT r.frame_id, r.gateway_id, r.snr_tenths, r.rssi_tenths FROM reception r";

// Replays are left out everywhere: they are no transmission of the node, and their counters may lie far from the
// window's.
/** All frames of the window, by time. */
export function framesInWindow(store: Store, { fromUs, toUs }: TimeWindow): HeardFrame[] {
  const frames = prepared(
    store,
    `${FRAME} WHERE at_us >= ? AND at_us < ? AND life_id IS NOT NULL AND replay = 0 ORDER BY at_us, id`,
  )
    .raw()
    .all(fromUs, toUs) as FrameRow[];
  // Through the time of the receptions, not their frame: one pass in order of time beats a look-up a frame. A frame's
  // time is that of its first reception, the others come within the grouping window.
  const hearings = prepared(
    store,
    `${HEARING} WHERE r.at_us >= ? AND r.at_us <= ? AND +r.frame_id IS NOT NULL`,
  )
    .raw()
    .all(fromUs, toUs + GROUPING_WINDOW_US) as HearingRow[];
  return withBestHearing(frames, hearings);
}

/** Those of one life, by time. */
export function framesOfLife(store: Store, lifeId: number, { fromUs, toUs }: TimeWindow): HeardFrame[] {
  const within = "life_id = ? AND at_us >= ? AND at_us < ? AND replay = 0";
  const frames = prepared(store, `${FRAME} WHERE ${within} ORDER BY at_us, id`)
    .raw()
    .all(lifeId, fromUs, toUs) as FrameRow[];
  const hearings = prepared(store, `${HEARING} WHERE r.frame_id IN (SELECT id FROM frame WHERE ${within})`)
    .raw()
    .all(lifeId, fromUs, toUs) as HearingRow[];
  return withBestHearing(frames, hearings);
}

function withBestHearing(frames: readonly FrameRow[], hearings: readonly HearingRow[]): HeardFrame[] {
  interface Heard {
    receptions: number;
    readonly gatewayIds: number[];
    snrTenths: number | null;
    rssiTenths: number | null;
  }
  const heard = new Map<number, Heard>();
  for (const [frameId, gatewayId, snrTenths, rssiTenths] of hearings) {
    const known = heard.get(frameId);
    if (known === undefined) {
      heard.set(frameId, { receptions: 1, gatewayIds: [gatewayId], snrTenths, rssiTenths });
      continue;
    }
    known.receptions += 1;
    if (!known.gatewayIds.includes(gatewayId)) known.gatewayIds.push(gatewayId);
    if (isBetter(snrTenths, known.snrTenths, () => isBetter(rssiTenths, known.rssiTenths, () => false))) {
      known.snrTenths = snrTenths;
      known.rssiTenths = rssiTenths;
    }
  }
  return frames.flatMap(([id, lifeId, atUs, counter, repeat, dataRate, airtimeUs]) => {
    const best = heard.get(id);
    if (best === undefined) return [];
    return [{ id, lifeId, atUs, counter, repeat, dataRate, airtimeUs, ...best }];
  });
}

/** Nothing known is worse than anything; equals are decided by `ifEqual`. */
function isBetter(one: number | null, other: number | null, ifEqual: () => boolean): boolean {
  if (one === other) return ifEqual();
  return one !== null && (other === null || one > other);
}

/** How many frames each address sent in the window. */
export function framesByAddress(store: Store, window: TimeWindow): ReadonlyMap<number, number> {
  const rows = prepared(
    store,
    `SELECT dev_addr, count(*) FROM frame INDEXED BY frame_by_time
     WHERE at_us >= ? AND at_us < ? AND life_id IS NOT NULL AND replay = 0 GROUP BY dev_addr`,
  )
    .raw()
    .all(window.fromUs, window.toUs) as [number, number][];
  return new Map(rows);
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

export function receptionsOfLife(store: Store, lifeId: number, window: TimeWindow): LifeReception[] {
  return prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, r.at_us AS atUs, f.counter, f.data_rate AS dataRate,
            r.snr_tenths AS snrTenths, r.rssi_tenths AS rssiTenths
     FROM frame f JOIN reception r ON r.frame_id = f.id
     WHERE f.life_id = ? AND f.at_us >= ? AND f.at_us < ? AND f.replay = 0 ORDER BY r.gateway_id, r.at_us`,
  ).all(lifeId, window.fromUs, window.toUs) as LifeReception[];
}
