/** What speaks for or against the channels that a gateway listens to: counters as it heard them, and join-requests. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

/** Enough to tell one in eight from one in four, and little to read. */
const NEWEST = 4000;

export interface HeardCounter {
  readonly lifeId: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly snrTenths: number | null;
}

/** The newest counters of the window that one gateway heard, newest first. */
export function heardCounters(store: Store, gatewayId: number, window: TimeWindow): HeardCounter[] {
  return prepared(
    store,
    `SELECT f.life_id AS lifeId, f.counter, f.data_rate AS dataRate, r.snr_tenths AS snrTenths
     FROM reception r JOIN frame f ON f.id = r.frame_id
     WHERE r.at_us >= ? AND r.at_us < ? AND r.gateway_id = ? AND r.crc = 0 AND r.ghost = 0
       AND f.life_id IS NOT NULL AND f.counter IS NOT NULL
     ORDER BY r.at_us DESC LIMIT ${NEWEST}`,
  ).all(window.fromUs, window.toUs, gatewayId) as HeardCounter[];
}

/** Join-requests (message type 0) that one gateway heard in the window. */
export function joinRequestsHeard(store: Store, gatewayId: number, window: TimeWindow): number {
  return prepared(
    store,
    `SELECT count(*) FROM frame f INDEXED BY frame_join
     WHERE f.message_type = 0 AND f.at_us >= ? AND f.at_us < ?
       AND EXISTS (SELECT 1 FROM reception r WHERE r.frame_id = f.id AND r.gateway_id = ? AND r.ghost = 0)`,
  )
    .pluck()
    .get(window.fromUs, window.toUs, gatewayId) as number;
}
