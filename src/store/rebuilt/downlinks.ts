/** What servers sent to gateways, put together again: packets to send from their rows, acknowledgements from counts. */
import { ASKED_BOTH_SIDES, ASKED_IN_LINE, classMs } from "../../ledger/downlink-timing.ts";
import type { UpstreamDatagram } from "../../model/datagram.ts";
import type { Eui } from "../../model/identifiers.ts";
import { minuteOf, type TimeRange } from "../../model/time-range.ts";
import { airtimeOfTransmission } from "../../radio/airtime.ts";
import type { PullAck, PullResponse, PushAck, TransmitMoment } from "../../wire/forwarder/downstream.ts";
import { modulationFromCodes } from "../data-rate-code.ts";
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";
import { DATAGRAM_KINDS, KIND_DUPLICATE } from "../recorder/datagrams.ts";
import { type GatewayRow, tenth } from "./rows.ts";

/** A packet that a server handed to a gateway for sending. Addresses as "address port"; null: not known. */
export interface RebuiltDownlink {
  readonly kind: "downlink";
  readonly atUs: number;
  readonly digest: number;
  readonly gatewayEui: Eui | null;
  readonly datagram: PullResponse;
  readonly to: string | null;
}

/** An acknowledgement. */
export interface RebuiltAnswer {
  readonly kind: "answer";
  readonly atUs: number;
  readonly datagram: PushAck | PullAck;
  readonly to: string | null;
}

/**
 * Acknowledgements are kept as counts by minute and class of duration. They are given again to the first datagrams of
 * each minute, with the duration of their class: the same counts, not the same pairs. Only where answers were awaited
 * for all of a gateway's datagrams of a kind: where they passed elsewhere, a missing one would look lost.
 */
export class Acknowledgements {
  readonly #store: Store;
  readonly #gatewayId: number;
  readonly #window: TimeRange;
  readonly #isKept: Readonly<Record<number, boolean>>;
  /** Durations still to be given, by kind, of the minute that is gone through. */
  readonly #left = new Map<number, number[]>();
  #minute = Number.NaN;

  constructor(store: Store, gatewayId: number, window: TimeRange) {
    this.#store = store;
    this.#gatewayId = gatewayId;
    this.#window = window;
    const kinds = [DATAGRAM_KINDS["push-data"], DATAGRAM_KINDS["pull-data"]];
    this.#isKept = Object.fromEntries(kinds.map((kind) => [kind, this.#areAllAwaited(kind)]));
  }

