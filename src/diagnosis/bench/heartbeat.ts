/** Do keepalives and status reports come, and how often? */
import { duration, figure, listed, percentInWords, plural } from "../../words/format.ts";
import { refusalWords } from "../notices.ts";

import { type Found, LIMITS } from "./limits.ts";

/** One kind of datagram that comes by the clock. */
export interface Rhythm {
  readonly count: number;
  /** Median spacing; null below three. */
  readonly intervalSeconds: number | null;
  /** From the newest to the end of what is known; null with none. */
  readonly sinceNewestSeconds: number | null;
}

export interface KeepaliveEvidence extends Rhythm {
  /** Single ones missing between others; longer silences left out. */
  readonly lost: number;
  /** Silences that are as long as an outage. */
  readonly silences: number;
  /** From so long a silence on it is an outage (src/ledger/gaps/intervals.ts). */
  readonly outageSeconds: number;
  /** For how long the gateway could have sent any: since its first datagram of the window. */
  readonly followedSeconds: number;
  /** Datagrams of other kinds in the window. */
  readonly others: number;
  /** From its last datagram ever to the end of what is known. */
  readonly lastHeardSeconds: number;
  /** Time of the window in which anything was recorded. */
  readonly recordedSeconds: number;
}

/** Keepalives (PULL_DATA) keep the downlink path open: without them no downlink reaches the gateway. */
export function judgeKeepalives(evidence: KeepaliveEvidence): Found {
  const limits = LIMITS.keepalives;
  const { count, intervalSeconds, sinceNewestSeconds, lost, silences, followedSeconds } = evidence;
  if (count === 0 && evidence.others === 0 && evidence.recordedSeconds < evidence.outageSeconds) {
    return {
      state: "waiting",
      figure: "not recorded",
      reason: `Nothing was recorded in this window, so its silence says nothing; it was last heard ${duration(evidence.lastHeardSeconds)} ago.`,
      awaits: "three keepalives",
    };
  }
  if (count === 0 && evidence.others === 0) {
    return {
      state: "fail",
      figure: "silent",
      reason: `Nothing came from it in the ${duration(evidence.recordedSeconds)} that were recorded; it was last heard ${duration(evidence.lastHeardSeconds)} ago.`,
      advice:
        "Check its power and network, then that its server address and port are this computer's, and the firewall here.",
    };
  }
  if (count === 0 && followedSeconds >= limits.failSeconds) {
    return {
      state: "fail",
      figure: "none",
      reason: `No keepalive came in ${duration(followedSeconds)}, though ${plural(evidence.others, "other datagram")} did: no downlink can reach the gateway.`,
      advice: "Set the server's port for downlinks to the same number as the one for uplinks.",
    };
  }
  if (intervalSeconds === null || sinceNewestSeconds === null) {
    return {
      state: "waiting",
      figure: plural(count, "keepalive"),
      reason: `${plural(count, "keepalive")} of three that tell their interval.`,
      awaits: plural(3 - Math.min(count, 2), "more keepalive"),
      // Common practice: the reference daemons send one every 5 s, or 10 s as configured.
      awaitsSeconds: 10 * (3 - Math.min(count, 2)),
    };
  }
  const found = { figure: `every ${secondsText(intervalSeconds)}`, value: intervalSeconds, unit: "s" };
  if (sinceNewestSeconds > evidence.outageSeconds) {
    return {
      ...found,
      state: "fail",
      reason: `The last keepalive came ${duration(sinceNewestSeconds)} ago; it used to come every ${secondsText(intervalSeconds)}.`,
      advice:
        "See whether the gateway has power and network, and whether its server address is this computer's.",
    };
  }
  if (intervalSeconds > limits.failSeconds) {
    return {
      ...found,
      state: "fail",
      reason: `A keepalive comes every ${secondsText(intervalSeconds)}: routers on the path may close the return path in between.`,
      advice: "Set the keepalive interval of the gateway to 10 s.",
    };
  }
  const share = lost / (count + lost);
  const lostText = `${figure(lost)} of ${figure(count + lost)} keepalives are missing (${percentInWords(share)})`;
  if (count + lost >= 10 && share > limits.failLost) {
    return {
      ...found,
      state: "fail",
      reason: `${lostText}: the path to here loses datagrams.`,
      advice: "Try a cable in place of Wi-Fi, or another port of the switch.",
    };
  }
  if (silences > 0 || (count + lost >= 10 && share > limits.warnLost)) {
    const silent = silences > 0 ? `${plural(silences, "silence")} of more than three intervals` : null;
    return {
      ...found,
      state: "warn",
      reason: `${[silent, lost > 0 ? `${silent === null ? "" : "apart from that "}${lostText}` : null].filter((part) => part !== null).join("; ")}.`,
      advice: "See whether the network or the gateway was switched off then; else look for loss on the way.",
    };
  }
  if (intervalSeconds > limits.warnSeconds) {
    return {
      ...found,
      state: "warn",
      reason: `A keepalive comes only every ${secondsText(intervalSeconds)}: some routers close the return path sooner.`,
      advice: "Set the keepalive interval of the gateway to 10 s.",
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `${plural(count, "keepalive")}, one every ${secondsText(intervalSeconds)}${lost === 0 ? ", none missing" : ""}.`,
  };
}

export interface StatusEvidence extends Rhythm {
  /** Reports that are missing between others. */
  readonly missing: number;
  readonly followedSeconds: number;
  /** From the newest datagram of any kind to the end of what is known. */
  readonly sinceAnythingSeconds: number;
  /** Reports that had to be repaired, or whose figures contradict each other. */
  readonly odd: number;
}

/** Status reports carry the gateway's own account; much of this list rests on them. */
export function judgeStatusReports(evidence: StatusEvidence): Found {
  const limits = LIMITS.statusReports;
  const { count, intervalSeconds, sinceNewestSeconds, followedSeconds, odd } = evidence;
  if (count === 0 && followedSeconds >= limits.absentSeconds) {
    return {
      state: "warn",
      figure: "none",
      reason: `No status report came in ${duration(followedSeconds)}: what the gateway counts itself stays unknown.`,
      advice: "Switch the status report on in the forwarder's settings (stat_interval, 30 s).",
    };
  }
  if (count > 0 && odd === 0 && intervalSeconds === null && followedSeconds < limits.youngSeconds) {
    return {
      state: "pass",
      figure: plural(count, "report"),
      reason: `${count === 1 ? "1 report" : `${figure(count)} reports`} in the first ${duration(followedSeconds)}; the interval is judged from three on.`,
    };
  }
  if (intervalSeconds === null || sinceNewestSeconds === null) {
    const missing = count === 0 ? 1 : 3 - Math.min(count, 2);
    return {
      state: "waiting",
      figure: plural(count, "report"),
      reason: `${plural(count, "status report")} of three that tell their interval.`,
      awaits: plural(missing, "more status report"),
      // The reference daemons report every 30 s.
      awaitsSeconds: Math.max(1, 30 * missing - Math.min(30, sinceNewestSeconds ?? followedSeconds)),
    };
  }
  const found = { figure: `every ${secondsText(intervalSeconds)}`, value: intervalSeconds, unit: "s" };
  const missingFor = sinceNewestSeconds - evidence.sinceAnythingSeconds;
  if (missingFor > Math.max(60, limits.stoppedIntervals * intervalSeconds)) {
    return {
      ...found,
      state: "fail",
      reason: `The reports stopped ${duration(sinceNewestSeconds)} ago, while other datagrams still come.`,
      advice: "Restart the forwarder; a part of it hangs.",
    };
  }
  if (odd > 0) {
    return {
      ...found,
      state: "warn",
      reason: `${plural(odd, "report")} had to be repaired or contradicts itself.`,
      advice: "Shorten the gateway's description in its settings: long ones cut the report off.",
    };
  }
  const share = evidence.missing / (count + evidence.missing);
  if (evidence.missing > 1 && share > limits.warnMissing) {
    return {
      ...found,
      state: share > limits.failMissing ? "fail" : "warn",
      reason: `${figure(evidence.missing)} of ${figure(count + evidence.missing)} reports are missing (${percentInWords(share)}): the path to here loses datagrams, or it was unreachable.`,
      advice: "Try a cable in place of Wi-Fi, or another port of the switch.",
    };
  }
  if (intervalSeconds > limits.warnSeconds) {
    return {
      ...found,
      state: "warn",
      reason: `A report comes only every ${secondsText(intervalSeconds)}: its figures tell little of the last minutes.`,
      advice: "Set the report's interval to 30 s while the gateway is brought up.",
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `${plural(count, "report")}, one every ${secondsText(intervalSeconds)}${evidence.missing === 0 ? "" : `; ${evidence.missing} missing`}.`,
  };
}

/** "10.1 s" below two minutes, then as a span. */
function secondsText(seconds: number): string {
  return seconds < 120 ? `${(Math.round(seconds * 10) / 10).toString()}\u202Fs` : duration(seconds);
}

// Do datagrams come once, in order, and readable?

export interface OrderEvidence {
  /** Datagrams of the window, copies left out. */
  readonly datagrams: number;
  /** Copies of a datagram that had come already. */
  readonly duplicates: number;
  /** Datagrams whose packets are older than those of one that came before. */
  readonly reordered: number;
}

/** Whether datagrams come twice, or overtake each other. */
export function judgeOrder({ datagrams, duplicates, reordered }: OrderEvidence): Found {
  const limits = LIMITS.order;
  if (datagrams < limits.leastDatagrams) {
    return {
      state: "waiting",
      figure: plural(datagrams, "datagram"),
      reason: `${plural(datagrams, "datagram")} of ${limits.leastDatagrams} that are needed.`,
      awaits: `${limits.leastDatagrams} datagrams`,
    };
  }
  const share = (duplicates + reordered) / (datagrams + duplicates);
  const found = { figure: `${duplicates} twice, ${reordered} late`, value: share * 100, unit: "%" };
  const sentence = `Of ${plural(datagrams, "datagram")} ${duplicates === 0 ? "none" : figure(duplicates)} came twice and ${reordered === 0 ? "none" : figure(reordered)} after a later one.`;
  const advice =
    duplicates >= reordered
      ? "See whether this computer is in the gateway's server list twice, or two networks lead to it."
      : "Look for two ways to here that take turns (bonded or mobile links). Packets are dated by the counter all the same.";
  if (share >= limits.failShare) return { ...found, state: "fail", reason: sentence, advice };
  if (share >= limits.warnShare) return { ...found, state: "warn", reason: sentence, advice };
  return { ...found, state: "pass", reason: sentence };
}

export interface RefusedEvidence {
  readonly datagrams: number;
  /** By reason: of this gateway, or from its address without a readable identifier. */
  readonly refused: readonly { readonly reason: string; readonly count: number }[];
}

/** What was rejected of the gateway, and why. */
export function judgeRefused({ datagrams, refused: reasons }: RefusedEvidence): Found {
  const count = reasons.reduce((sum, one) => sum + one.count, 0);
  if (datagrams === 0 && count === 0) {
    return { state: "waiting", reason: "No datagram came yet.", awaits: "a datagram" };
  }
  const found = { figure: count === 0 ? "none" : plural(count, "time"), value: count, unit: "refusals" };
  if (count === 0)
    return { ...found, state: "pass", reason: `All of ${plural(datagrams, "datagram")} could be read.` };
  const words = reasons.slice(0, 4).map((one) => `${one.count} × ${refusalWords(one.reason)}`);
  return {
    ...found,
    state: count / (datagrams + count) >= LIMITS.refused.failShare ? "fail" : "warn",
    reason: `Rejected since the store began: ${listed(words)}.`,
    advice:
      "The view Service keeps the newest of them raw; update the forwarder, or look at its description field.",
  };
}
