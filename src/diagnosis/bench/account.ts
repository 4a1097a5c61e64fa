/** What does the gateway itself count: answers in time, packets forwarded, packets that never arrived, wrong CRCs? */
import type { BenchItem } from "../../contract/index.ts";
import { backhaulProof } from "../backhaul-proof.ts";
import { percent, span } from "../standing.ts";
import { counted, type Found, itemOf } from "./item.ts";
import { LIMITS } from "./limits.ts";

/** `ackPercents`: as its reports say, oldest first; null where a report did not say. */
export function judgeAcknowledged(ackPercents: readonly (number | null)[]): BenchItem {
  return itemOf("acknowledged", "Acknowledgements", LIMITS.acknowledged.basis, acknowledged(ackPercents));
}

function acknowledged(ackPercents: readonly (number | null)[]): Found {
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
          awaits: "two status reports",
        };
  }
  const limits = LIMITS.acknowledged;
  const mean = known.reduce((sum, one) => sum + one, 0) / known.length;
  const found = { figure: percent(mean / 100), value: mean, unit: "%" };
  const told = `By its own count ${percent(mean / 100)} of its datagrams were answered in time (mean of ${counted(known.length, "report")}).`;
  if (known.length > 2 && known.every((one) => one === 0)) {
    return {
      ...found,
      state: "fail",
      reason: `Every report says 0\u2009%: no answer reaches it in time, or this forwarder does not count them.`,
      advice:
        "See whether answers come back at all (firewall, a second network), and whether the way takes more than 100 ms.",
    };
  }
  if (mean < limits.failPercent) {
    return {
      ...found,
      state: "fail",
      reason: `${told} While it waits for an answer it fetches nothing from its radio.`,
      advice: "Look for loss or delay on the way: Wi-Fi, a mobile link, a busy router.",
    };
  }
  if (mean < limits.warnPercent) {
    return {
      ...found,
      state: "warn",
      reason: told,
      advice: "Look for loss or delay on the way: Wi-Fi, a mobile link, a busy router.",
    };
  }
  return { ...found, state: "pass", reason: told };
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
export function judgeForwarded(evidence: CountEvidence): BenchItem {
  return itemOf("forwarded", "Packets forwarded", LIMITS.forwarded.basis, forwarded(evidence));
}

function forwarded({ reports, received, crcOk, forwarded: sent, seconds }: CountEvidence): Found {
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
      reason: `Its radio received nothing in ${span(seconds)}.`,
      awaits: "a packet on the air",
    };
  }
  const counts = `Of ${counted(received, "packet")} ${crcOk.toLocaleString("en")} had a right CRC and ${sent.toLocaleString("en")} were forwarded.`;
  if (crcOk > received || sent > received) {
    return {
      state: "warn",
      figure: "contradictory",
      reason: `${counts} That cannot be: its counting is broken.`,
      advice: "Do not rest anything on this gateway's own figures.",
    };
  }
  const share = crcOk === 0 ? (sent > 0 ? 1 : 0) : Math.min(1, sent / crcOk);
  const found = {
    figure: `${Math.min(sent, crcOk).toLocaleString("en")} of ${crcOk.toLocaleString("en")}`,
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

/** One stretch between two consecutive reports. */
export interface ReportInterval {
  readonly forwarded: number;
  readonly arrived: number;
}

/** Whether what the gateway forwarded arrived here. */
export function judgeArrived(intervals: readonly ReportInterval[]): BenchItem {
  return itemOf("arrived", "Packets arrived", LIMITS.arrived.basis, arrived(intervals));
}

function arrived(intervals: readonly ReportInterval[]): Found {
  const limits = LIMITS.arrived;
  const received = intervals.reduce((sum, one) => sum + one.arrived, 0);
  const proof = backhaulProof(
    intervals.map((one) => one.forwarded),
    received,
  );
  if (intervals.length < limits.leastIntervals || proof.forwarded === 0) {
    return {
      state: "waiting",
      reason: "Its reports are held against what arrived between them; it takes three with packets in them.",
      awaits: "status reports that count forwarded packets",
    };
  }
  // A packet that is counted in one report may arrive after the next one: the edges are worth one interval.
  const edge = Math.max(...intervals.map((one) => one.forwarded));
  const told = `It forwarded ${counted(proof.forwarded, "packet")} by its own count, and ${received.toLocaleString("en")} arrived.`;
  if (received - proof.forwarded > Math.max(edge, 2)) {
    return {
      state: "warn",
      figure: `${received - proof.forwarded} too many`,
      value: proof.forwarded - received,
      unit: "packets",
      reason: `${told} More than it sent: something else speaks under its identifier, or its counting is broken.`,
      advice: "See the gateways under this identifier.",
    };
  }
  const share = proof.share ?? 0;
  const found = { figure: `${percent(share)} lost`, value: share * 100, unit: "%" };
  if (proof.missing <= edge) return { ...found, state: "pass", reason: told };
  const proved = Math.max(0, proof.missing - edge) / proof.forwarded;
  const advice =
    "Datagrams are lost on the way: try a cable, look at the router, and keep them under 1,500 octets.";
  return { ...found, state: proved >= limits.failShare ? "fail" : "warn", reason: told, advice };
}

export interface CrcEvidence {
  /** From the reports: all packets, and those with a right CRC; null where they do not say. */
  readonly received: number | null;
  readonly crcOk: number | null;
  /** What arrived here, and of these with a wrong CRC. */
  readonly arrived: number;
  readonly arrivedBad: number;
}

/** Which share of the packets had a wrong CRC. */
export function judgeCrcFailed(evidence: CrcEvidence): BenchItem {
  return itemOf("crc-failed", "Wrong CRCs", LIMITS.crcFailed.basis, crcFailed(evidence));
}

function crcFailed({ received, crcOk, arrived: came, arrivedBad }: CrcEvidence): Found {
  const limits = LIMITS.crcFailed;
  const bySelf = received !== null && crcOk !== null && received >= crcOk && received > 0;
  // Without reports only a forwarder that passes on broken packets shows any.
  if (!bySelf && arrivedBad === 0) {
    return {
      state: "waiting",
      reason:
        "Neither its reports nor its packets show wrong CRCs; most forwarders leave broken packets out.",
      awaits: "a status report that counts packets",
    };
  }
  const all = bySelf ? received : came;
  const bad = bySelf ? received - crcOk : arrivedBad;
  const who = bySelf ? "by its own count" : "as they arrived";
  if (all < limits.leastPackets) {
    return {
      state: "waiting",
      figure: `${bad} of ${all}`,
      reason: `${counted(all, "packet")} of ${limits.leastPackets} that are needed to tell.`,
      awaits: `${limits.leastPackets} packets on the air`,
    };
  }
  const share = bad / all;
  const found = { figure: percent(share), value: share * 100, unit: "%" };
  const told = `${bad.toLocaleString("en")} of ${counted(all, "packet")} had a wrong CRC, ${who}.`;
  const advice =
    "Look at the antenna and its cable, at the noise floor, and for a strong transmitter nearby.";
  if (share >= limits.failShare) return { ...found, state: "fail", reason: told, advice };
  if (share >= limits.warnShare) return { ...found, state: "warn", reason: told, advice };
  return { ...found, state: "pass", reason: told };
}
