/**
 * What did servers hand to gateways for sending? Writes `downlink` rows. Only captures show such datagrams, and none of
 * them names its gateway: it is the one that calls (PULL_DATA) from the address that the datagram goes to.
 */
import type { Statement } from "better-sqlite3";
import { digestOf } from "../../ledger/content.ts";
import type { Arrival } from "../../model/arrival.ts";
import type { PullResponse } from "../../wire/forwarder/downstream.ts";
import { dataRateCode } from "../data-rate-code.ts";
import type { Store } from "../open.ts";

/** MType of the join-accept; LoRaWAN 1.1, section 4.2.1, table 2. */
const JOIN_ACCEPT = 1;

export class DownlinkBook {
  readonly #insert: Statement;

  constructor(db: Store) {
    this.#insert = db.prepare(
      `INSERT OR IGNORE INTO downlink (gateway_id, at_us, token, tmst_us, frequency_hz, data_rate, payload, digest)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
    );
  }

  /** Keeps one; `gatewayId` 0 where none has called from there. Tells what it was; `known`: it was stored before. */
  keep(
    arrival: Arrival,
    { token, transmission }: PullResponse,
    gatewayId: number,
  ): "join-accept" | "other" | "known" | "empty" {
    const payload = transmission?.payload ?? null;
    if (transmission === null || payload === null || payload.length === 0) return "empty";
    const { moment, frequencyHz, modulation } = transmission;
    const { changes } = this.#insert.run(
      gatewayId,
      arrival.atUs,
      token,
      moment.kind === "counter" ? moment.tmstUs : null,
      frequencyHz,
      dataRateCode(modulation),
      payload,
      digestOf(arrival.bytes),
    );
    if (changes === 0) return "known";
    return (payload[0] ?? 0) >> 5 === JOIN_ACCEPT ? "join-accept" : "other";
  }
}
