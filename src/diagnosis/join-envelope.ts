/**
 * Does a node that keeps trying to join keep within the back-off that LoRaWAN demands?
 */

const HOUR_US = 3_600_000_000;

/**
 * Airtime of join-requests allowed: 36 s in the first hour, 36 s in the next 10 hours, then 8.7 s in every 24 hours.
 * LoRaWAN 1.0.x, retransmissions back-off; LoRaMac-node, RegionCommon.c.
 */
export const JOIN_ENVELOPE = {
  firstHourUs: 36_000_000,
  nextTenHoursUs: 36_000_000,
  laterDayUs: 8_700_000,
} as const;

export interface JoinRequestHeard {
  readonly atUs: number;
  readonly airtimeUs: number;
}

export interface JoinEnvelopePhase {
  readonly phase: "first hour" | "next 10 hours" | "fullest later day";
  readonly airtimeUs: number;
  readonly limitUs: number;
  readonly within: boolean;
}

export interface JoinEnvelopeResult {
  readonly phases: readonly JoinEnvelopePhase[];
  /** False: the node's stack is faulty, or its power fails again and again. Requests that nobody heard are missing. */
  readonly within: boolean;
}

/**
 * Compares heard join-requests of one DevEUI, in any order, with the envelope. The first request stands for power-up:
 * hand in one series of tries, from the first after a success or a long pause.
 */
export function joinEnvelope(requests: readonly JoinRequestHeard[]): JoinEnvelopeResult {
  const startUs = requests.reduce((least, r) => Math.min(least, r.atUs), Number.POSITIVE_INFINITY);
  let firstHour = 0;
  let nextTen = 0;
  const days = new Map<number, number>();
  for (const { atUs, airtimeUs } of requests) {
    const hours = (atUs - startUs) / HOUR_US;
    if (hours < 1) {
      firstHour += airtimeUs;
    } else if (hours < 11) {
      nextTen += airtimeUs;
    } else {
      const day = Math.floor((hours - 11) / 24);
      days.set(day, (days.get(day) ?? 0) + airtimeUs);
    }
  }
  const fullestDay = [...days.values()].reduce((a, b) => Math.max(a, b), 0);
  const phases: JoinEnvelopePhase[] = [
    phase("first hour", firstHour, JOIN_ENVELOPE.firstHourUs),
    phase("next 10 hours", nextTen, JOIN_ENVELOPE.nextTenHoursUs),
    phase("fullest later day", fullestDay, JOIN_ENVELOPE.laterDayUs),
  ];
  return { phases, within: phases.every((p) => p.within) };
}

function phase(name: JoinEnvelopePhase["phase"], airtimeUs: number, limitUs: number): JoinEnvelopePhase {
  return { phase: name, airtimeUs, limitUs, within: airtimeUs <= limitUs };
}
