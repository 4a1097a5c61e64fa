/** What does the gateway itself count: answers in time, packets forwarded, packets that never arrived, wrong CRCs? */
import { duration, figure, milliseconds, percentInWords, plural } from "../../words/format.ts";
import { backhaulProof } from "../findings/gateway.ts";
import { type Found, LIMITS } from "./limits.ts";

/** Round trips of PUSH_DATA to the server and back, as a relay or a capture shows them. */
export interface ServerTrip {
  readonly source: "relay" | "capture";
  readonly medianMs: number;
  readonly p99Ms: number;
  /** Share of PUSH_DATA without an acknowledgement within 2 s. */
  readonly lostShare: number;
  readonly asked: number;
}

export interface AcknowledgedEvidence {
  /** As its reports say, oldest first; null where a report did not say. */
  readonly ackPercents: readonly (number | null)[];
  /** null: this computer is the server, or answers do not pass here. */
  readonly trip: ServerTrip | null;
  /** Whether all keepalives and packets arrive here: then late answers are late, not lost. null: not known. */
  readonly nothingLost: boolean | null;
}

/** Whether the gateway counts its datagrams as answered in time, and on whose side the time is lost. */
export function judgeAcknowledged(evidence: AcknowledgedEvidence): Found {
  const { ackPercents } = evidence;
  // The first report after a start mostly says 0: nothing was sent before it.
  const known = ackPercents.slice(1).filter((percentage) => percentage !== null);
  if (known.length === 0) {
    const silent = ackPercents.length > 2;
    return silent
      ? {
          state: "waiting",
          reason: "Its status reports do not say which share of its datagrams was answered.",
        }
      : {
          state: "waiting",
          reason: "It stands in the status reports, from the second one on.",
          awaits: plural(2 - Math.min(ackPercents.length, 1), "more status report"),
          awaitsSeconds: 30 * (2 - Math.min(ackPercents.length, 1)),
        };
  }
  const limits = LIMITS.acknowledged;
  const mean = known.reduce((sum, one) => sum + one, 0) / known.length;
  const found = { figure: percentInWords(mean / 100), value: mean, unit: "%" };
  const sentence = `By its own count ${percentInWords(mean / 100)} of its datagrams were answered in time (mean of ${plural(known.length, "report")}).`;
  if (mean >= limits.warnPercent) return { ...found, state: "pass", reason: sentence };
  const side = lostSide(evidence, known.length > 2 && known.every((one) => one === 0));
  return {
    ...found,
    state: mean < limits.failPercent ? "fail" : "warn",
    reason: `${sentence} ${side.reason}`.trim(),
    advice: side.advice,
  };
}

/** Where the answers are lost or late: at the server, between the gateway and here, or nowhere in particular. */
function lostSide(
  { trip, nothingLost }: AcknowledgedEvidence,
  isNever: boolean,
): { reason: string; advice: string } {
  const limits = LIMITS.acknowledged;
  if (trip !== null) {
    const place = trip.source === "relay" ? "this relay" : "the place of capture";
    const figures = `From ${place} to the server and back it takes ${milliseconds(trip.medianMs)} (median), ${milliseconds(trip.p99Ms)} at the 99th percentile`;
    if (trip.p99Ms > limits.timeoutMs || trip.lostShare > 0.05) {
      const lost = trip.lostShare > 0.05 ? `, and ${percentInWords(trip.lostShare)} stay unanswered` : "";
      return {
        reason:
          trip.source === "relay"
            ? `${figures}${lost}: the delay lies beyond this relay, not in the gateway's own network.`
            : `${figures}${lost}: the delay lies beyond that place.`,
        advice: `Look at the server and the way to it; else raise push_timeout_ms in the forwarder to ${pushTimeoutMs(trip.p99Ms)}.`,
      };
    }
    if (trip.source === "relay" && trip.p99Ms <= limits.comfortableMs)
      return {
        reason: `${figures}: the time is lost between the gateway and this relay.`,
        advice: "Look for loss or delay there: Wi-Fi, a mobile link, a busy router.",
      };
    return { reason: `${figures}.`, advice: "Look for loss or delay on either side of it." };
  }
  if (isNever && nothingLost === true)
    return {
      reason: `Every report says 0\u202F%, though nothing is lost on the way here: each answer comes later than push_timeout_ms.`,
      advice:
        "Measure the round trip (ping this computer from the gateway) and set push_timeout_ms above it, or shorten the way.",
    };
  if (isNever)
    return {
      reason: `Every report says 0\u202F%: no answer reaches it in time, or this forwarder does not count them.`,
      advice:
        "See whether answers come back at all (firewall, a second network), and whether the way takes more than push_timeout_ms, 100 ms unless set.",
    };
  return {
    reason: "While it waits for an answer it fetches nothing from its radio.",
    advice:
      nothingLost === true
        ? "Nothing is lost on the way here, so answers are late: set push_timeout_ms above the round trip, or shorten the way."
        : "Look for loss or delay on the way: Wi-Fi, a mobile link, a busy router.",
  };
}

/** A `push_timeout_ms` that holds such a round trip: half as much again, in steps of 50 ms. Chosen. */
export function pushTimeoutMs(tripMs: number): number {
  return 50 * Math.ceil((1.5 * tripMs) / 50);
}

