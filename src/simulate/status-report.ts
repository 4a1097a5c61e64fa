/** What does a synthetic gateway say of itself? Its `stat`, as the reference daemons make it. */
import type { StatusReport } from "../model/datagram.ts";
import type { Gateway } from "./scenario.ts";

/** Counted since the last report. */
export interface IntervalCounts {
  readonly received: number;
  readonly crcOk: number;
  readonly forwarded: number;
  /** Requests to transmit, and packets that left. */
  readonly asked: number;
  readonly emitted: number;
}

/** The share acknowledged is left open: only who sends the report knows it. */
export function statusReport(
  { position, hardware }: Gateway,
  counts: IntervalCounts,
  atWorldUs: number,
): StatusReport {
  return {
    timeUs: atWorldUs,
    timeText: null,
    latitudeDeg: position?.latitudeDeg ?? null,
    longitudeDeg: position?.longitudeDeg ?? null,
    altitudeM: position?.altitudeM ?? null,
    rxReceived: counts.received,
    rxCrcOk: counts.crcOk,
    rxForwarded: counts.forwarded,
    ackPercent: null,
    downlinkDatagrams: counts.asked,
    txEmitted: counts.emitted,
    temperatureC: hardware === "sx1302" ? housingTemperatureC(atWorldUs) : null,
    platform: null,
    mail: null,
    description: null,
  };
}

/** Chosen: a box in the sun, 14 °C before dawn, 38 °C in the early afternoon, to a tenth. */
function housingTemperatureC(atUs: number): number {
  const hour = (atUs / 3_600_000_000) % 24;
  return Math.round((26 + 12 * Math.cos(((hour - 14) * Math.PI) / 12)) * 10) / 10;
}
