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
    // The newest report that says it holds, in whatever order reports come.
    const newer = (column: string, time: string) =>
      `${column} = iif(@${column} IS NOT NULL AND @at >= ${time}, @${column}, ${column})`;
    const heard = (value: string, time: string) =>
      `${time} = iif(@${value} IS NOT NULL AND @at >= ${time}, @at, ${time})`;
    this.#place = db.prepare(
      `UPDATE gateway SET ${newer("latitude", "position_at_us")}, ${newer("longitude", "position_at_us")},
       ${heard("latitude", "position_at_us")},
       ${newer("altitude_m", "altitude_at_us")}, ${heard("altitude_m", "altitude_at_us")},
       ${newer("platform", "platform_at_us")}, ${heard("platform", "platform_at_us")},
       ${newer("description", "description_at_us")}, ${heard("description", "description_at_us")}
       WHERE id = @id`,
    );
    this.#outcome = db.prepare(
      `INSERT OR IGNORE INTO transmit_outcome (gateway_id, at_us, token, result, word, power_tenths)
       VALUES (?, ?, ?, ?, ?, ?)`,
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
    const [latitude, longitude] = plausiblePlace(status);
    this.#place.run({
      at: atUs,
      id: gatewayId,
      latitude,
      longitude,
      altitude_m: status.altitudeM,
      platform: status.platform,
      description: status.description,
    });
  }

  outcome(gatewayId: number, atUs: number, token: number, outcome: TransmitOutcome): void {
    this.#outcome.run(gatewayId, atUs, token, outcome.result, outcome.word, tenths(outcome.powerDbm));
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
