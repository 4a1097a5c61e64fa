/**
 * What did servers hand to gateways for sending, and which joins does that answer? Writes `downlink` rows. Only captures
 * show such datagrams, and none of them names its gateway: it is the one that calls (PULL_DATA) from the address that
 * the datagram goes to.
 */
import type { Statement } from "better-sqlite3";
import { digestOf } from "../../ledger/content.ts";
import type { Arrival } from "../../model/arrival.ts";
import type { DownstreamDecoding } from "../../wire/forwarder/downstream.ts";
import { dataRateCode } from "../data-rate-code.ts";
import { followJoins, JOIN_REACH_US } from "../joins.ts";
import type { Store } from "../open.ts";
import type { GatewayBook } from "./gateway-book.ts";
import { endpointText } from "./rows.ts";

/** MType of the join-accept; LoRaWAN 1.1, section 4.2.1, table 2. */
const JOIN_ACCEPT = 1;

/** A datagram from a server to a gateway, as a capture shows it. */
export interface DownlinkArrival {
  readonly arrival: Arrival;
  readonly downlink: DownstreamDecoding;
  /** Whose association it came by, where a relay knows; a capture does not. */
  readonly gatewayEui?: string | null;
}

export class JoinBook {
  readonly #db: Store;
  readonly #insert: Statement;
  /** When joins were requested or answered in this transaction. */
  #touched: { readonly fromUs: number; readonly toUs: number } | null = null;

  constructor(db: Store) {
    this.#db = db;
    this.#insert = db.prepare(
      `INSERT OR IGNORE INTO downlink (gateway_id, at_us, token, tmst_us, frequency_hz, data_rate, payload, digest)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
    );
  }

  /** Keeps a packet that was handed out; once, however often the capture is read. */
  keep({ arrival, downlink }: DownlinkArrival, gateways: GatewayBook): void {
    if (!downlink.ok || downlink.datagram.kind !== "pull-response") return;
    const { token, transmission } = downlink.datagram;
    const payload = transmission?.payload ?? null;
    if (transmission === null || payload === null || payload.length === 0) return;
    const { moment, frequencyHz, modulation } = transmission;
    this.#insert.run(
      gateways.calledFrom(endpointText(arrival.to)),
      arrival.atUs,
      token,
      moment.kind === "counter" ? moment.tmstUs : null,
      frequencyHz,
      dataRateCode(modulation),
      payload,
      digestOf(arrival.bytes),
    );
    if ((payload[0] ?? 0) >> 5 === JOIN_ACCEPT) this.#touch(arrival.atUs);
  }

  /** A join-request was heard. */
  requested(atUs: number): void {
    this.#touch(atUs);
  }

  /**
   * Follows the joins of this transaction: true when new keys were found. Requests and answers may come in any order:
   * whichever is last is looked at with what is around it.
   */
  follow(): boolean {
    if (this.#touched === null) return false;
    const { fromUs, toUs } = this.#touched;
    this.#touched = null;
    return followJoins(this.#db, fromUs - JOIN_REACH_US, toUs + JOIN_REACH_US) > 0;
  }

  forget(): void {
    this.#touched = null;
  }

  #touch(atUs: number): void {
    const { fromUs, toUs } = this.#touched ?? { fromUs: atUs, toUs: atUs };
    this.#touched = { fromUs: Math.min(fromUs, atUs), toUs: Math.max(toUs, atUs) };
  }
}
