/**
 * What did servers hand to gateways for sending, and what came of it? Writes `downlink` rows: what was asked, the uplink
 * and receive window that it answers, how much time was left, and the gateway's word. None of these datagrams names its
 * gateway: a relay knows whose association it came by; in a capture it is the gateway that calls (PULL_DATA) from the
 * address that the datagram goes to.
 */
import type { Statement } from "better-sqlite3";
import { digestOf } from "../../ledger/group-receptions.ts";
import type { Arrival, TransmitOutcome } from "../../model/datagram.ts";
import { parseDevAddr } from "../../model/identifiers.ts";
import { airtimeOfTransmission } from "../../radio/airtime.ts";
import type { DownstreamDecoding, Transmission } from "../../wire/forwarder/downstream.ts";
import { decodePhyPayload, MESSAGE_TYPES } from "../../wire/lorawan/phy-payload.ts";
import { codingRateCode, dataRateCode } from "../data-rate-code.ts";
import type { Store } from "../open.ts";
import { DownlinkLinks } from "./downlink-links.ts";
import type { GatewayWriter } from "./gateways.ts";
import { endpointText } from "./rows.ts";

/** A datagram from a server to a gateway, as a relay or a capture shows it. */
export interface DownlinkArrival {
  readonly arrival: Arrival;
  readonly downlink: DownstreamDecoding;
  /** Whose association it came by, where a relay knows; a capture does not. */
  readonly gatewayEui?: string | null;
}

/** A gateway answers within milliseconds; later, a TX_ACK answers something else. Chosen. */
const ANSWER_WITHIN_US = 5_000_000;

/** Of a gateway's downlinks from a moment on that carry a token, the oldest that waits: servers may send the same token each time. */
const OLDEST_UNANSWERED = `SELECT id FROM downlink
  WHERE gateway_id = ? AND at_us BETWEEN ? AND ? AND token = ? AND outcome IS NULL ORDER BY at_us LIMIT 1`;
const ANSWER =
  "UPDATE downlink SET outcome = ?, outcome_word = ?, outcome_at_us = ?, sent_power_tenths = ? WHERE id = ?";
/** Answers read at once when all are matched again. */
const PAGE = 5_000;

interface OutcomeRow {
  readonly gatewayId: number;
  readonly atUs: number;
  readonly token: number;
  readonly result: string;
  readonly word: string | null;
  readonly powerTenths: number | null;
}

/** Gives every answer of a gateway (TX_ACK) to its downlink again, in order of time, as if all had come in order. */
export function rematchOutcomes(db: Store): void {
  // Stores of an earlier version hold the power in the downlink alone.
  const powers = new Map<string, number>();
  const known = db.prepare(
    `SELECT gateway_id, outcome_at_us, token, sent_power_tenths FROM downlink
     WHERE outcome_at_us IS NOT NULL AND sent_power_tenths IS NOT NULL`,
  );
  for (const [gatewayId, atUs, token, tenths] of known.raw().all() as [number, number, number, number][])
    powers.set(`${gatewayId}/${atUs}/${token}`, tenths);
  db.exec(
    "UPDATE downlink SET outcome = NULL, outcome_word = NULL, outcome_at_us = NULL, sent_power_tenths = NULL",
  );
  const oldest = db.prepare(OLDEST_UNANSWERED).pluck();
  const answer = db.prepare(ANSWER);
  const page = db.prepare(
    `SELECT gateway_id AS gatewayId, at_us AS atUs, token, result, word, power_tenths AS powerTenths
     FROM transmit_outcome WHERE (gateway_id, at_us, token) > (?, ?, ?) ORDER BY gateway_id, at_us, token LIMIT ${PAGE}`,
  );
  let last = [Number.MIN_SAFE_INTEGER, 0, 0];
  for (;;) {
    const rows = page.all(...last) as OutcomeRow[];
    for (const { gatewayId, atUs, token, result, word, powerTenths } of rows) {
      const id = oldest.get(gatewayId, atUs - ANSWER_WITHIN_US, atUs, token) as number | undefined;
      const power = powerTenths ?? powers.get(`${gatewayId}/${atUs}/${token}`) ?? null;
      if (id !== undefined) answer.run(result, word, atUs, power, id);
    }
    const end = rows.at(-1);
    if (end === undefined) return;
    last = [end.gatewayId, end.atUs, end.token];
  }
}

export class DownlinkWriter {
  readonly #insert: Statement;
  readonly #oldestUnanswered: Statement;
  readonly #answer: Statement;
  readonly #outcomeAfter: Statement;
  readonly #adopt: Statement;
  readonly #links: DownlinkLinks;

