/** Does the way back work: how long does it take, and does the gateway send what it is asked to? */
import type { BenchItem } from "../../contract/index.ts";
import { median } from "../../statistics/robust.ts";
import { percent } from "../standing.ts";
import { counted, type Found, itemOf, listed } from "./item.ts";
import { LIMITS } from "./limits.ts";

export interface RoundTripEvidence {
  /** From a downlink's leaving to its TX_ACK, milliseconds. */
  readonly pairsMs: readonly number[];
  /** Mean share of its datagrams that the gateway counts as answered within 100 ms; null when it does not say. */
  readonly ackPercent: number | null;
}

/** How long a datagram takes there and back, as far as anything here tells. */
export function judgeRoundTrip(evidence: RoundTripEvidence): BenchItem {
  return itemOf("round-trip", "Round trip", LIMITS.roundTrip.basis, roundTrip(evidence));
}

function roundTrip({ pairsMs, ackPercent }: RoundTripEvidence): Found {
  const limits = LIMITS.roundTrip;
  const middle = median(pairsMs);
  const advice =
    "Downlinks will come late: shorten the way (a cable, a nearer server), or raise the network's receive delay.";
  if (middle !== null) {
    const found = { figure: `${middle.toFixed(middle < 10 ? 1 : 0)}\u2009ms`, value: middle, unit: "ms" };
    const reason = `Median from a downlink to its TX_ACK, ${counted(pairsMs.length, "pair")}.`;
    if (middle > limits.failMs) return { ...found, state: "fail", reason, advice };
    if (middle > limits.warnMs) return { ...found, state: "warn", reason, advice };
    return { ...found, state: "pass", reason };
  }
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
      figure: "under 100\u2009ms",
      reason:
        "The gateway counts answers within its push timeout, 100\u2009ms unless set otherwise; nearly all were. More closely it cannot be known here.",
    };
  }
  if (ackPercent < LIMITS.acknowledged.failPercent) {
    return {
      state: "warn",
      figure: "over 100\u2009ms",
      reason:
        "Most answers reach the gateway later than its push timeout, 100\u2009ms unless set otherwise, or not at all.",
      advice,
    };
  }
  return {
    state: "waiting",
    figure: "about 100\u2009ms",
    reason:
      "Some answers reach the gateway within 100\u2009ms and some do not; more closely it cannot be known here.",
  };
}

/** What came of one downlink that was sent to test the way back. */
export interface DownlinkTest {
  readonly result: "sent" | "refused" | "unanswered";
  /** The gateway's word: TOO_LATE, TX_FREQ … */
  readonly word: string | null;
}

export interface DownlinkEvidence {
  readonly accepted: number;
  /** Refusals by the gateway's word. */
  readonly refused: readonly { readonly word: string; readonly count: number }[];
  /** From the reports: downlinks that came, and packets really sent; null where they do not say. */
  readonly asked: number | null;
  readonly emitted: number | null;
  /** A test of one's own; null when none was made. */
  readonly test: DownlinkTest | null;
}

/** Whether the gateway sends what it is asked to. */
export function judgeDownlinks(evidence: DownlinkEvidence): BenchItem {
  return itemOf("downlinks", "Downlinks", LIMITS.downlinks.basis, downlinks(evidence));
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

function downlinks({ accepted, refused, asked, emitted, test }: DownlinkEvidence): Found {
  const limits = LIMITS.downlinks;
  if (test !== null && test.result !== "sent") {
    const why = test.result === "unanswered" ? "the gateway did not answer it" : wordText(test.word ?? "");
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
      const reason = `By its own count it was asked ${counted(asked, "time")} and sent ${counted(emitted, "packet")}.`;
      return emitted >= asked
        ? { ...found, state: "pass", reason }
        : { ...found, state: "warn", reason, advice: "Look at the gateway's log for the refused ones." };
    }
    return {
      state: "waiting",
      figure: "not tried",
      reason: "No downlink was sent through it, so nothing is known of the way back but its keepalives.",
    };
  }
  const found = { figure: `${accepted} of ${all}`, value: (100 * accepted) / all, unit: "%" };
  if (count === 0)
    return { ...found, state: "pass", reason: `It took all of ${counted(all, "downlink")} for sending.` };
  const why = listed(refused.slice(0, 3).map((one) => `${one.count} × ${one.word} (${wordText(one.word)})`));
  const isFail = accepted === 0 || (all >= limits.failLeast && count / all > limits.failShare);
  return {
    ...found,
    state: isFail ? "fail" : "warn",
    reason: `It refused ${count} of ${counted(all, "downlink")} (${percent(count / all)}): ${why}.`,
    advice:
      "Too late: shorten the way. Frequency or power: compare the network's plan with the radio's settings.",
  };
}

function wordText(word: string): string {
  return WORDS[word] ?? "the gateway gives no known reason";
}
