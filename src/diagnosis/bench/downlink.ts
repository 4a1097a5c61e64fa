/** Does the downlink path work: how long does it take, and does the gateway send what it is asked to? */
import { median } from "../../statistics/robust.ts";
import { duration, figure, listed, milliseconds, percentInWords, plural } from "../../words/format.ts";

import { type Found, LIMITS } from "./limits.ts";
import { pushTimeoutMs, type ServerTrip } from "./packet-counts.ts";

export interface RoundTripEvidence {
  /** From a downlink's leaving to its TX_ACK, milliseconds: from here to the gateway and back. */
  readonly pairsMs: readonly number[];
  /** From here to the server and back; null: not measured. */
  readonly trip: ServerTrip | null;
  /** Mean share of its datagrams that the gateway counts as answered within its timeout; null when it does not say. */
  readonly ackPercent: number | null;
}

/** How long a datagram takes there and back, as far as it was measured here. */
export function judgeRoundTrip({ pairsMs, trip, ackPercent }: RoundTripEvidence): Found {
  const limits = LIMITS.roundTrip;
  const gatewayMs = median(pairsMs);
  if (gatewayMs !== null || trip !== null) {
    const total = (gatewayMs ?? 0) + (trip?.medianMs ?? 0);
    const found = { figure: milliseconds(total), value: total, unit: "ms" };
    const place = trip?.source === "capture" ? "the place of capture" : "here";
    const reason = [
      ...(gatewayMs === null
        ? []
        : [
            `${milliseconds(gatewayMs)} from ${place} to the gateway and back (median from a downlink to its TX_ACK, ${plural(pairsMs.length, "pair")})`,
          ]),
      ...(trip === null
        ? []
        : [
            `${milliseconds(trip.medianMs)} from ${place} to the server and back (median of ${plural(trip.asked, "PUSH_DATA", "PUSH_DATA")}, ${milliseconds(trip.p99Ms)} at the 99th percentile)`,
          ]),
    ].join("; ");
    if (total <= limits.warnMs) return { ...found, state: "pass", reason: `${reason}.` };
    const longest = (gatewayMs ?? 0) + (trip?.p99Ms ?? 0);
    return {
      ...found,
      state: total > limits.failMs ? "fail" : "warn",
      reason: `${reason}. That is above push_timeout_ms, 100\u202Fms unless set otherwise.`,
      advice: `Set push_timeout_ms to ${pushTimeoutMs(longest)} in the forwarder, or shorten the way (a cable, a nearer server). Downlinks lose as much time: raise the network's receive delay.`,
    };
  }
  const advice =
    "Set push_timeout_ms above the round trip (ping the server from the gateway), or shorten the way. Downlinks will come late: raise the network's receive delay.";
  if (ackPercent === null) {
    return {
      state: "waiting",
      figure: "not known",
      reason:
        "It cannot be known here: no downlink was sent, and the gateway does not say whether answers reach it in time.",
    };
  }
  if (ackPercent >= LIMITS.acknowledged.warnPercent) {
    return {
      state: "pass",
      figure: "under 100\u202Fms",
      reason:
        "The gateway counts answers within its push timeout, 100\u202Fms unless set otherwise; nearly all were. More closely it cannot be known here.",
    };
  }
  if (ackPercent < LIMITS.acknowledged.failPercent) {
    return {
      state: "warn",
      figure: "over 100\u202Fms",
      reason:
        "Most answers reach the gateway later than push_timeout_ms, 100\u202Fms unless set otherwise, or not at all.",
      advice,
    };
  }
  return {
    state: "waiting",
    figure: "about 100\u202Fms",
    reason:
      "Some answers reach the gateway within 100\u202Fms and some do not; more closely it cannot be known here.",
  };
}

/** What came of one downlink that was sent to test the downlink path. */
export interface DownlinkTest {
  readonly result: "sent" | "refused" | "unanswered";
  /** The gateway's word: TOO_LATE, TX_FREQ … */
  readonly word: string | null;
}

/** A refused downlink, as a relay or a capture shows it. */
export interface RefusedDownlink {
  readonly word: string | null;
  /** null: its moment is not known here. */
  readonly leadMs: number | null;
  /** Whether its moment answers an uplink that was heard here. */
  readonly answersUplink: boolean;
}

export interface DownlinkEvidence {
  readonly accepted: number;
  /** Refusals by the gateway's word. */
  readonly refused: readonly { readonly word: string; readonly count: number }[];
  /** From the reports: downlinks that came, and packets really sent; null where they do not say. */
  readonly asked: number | null;
  readonly emitted: number | null;
  /** Refused ones that passed here, with what was left before their moment; empty: none passed. */
  readonly refusedHere: readonly RefusedDownlink[];
  /** A test of one's own; null when none was made. */
  readonly test: DownlinkTest | null;
}

// Meanings of txpk_ack.error; protocol text 1.3 and later. A full queue is reported as a collision, and "too early" mostly
// means too late (public issue threads of the reference daemons).
const WORDS: Readonly<Record<string, string>> = {
  TOO_LATE: "it came too late: look at the round trip",
  TOO_EARLY: "its moment lay too far ahead, or had passed",
  COLLISION_PACKET: "its moment was taken by another",
  COLLISION_BEACON: "its moment was taken by a beacon",
  TX_FREQ: "the frequency is not allowed to this radio",
  TX_POWER: "the power is not possible",
  GPS_UNLOCKED: "it has no GPS time",
};

