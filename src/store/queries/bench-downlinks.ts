/** What came of the downlinks that one gateway was asked to send? For the bench list. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface OutcomeRecord {
  /** accepted, accepted-lower-power, refused, unreadable */
  readonly result: string;
  readonly word: string | null;
  readonly count: number;
}

export function transmitOutcomes(store: Store, gatewayId: number, window: TimeWindow): OutcomeRecord[] {
  return prepared(
    store,
    `SELECT result, word, count(*) AS count FROM transmit_outcome
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ? GROUP BY result, word ORDER BY 3 DESC, 1, 2`,
  ).all(gatewayId, window.fromUs, window.toUs) as OutcomeRecord[];
}

/** A TX_ACK later than this answers something else. Chosen. */
const LATEST_ANSWER_US = 5_000_000;

/** From a downlink's passing to the TX_ACK with its token, newest first. Tokens repeat: the first answer after it counts. */
export function answerDelaysUs(store: Store, gatewayId: number, window: TimeWindow, most = 20_000): number[] {
  return prepared(
    store,
    `SELECT delay FROM (SELECT at_us, (SELECT min(o.at_us) FROM transmit_outcome o
         WHERE o.gateway_id = d.gateway_id AND o.token = d.token
           AND o.at_us >= d.at_us AND o.at_us <= d.at_us + ${LATEST_ANSWER_US}) - d.at_us AS delay
       FROM downlink d INDEXED BY downlink_by_time
       WHERE d.at_us >= ? AND d.at_us < ? AND d.gateway_id = ? ORDER BY d.at_us DESC LIMIT ?)
     WHERE delay IS NOT NULL`,
  )
    .pluck()
    .all(window.fromUs, window.toUs, gatewayId, most) as number[];
}

export interface RefusedRecord {
  readonly word: string | null;
  /** Left before its moment when it passed here; null: not known. */
  readonly leadUs: number | null;
  /** rx1, rx2 …; none: no uplink heard here fits its moment. */
  readonly window: string | null;
}

/** Downlinks that a gateway refused and that passed here, newest first. */
export function refusedDownlinks(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  max = 2_000,
): RefusedRecord[] {
  return prepared(
    store,
    `SELECT outcome_word AS word, lead_us AS leadUs, receive_window AS window FROM downlink
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND outcome = 'refused' ORDER BY at_us DESC LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, max) as RefusedRecord[];
}
