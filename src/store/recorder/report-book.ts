/** What does a gateway say of itself, and of the downlinks it was asked to send? Writes those rows. */
import type { Statement } from "better-sqlite3";
import type { StatusReport, TransmitOutcome } from "../../model/datagram.ts";
import type { Store } from "../open.ts";

export class ReportBook {
  readonly #status: Statement;
  readonly #place: Statement;
  readonly #outcome: Statement;

  constructor(db: Store) {
    this.#status = db.prepare(
      `INSERT OR IGNORE INTO status_report (gateway_id, at_us, clock_offset_us, rx_received, rx_crc_ok, rx_forwarded,
       ack_tenths_percent, downlink_datagrams, tx_emitted, temperature_tenths_c)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#place = db.prepare(
      `UPDATE gateway SET latitude = coalesce(?, latitude), longitude = coalesce(?, longitude),
       altitude_m = coalesce(?, altitude_m), platform = coalesce(?, platform), description = coalesce(?, description)
       WHERE id = ?`,
    );
    this.#outcome = db.prepare(
      "INSERT OR IGNORE INTO transmit_outcome (gateway_id, at_us, token, result, word) VALUES (?, ?, ?, ?, ?)",
    );
  }

  status(gatewayId: number, atUs: number, status: StatusReport): void {
    this.#status.run(
      gatewayId,
      atUs,
      status.timeUs === null ? null : status.timeUs - atUs,
      status.rxReceived,
      status.rxCrcOk,
      status.rxForwarded,
      tenths(status.ackPercent),
      status.downlinkDatagrams,
      status.txEmitted,
      tenths(status.temperatureC),
    );
    this.#place.run(
      ...plausiblePlace(status),
      status.altitudeM,
      status.platform,
      status.description,
      gatewayId,
    );
  }

  outcome(gatewayId: number, atUs: number, token: number, outcome: TransmitOutcome): void {
    this.#outcome.run(gatewayId, atUs, token, outcome.result, outcome.word);
  }
}

/** 0/0 is the placeholder of forwarders without a position (public issue 19 of a widespread forwarder). */
function plausiblePlace(status: StatusReport): [number | null, number | null] {
  const { latitudeDeg, longitudeDeg } = status;
  if (latitudeDeg === null || longitudeDeg === null) return [null, null];
  return latitudeDeg === 0 && longitudeDeg === 0 ? [null, null] : [latitudeDeg, longitudeDeg];
}

function tenths(value: number | null): number | null {
  return value === null ? null : Math.round(value * 10);
}