/** Whether the gateway sends what it is asked to. */
export function judgeDownlinks(evidence: DownlinkEvidence): Found {
  const { accepted, refused, asked, emitted, test } = evidence;
  const limits = LIMITS.downlinks;
  if (test?.result === "unanswered") {
    return {
      state: "fail",
      figure: "test unanswered",
      reason:
        "No TX_ACK came for the test downlink. The gateway may still transmit it: version 1 never answers, and an answer may be lost.",
      advice:
        "Keep an antenna or a load on it, and listen with a receiver. Check that keepalives come, and the forwarder's log.",
    };
  }
  if (test !== null && test.result !== "sent") {
    const why = wordText(test.word ?? "");
    return {
      state: "fail",
      figure: "test failed",
      reason: `The test downlink was not sent: ${why}.`,
      advice: "Check keepalives first, then that this radio may send on that frequency.",
    };
  }
  const count = refused.reduce((sum, one) => sum + one.count, 0);
  const all = accepted + count;
  if (all === 0) {
    if (test !== null)
      return { state: "pass", figure: "test sent", reason: "The test downlink was accepted by the gateway." };
    if (asked !== null && emitted !== null && asked > 0) {
      const found = { figure: `${emitted} of ${asked}`, value: (100 * emitted) / asked, unit: "%" };
      const reason = `By its own count it was asked ${plural(asked, "time")} and sent ${plural(emitted, "packet")}.`;
      return emitted >= asked
        ? { ...found, state: "pass", reason }
        : { ...found, state: "warn", reason, advice: "Look at the gateway's log for the refused ones." };
    }
    return {
      state: "waiting",
      figure: "not tried",
      reason: "No downlink was sent through it, so nothing is known of the downlink path but its keepalives.",
    };
  }
  const found = { figure: `${accepted} of ${all}`, value: (100 * accepted) / all, unit: "%" };
  if (count === 0)
    return { ...found, state: "pass", reason: `It took all of ${plural(all, "downlink")} for sending.` };
  const why = listed(refused.slice(0, 3).map((one) => `${one.count} × ${one.word} (${wordText(one.word)})`));
  const timing = timingOf(evidence, count, all);
  if (timing !== null) return { ...found, state: "fail", ...timing };
  const isFail = accepted === 0 || (all >= limits.failLeast && count / all > limits.failShare);
  return {
    ...found,
    state: isFail ? "fail" : "warn",
    reason: `It refused ${count} of ${plural(all, "downlink")} (${percentInWords(count / all)}): ${why}.`,
    advice:
      "Too late: shorten the way. Frequency or power: compare the network's plan with the radio's settings.",
  };
}

/** Most refusals are of one clock's making: which one, and what to do. null: they are not. */
function timingOf(
  { refused, refusedHere }: DownlinkEvidence,
  count: number,
  all: number,
): { reason: string; advice: string } | null {
  const limits = LIMITS.downlinks;
  const timed = refused.filter(({ word }) => word === "TOO_LATE" || word === "TOO_EARLY");
  const ofTime = timed.reduce((sum, one) => sum + one.count, 0);
  if (ofTime < limits.allLeast || ofTime < 0.9 * count || count < 0.5 * all) return null;
  const words = listed(timed.map((one) => `${one.count} × ${one.word}`));
  const sentence = `It refused ${figure(count)} of ${plural(all, "downlink")}: ${words}.`;
  const here = refusedHere.filter(({ word }) => word === "TOO_LATE" || word === "TOO_EARLY");
  const leads = here.flatMap(({ leadMs }) => (leadMs === null ? [] : [leadMs]));
  const lead = median(leads);
  if (here.length > 0 && here.filter(({ answersUplink }) => !answersUplink).length * 2 > here.length)
    return {
      reason: `${sentence} Their moments answer no uplink heard here: the server counts by another counter.`,
      advice:
        "See Single gateway and Restarts: the server may take the counter of another board, or of before a restart. Then look at the server.",
    };
  if (lead === null)
    return {
      reason: `${sentence} They did not pass here, so their lead is not known. TOO_EARLY mostly means that the moment had just passed.`,
      advice:
        "Look at the round trip first. Relay through Mastlog, or take a capture of both directions: the time left shows whether the server or the gateway's clock is wrong.",
    };
  if (lead < limits.leadMs)
    return {
      reason: `${sentence} They passed here ${milliseconds(Math.max(0, lead))} before their moment (median), and the gateway needs 42.5\u202Fms: the server sends them too late.`,
      advice: "Shorten the way to the server, or raise the network's receive delay (RX1) to 2 s or more.",
    };
  return {
    reason: `${sentence} They passed here ${duration(lead / 1_000)} before their moment (median), early enough: the gateway's own clock is wrong.`,
    advice:
      "Look at the gateway's time: the SX1301 daemon estimates its counter from the host clock. Let NTP settle, stop what sets the clock in steps, and restart the forwarder.",
  };
}

function wordText(word: string): string {
  return WORDS[word] ?? "the gateway gives no known reason";
}