  constructor(db: Store) {
    this.#links = new DownlinkLinks(db);
    this.#insert = db.prepare(
      `INSERT OR IGNORE INTO downlink (gateway_id, at_us, token, tmst_us, frequency_hz, data_rate, payload, digest,
       coding_rate, power_tenths, moment, airtime_us, target, message_type, dev_addr, frame_control, fcnt)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#oldestUnanswered = db.prepare(OLDEST_UNANSWERED).pluck();
    this.#answer = db.prepare(ANSWER);
    // In a capture that is out of order the answer may stand first.
    this.#outcomeAfter = db.prepare(
      `SELECT at_us AS atUs, result, word, power_tenths AS powerTenths FROM transmit_outcome o WHERE gateway_id = ? AND at_us BETWEEN ? AND ? AND token = ?
       AND NOT EXISTS (SELECT 1 FROM downlink WHERE gateway_id = o.gateway_id AND outcome_at_us = o.at_us AND token = o.token)
       ORDER BY at_us LIMIT 1`,
    );
    // A capture may begin between a gateway's calls: then only its answer tells whose the downlink was.
    this.#adopt = db.prepare(
      "UPDATE downlink SET gateway_id = ? WHERE gateway_id = 0 AND target = ? AND at_us BETWEEN ? AND ?",
    );
  }

  /** Keeps a packet that was handed out; once, however often the capture is read. Gives its payload when it was new. */
  keep({ arrival, downlink, gatewayEui }: DownlinkArrival, gateways: GatewayWriter): Uint8Array | null {
    if (!downlink.ok || downlink.datagram.kind !== "pull-response") return null;
    const { token, transmission } = downlink.datagram;
    const payload = transmission?.payload ?? null;
    if (transmission === null || payload === null || payload.length === 0) return null;
    const target = endpointText(arrival.to);
    const named = typeof gatewayEui === "string" ? gateways.entry(gatewayEui, arrival.atUs) : null;
    const gatewayId = named?.id ?? gateways.calledFrom(target);
    const { moment, frequencyHz, modulation } = transmission;
    const frame = addressOf(payload);
    const { changes, lastInsertRowid } = this.#insert.run(
      gatewayId,
      arrival.atUs,
      token,
      moment.kind === "counter" ? moment.tmstUs : null,
      frequencyHz,
      dataRateCode(modulation),
      payload,
      arrival.digest ?? digestOf(arrival.bytes),
      codingRateCode(modulation),
      transmission.powerDbm === null ? null : Math.round(transmission.powerDbm * 10),
      moment.kind,
      airtimeOf(transmission, payload),
      target,
      frame.messageType,
      frame.devAddr,
      frame.frameControl,
      frame.fcnt,
    );
    if (changes === 0) return null;
    const id = Number(lastInsertRowid);
    this.#links.toLink(id, arrival.atUs);
    const answered = this.#outcomeAfter.get(
      gatewayId,
      arrival.atUs,
      arrival.atUs + ANSWER_WITHIN_US,
      token,
    ) as Omit<OutcomeRow, "gatewayId" | "token"> | undefined;
    if (answered !== undefined)
      this.#answer.run(answered.result, answered.word, answered.atUs, answered.powerTenths, id);
    return payload;
  }

  /** Takes in what a gateway says of a downlink; once a TX_ACK, which the caller has seen to. */
  answered(gatewayId: number, arrival: Arrival, token: number, outcome: TransmitOutcome): void {
    const fromUs = arrival.atUs - ANSWER_WITHIN_US;
    this.#adopt.run(gatewayId, endpointText(arrival.from), fromUs, arrival.atUs);
    const id = this.#oldestUnanswered.get(gatewayId, fromUs, arrival.atUs, token) as number | undefined;
    if (id === undefined) return;
    const powerTenths = outcome.powerDbm === null ? null : Math.round(outcome.powerDbm * 10);
    this.#answer.run(outcome.result, outcome.word, arrival.atUs, powerTenths, id);
  }

  /** Finds the uplinks that the downlinks of this transaction answer, and those still open from before. */
  flush(nowUs: number): void {
    this.#links.flush(nowUs);
  }

  forget(): void {
    this.#links.forget();
  }
}

function airtimeOf({ modulation, preamble, withoutCrc }: Transmission, payload: Uint8Array): number {
  return airtimeOfTransmission(modulation, payload.length, { preamble, withCrc: !withoutCrc });
}

/** What a downlink says of itself without any key; nulls where it is no data frame. */
function addressOf(payload: Uint8Array): {
  messageType: number | null;
  devAddr: number | null;
  frameControl: number | null;
  fcnt: number | null;
} {
  const nothing = { messageType: null, devAddr: null, frameControl: null, fcnt: null };
  const decoded = decodePhyPayload(payload);
  if (!decoded.ok) return nothing;
  const messageType = MESSAGE_TYPES.indexOf(decoded.value.messageType);
  if (!("fCnt" in decoded.value)) return { ...nothing, messageType };
  const { devAddr, fCtrl, fCnt } = decoded.value;
  return { messageType, devAddr: parseDevAddr(devAddr), frameControl: fCtrl.raw, fcnt: fCnt };
}
