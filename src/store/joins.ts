/**
 * Which sessions follow from the joins that were heard? With a device's root keys, its join-request and the join-accept
 * that a capture showed give the address and the session keys: they are held like keys that a person handed in, and
 * the device is followed across its new address.
 */
import { followJoin, joinWindow } from "../ledger/keys/joins.ts";
import { addSet, type HeldKeys, keysOfDevice } from "./key-sets.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

/**
 * A server hands out a join-accept before the second receive window: RX2 opens 6 s after the request in every region
 * (LoRaWAN regional parameters, JOIN_ACCEPT_DELAY2). On top, room for two paths.
 */
const ANSWER_WITHIN_US = 8_000_000;
/** The capturing clock may see the request late: its gateway's path is slower than the one back. Chosen. */
const ANSWER_AHEAD_US = 1_000_000;
/** Answers looked at for one request. Chosen: one for each of many gateways; a flood must not cost more. */
const MAX_ANSWERS = 32;

interface Request {
  readonly frameId: number;
  readonly devEui: string;
  readonly atUs: number;
  readonly payload: Uint8Array;
}

interface Answer {
  readonly gatewayId: number;
  readonly atUs: number;
  readonly tmstUs: number | null;
  readonly payload: Uint8Array;
}

/** How far before and after a join-accept or a join-request its counterpart may stand, microseconds. */
export const JOIN_REACH_US = ANSWER_WITHIN_US + ANSWER_AHEAD_US;

/** Follows the joins requested in this time, both ends included. Returns how many new sessions it found. */
export function followJoins(db: Store, fromUs: number, toUs: number): number {
  let found = 0;
  for (const request of requestsToFollow(db, fromUs, toUs)) {
    const answers = answersTo(db, request);
    if (answers.length === 0) continue;
    const sets = keysOfDevice(db, request.devEui).filter(({ origin }) => origin === "person");
    for (const answer of answers) found += followOne(db, request, answer, sets);
  }
  return found;
}

/** Join-requests of devices whose root keys are held. */
function requestsToFollow(db: Store, fromUs: number, toUs: number): Request[] {
  const sql = `SELECT frame.id AS frameId, dev_eui AS devEui, frame.at_us AS atUs,
    (SELECT payload FROM reception WHERE frame_id = frame.id ORDER BY at_us, gateway_id LIMIT 1) AS payload
    FROM frame WHERE at_us BETWEEN ? AND ? AND message_type = 0 AND dev_eui IN (
      SELECT dev_eui FROM node_key WHERE dev_eui IS NOT NULL AND (app_key IS NOT NULL OR nwk_key IS NOT NULL)
    ) ORDER BY at_us`;
  return prepared(db, sql).all(fromUs, toUs) as Request[];
}

/** Join-accepts (MType 1) handed out in time; of those, the ones that a receive window of the request awaits, if any are. */
function answersTo(db: Store, request: Request): Answer[] {
  const sql = `SELECT gateway_id AS gatewayId, at_us AS atUs, tmst_us AS tmstUs, payload FROM downlink
    WHERE at_us BETWEEN ? AND ? AND substr(payload, 1, 1) >= x'20' AND substr(payload, 1, 1) < x'40'
    ORDER BY at_us LIMIT ${MAX_ANSWERS}`;
  const answers = prepared(db, sql).all(
    request.atUs - ANSWER_AHEAD_US,
    request.atUs + ANSWER_WITHIN_US,
  ) as Answer[];
  const awaited = answers.filter((answer) => isAwaited(db, request, answer));
  return awaited.length > 0 ? awaited : answers;
}

/** The gateway's own counter says in which receive window of which request a join-accept is to be sent. */
function isAwaited(db: Store, request: Request, { gatewayId, tmstUs }: Answer): boolean {
  if (tmstUs === null) return false;
  const sql = "SELECT tmst_key FROM reception WHERE frame_id = ? AND gateway_id = ? AND tmst_key >= 0";
  const heardUs = prepared(db, sql).pluck().all(request.frameId, gatewayId) as number[];
  return heardUs.some((one) => joinWindow(one, tmstUs) !== null);
}

function followOne(db: Store, request: Request, answer: Answer, sets: readonly HeldKeys[]): number {
  const heard = { request: new Uint8Array(request.payload), accept: new Uint8Array(answer.payload) };
  for (const { devEui, keys, counterBits } of sets) {
    const verdict = followJoin(heard, { devAddr: null, devEui, keys, counterBits });
    if (verdict.verdict !== "valid") continue;
    const { session } = verdict;
    const { isNew } = addSet(db, {
      devAddr: session.devAddr,
      devEui: session.devEui,
      keys: session.keys,
      counterBits,
      note: null,
      origin: "join",
      joinedAtUs: answer.atUs,
    });
    return isNew ? 1 : 0;
  }
  return 0;
}