/** Sums over the status reports of the window; null where none said. */
export interface CountEvidence {
  readonly reports: number;
  /** rxnb: all packets the radio delivered. */
  readonly received: number | null;
  /** rxok: of these with a right CRC. */
  readonly crcOk: number | null;
  /** rxfw: forwarded. */
  readonly forwarded: number | null;
  /** Time that the reports cover. */
  readonly seconds: number;
}

/** Whether the gateway passes on what its radio receives. */
export function judgeForwarded({ reports, received, crcOk, forwarded: sent, seconds }: CountEvidence): Found {
  if (received === null || crcOk === null || sent === null) {
    return reports > 2
      ? { state: "waiting", reason: "Its status reports do not count packets." }
      : {
          state: "waiting",
          reason: "Its status reports count packets; none came yet.",
          awaits: "a status report",
        };
  }
  if (received === 0) {
    return {
      state: "waiting",
      figure: "0 received",
      value: 0,
      unit: "%",
      reason: `Its radio received nothing in ${duration(seconds)}: see Radio.`,
      awaits: "a packet on the air",
    };
  }
  const counts = `Of ${plural(received, "packet")} ${figure(crcOk)} had a right CRC and ${figure(sent)} were forwarded.`;
  if (crcOk > received || sent > received) {
    return {
      state: "warn",
      figure: "contradictory",
      reason: `${counts} That is impossible: its counting is broken.`,
      advice: "Do not rely on this gateway's own figures.",
    };
  }
  const share = crcOk === 0 ? (sent > 0 ? 1 : 0) : Math.min(1, sent / crcOk);
  const found = {
    figure: `${figure(Math.min(sent, crcOk))} of ${figure(crcOk)}`,
    value: share * 100,
    unit: "%",
  };
  if (crcOk > 0 && share < LIMITS.forwarded.failShare) {
    return {
      ...found,
      state: "fail",
      reason: counts,
      advice: "Look for a filter in the forwarder's settings (forward_crc_valid, lists of networks).",
    };
  }
  if (crcOk > 0 && share < 1) {
    return {
      ...found,
      state: "warn",
      reason: counts,
      advice: "Look for a filter in the forwarder's settings.",
    };
  }
  return { ...found, state: "pass", reason: counts };
}

export interface ArrivedEvidence {
  /** Runs of reports without one missing between them: what they count, and what arrived in the same time. */
  readonly runs: readonly {
    readonly intervals: number;
    readonly forwarded: number;
    readonly arrived: number;
  }[];
  /** Intervals of which a report is missing: what the gateway counted in them is not known. */
  readonly uncompared: number;
}

/** Whether what the gateway forwarded arrived here. */
export function judgeArrived({ runs, uncompared }: ArrivedEvidence): Found {
  const limits = LIMITS.arrived;
  const intervals = runs.reduce((sum, run) => sum + run.intervals, 0);
  const received = runs.reduce((sum, run) => sum + run.arrived, 0);
  const proof = backhaulProof(
    runs.map((run) => run.forwarded),
    received,
  );
  const lacking =
    uncompared === 0
      ? ""
      : ` In ${plural(uncompared, "further interval")} a report is missing: what was sent then is not known.`;
  if (intervals < limits.leastIntervals || proof.forwarded === 0) {
    const more = Math.max(1, limits.leastIntervals + 1 - intervals - (runs.length === 0 ? 0 : 1));
    return {
      state: "waiting",
      reason: `Waiting for ${limits.leastIntervals} intervals between status reports that count packets; ${intervals} so far.${lacking}`,
      awaits: plural(more, "more status report"),
      awaitsSeconds: proof.forwarded === 0 && intervals >= limits.leastIntervals ? null : 30 * more,
    };
  }
  const edge = limits.edgePackets * runs.length;
  const sentence = `It forwarded ${plural(proof.forwarded, "packet")} by its own count, and ${figure(received)} arrived.${lacking}`;
  if (received - proof.forwarded > edge) {
    return {
      state: "warn",
      figure: `${received - proof.forwarded} too many`,
      value: proof.forwarded - received,
      unit: "packets",
      reason: `${sentence} More than it sent: something else speaks under its identifier, or its counting is broken.`,
      advice: "See the gateways under this identifier.",
    };
  }
  const share = proof.share ?? 0;
  const advice =
    "Datagrams are lost on the way: try a cable, look at the router, and keep them under 1,500 octets.";
  if (proof.missing > edge) {
    const proved = (proof.missing - edge) / proof.forwarded;
    return {
      figure: `${percentInWords(share)} lost`,
      value: share * 100,
      unit: "%",
      state: proved >= limits.failShare ? "fail" : "warn",
      reason: sentence,
      advice,
    };
  }
  // So few may stand in the report before or after: nothing is proved, and a large share is no pass either.
  if (share >= limits.failShare) {
    return {
      state: "waiting",
      figure: `${figure(proof.missing)} of ${figure(proof.forwarded)} open`,
      value: share * 100,
      unit: "%",
      reason: `${sentence} ${plural(proof.missing, "packet")} may belong to the next report: not settled.`,
      awaits: "2 more status reports",
      awaitsSeconds: 60,
    };
  }
  const found = {
    figure: proof.missing === 0 ? "none lost" : `${figure(proof.missing)} of ${figure(proof.forwarded)} open`,
    value: share * 100,
    unit: "%",
  };
  if (uncompared / (uncompared + intervals) > limits.warnUncompared)
    return {
      ...found,
      state: "warn",
      reason: sentence,
      advice: "See the missing status reports: datagrams may be lost with them.",
    };
  return { ...found, state: "pass", reason: sentence };
}
