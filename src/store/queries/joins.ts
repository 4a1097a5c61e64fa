/** Which join-requests were heard, what was handed out for each, and which life is the device's? */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface JoinRequestRecord {
  readonly devEui: string;
  readonly atUs: number;
  /** As its first antenna heard it. */
  readonly payload: Uint8Array | null;
  /** 1: a join-accept was handed to a gateway for one of its receive windows. */
  readonly isAnswered: 0 | 1;
  /** The gateway's TX_ACK to that accept and its word; nulls without one. */
  readonly outcome: string | null;
  readonly word: string | null;
  /** From the accept's passing to the moment of sending, microseconds. */
  readonly leadUs: number | null;
}

/**
 * Join-requests of the window, newest first, at most `max`. An accept belongs to a request when the gateway that heard it was
 * asked to send at one of its receive windows (the same counter), refused ones last.
 */
export function joinRequests(store: Store, { fromUs, toUs }: TimeRange, max: number): JoinRequestRecord[] {
  return prepared(
    store,
    `SELECT f.dev_eui AS devEui, f.at_us AS atUs, d.id IS NOT NULL AS isAnswered, d.outcome, d.outcome_word AS word,
            d.lead_us AS leadUs,
            (SELECT payload FROM reception WHERE frame_id = f.id ORDER BY at_us, gateway_id LIMIT 1) AS payload
     FROM frame f INDEXED BY frame_join LEFT JOIN main.downlink d ON d.id = (
       SELECT a.id FROM reception r JOIN downlink a ON a.gateway_id = r.gateway_id
         AND a.at_us BETWEEN r.at_us - 1000000 AND r.at_us + 8000000
         AND a.message_type = 1 AND a.uplink_tmst_us = r.tmst_key
       WHERE r.frame_id = f.id ORDER BY a.outcome = 'refused', a.at_us LIMIT 1)
     WHERE f.message_type = 0 AND f.dev_eui IS NOT NULL AND f.at_us >= ? AND f.at_us < ?
     ORDER BY f.at_us DESC LIMIT ?`,
  ).all(fromUs, toUs, max) as JoinRequestRecord[];
}

/** The newest life that is known to be this device's and that was heard in this time; null: none is. */
export function newestLifeOf(
  store: Store,
  devEui: string,
  fromUs: number,
  toUs: number,
): { readonly devAddr: number; readonly life: number } | null {
  const row = prepared(
    store,
    `SELECT dev_addr AS devAddr, number AS life FROM life
     WHERE dev_eui = ? AND last_at_us >= ? AND first_at_us < ? ORDER BY first_at_us DESC LIMIT 1`,
  ).get(devEui, fromUs, toUs);
  return (row as { devAddr: number; life: number } | undefined) ?? null;
}