  /** The answer to a datagram; null: none, or none is known. */
  to(atUs: number, { kind, version, token }: UpstreamDatagram, from: string | null): RebuiltAnswer | null {
    if (kind === "tx-ack" || this.#isKept[DATAGRAM_KINDS[kind]] !== true) return null;
    if (minuteOf(atUs) !== this.#minute) this.#readMinute(minuteOf(atUs));
    const durationUs = this.#left.get(DATAGRAM_KINDS[kind])?.shift();
    if (durationUs === undefined) return null;
    const answer = kind === "push-data" ? ("push-ack" as const) : ("pull-ack" as const);
    return { kind: "answer", atUs: atUs + durationUs, datagram: { kind: answer, version, token }, to: from };
  }

  #areAllAwaited(kind: number): boolean {
    const { fromUs, toUs } = this.#window;
    const awaited = prepared(
      this.#store,
      `SELECT coalesce(sum(count), 0) FROM round_trip_minute
       WHERE gateway_id = ? AND minute >= ? AND minute <= ? AND kind = ? AND class IN (?, ?)`,
    )
      .pluck()
      .get(this.#gatewayId, minuteOf(fromUs), minuteOf(toUs - 1), kind, ASKED_IN_LINE, ASKED_BOTH_SIDES);
    if (awaited === 0) return false;
    const sent = prepared(
      this.#store,
      `SELECT count(*) FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind = ?`,
    )
      .pluck()
      .get(this.#gatewayId, fromUs, toUs, kind);
    return awaited === sent && kind < KIND_DUPLICATE;
  }

  #readMinute(minute: number): void {
    this.#minute = minute;
    this.#left.clear();
    const rows = prepared(
      this.#store,
      `SELECT kind, class, count FROM round_trip_minute
       WHERE gateway_id = ? AND minute = ? AND class >= 0 ORDER BY kind, class`,
    ).all(this.#gatewayId, minute) as { kind: number; class: number; count: number }[];
    for (const { kind, class: one, count } of rows) {
      const durations = this.#left.get(kind) ?? [];
      for (let i = 0; i < count; i++) durations.push(Math.round(classMs(one) * 1000));
      this.#left.set(kind, durations);
    }
  }
}

interface DownlinkRow {
  readonly id: number;
  readonly gatewayId: number;
  readonly atUs: number;
  readonly token: number;
  readonly tmstUs: number | null;
  readonly frequencyHz: number | null;
  readonly dataRate: number | null;
  readonly codingRate: number | null;
  readonly powerTenths: number | null;
  readonly moment: string | null;
  readonly airtimeUs: number;
  readonly target: string | null;
  readonly digest: number;
  readonly payload: Uint8Array;
}

/** What servers asked gateways to send. */
export function* downlinksOf(
  store: Store,
  gateways: readonly GatewayRow[],
  { window, gatewayEui }: { readonly window: TimeRange; readonly gatewayEui?: string | undefined },
  page: number,
): Generator<RebuiltDownlink> {
  const byId = new Map(gateways.map((gateway) => [gateway.id, gateway]));
  const rows = prepared(
    store,
    `SELECT id, gateway_id AS gatewayId, at_us AS atUs, token, tmst_us AS tmstUs, frequency_hz AS frequencyHz,
            data_rate AS dataRate, coding_rate AS codingRate, power_tenths AS powerTenths, moment,
            airtime_us AS airtimeUs, target, digest, payload
     FROM downlink WHERE (at_us, id) > (?, ?) AND at_us < ? ORDER BY at_us, id LIMIT ?`,
  );
  let last = { atUs: window.fromUs - 1, id: Number.MAX_SAFE_INTEGER };
  for (;;) {
    const found = rows.all(last.atUs, last.id, window.toUs, page) as DownlinkRow[];
    for (const row of found) {
      const gateway = byId.get(row.gatewayId);
      if (gateway === undefined && gatewayEui !== undefined) continue;
      yield {
        kind: "downlink",
        atUs: row.atUs,
        digest: row.digest,
        gatewayEui: gateway?.eui ?? null,
        datagram: {
          kind: "pull-response",
          version: gateway?.versions === 1 ? 1 : 2,
          token: row.token,
          transmission: {
            moment: momentOf(row),
            frequencyHz: row.frequencyHz,
            rfChain: null,
            powerDbm: tenth(row.powerTenths),
            modulation: modulationFromCodes(row.dataRate ?? 0, row.codingRate ?? 0),
            frequencyDeviationHz: null,
            invertedPolarity: true,
            preamble: null,
            payload: row.payload,
            withoutCrc: isWithoutCrc(row),
            implicitHeader: false,
          },
        },
        to: row.target ?? gateway?.pullSource ?? null,
      };
    }
    const end = found.at(-1);
    if (end === undefined || found.length < page) return;
    last = { atUs: end.atUs, id: end.id };
  }
}

/** The GPS time of a class B downlink is not kept: 0 stands for it. */
function momentOf({ moment, tmstUs }: DownlinkRow): TransmitMoment {
  if (tmstUs !== null) return { kind: "counter", tmstUs };
  if (moment === "gps") return { kind: "gps", gpsTimeMs: 0 };
  return moment === "immediate" ? { kind: "immediate" } : { kind: "unsaid" };
}

/** Known by the airtime that was worked out when it came. */
function isWithoutCrc({ dataRate, codingRate, payload, airtimeUs }: DownlinkRow): boolean {
  const modulation = modulationFromCodes(dataRate ?? 0, codingRate ?? 0);
  return airtimeUs === airtimeOfTransmission(modulation, payload.length, { preamble: null, withCrc: false });
}
