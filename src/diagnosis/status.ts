/**
 * How does a node or a gateway stand: good, needs a look, bad, or too early to say? One table of thresholds, each
 * with its basis, and a clause that carries the figures.
 */
import type { Sentence, WalkStop, WalkVerdict } from "../contract/index.ts";
import { decibel, duration, figure, percentInWords } from "../words/format.ts";

export type StandingWord = "good" | "look" | "bad" | "waiting";

export interface Judgement {
  readonly standing: StandingWord;
  readonly clause: string;
}

/** All: common practice, no source, except where another basis is named. */
export const THRESHOLDS = {
  /** Fewer expected counters than this, and a ratio says too little: 10 of 10 is 72 to 100 % (Wilson). */
  leastExpected: 10,
  /** Loss from which a node needs a look, and from which it is bad. */
  lookLoss: 0.05,
  badLoss: 0.2,
  /** Median margin over the demodulation floor below which a link is thin, and below which it is failing. */
  lookMarginDb: 5,
  badMarginDb: 1,
} as const;

/** Returns how many devices some rows are of: each counts once, however many counter lives it has. */
export function countDevices(rows: readonly { readonly devAddr: string | number }[]): number {
  return new Set(rows.map(({ devAddr }) => devAddr)).size;
}

/** What is said of a node while its counters are counted again: frames came out of order, or keys changed. */
export const RECOUNTING: Judgement = {
  standing: "waiting",
  clause: "not final yet: its counters are being counted again",
};

export interface NodeEvidence {
  readonly expected: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
  /** Missed while nothing was recorded. */
  readonly missedNotRecorded: number;
  /** Wilson interval of the delivery ratio; null when there is none. */
  readonly deliveryInterval95: readonly [number, number] | null;
  readonly marginMedianDb: number | null;
  /** What is said of a fall of its level that still holds (`standingFall`); null: none. */
  readonly fallClause: string | null;
  readonly overdue: boolean;
  /** In recorded time. */
  readonly silentForSeconds: number;
  readonly rhythmSeconds: number | null;
}

/** Judges loss on the air: what was missed while no gateway was reachable is the gateways' affair. */
export function judgeNode(evidence: NodeEvidence): Judgement {
  const { missedDuringOutage, missedNotRecorded, marginMedianDb, fallClause, overdue } = evidence;
  const expected = evidence.expected - missedNotRecorded;
  const missed = evidence.missed - missedNotRecorded;
  const onAir = missed - missedDuringOutage;
  const loss = expected > 0 ? onAir / expected : 0;
  const lossClause = `lost ${percentInWords(loss)} on the air (${figure(onAir)} of ${figure(expected)})`;
  if (overdue) {
    const rhythm =
      evidence.rhythmSeconds === null ? "" : `, it sends about every ${duration(evidence.rhythmSeconds)}`;
    return { standing: "look", clause: `silent for ${duration(evidence.silentForSeconds)}${rhythm}` };
  }
  const judgeable = expected - missedDuringOutage;
  if (judgeable < THRESHOLDS.leastExpected) {
    const reach = missedDuringOutage > 0 ? " while a gateway was reachable" : "";
    return {
      standing: "waiting",
      clause: `too early to say: ${judgeable} of ${THRESHOLDS.leastExpected} counters${reach}`,
    };
  }
  const withFall = (clause: string) => (fallClause === null ? clause : `${clause}; ${fallClause}`);
  if (loss >= THRESHOLDS.badLoss) return { standing: "bad", clause: withFall(lossClause) };
  if (marginMedianDb !== null && marginMedianDb < THRESHOLDS.badMarginDb) {
    const clause = `median margin ${decibel(marginMedianDb)}, at the demodulation floor`;
    return { standing: "bad", clause: withFall(clause) };
  }
  if (loss >= THRESHOLDS.lookLoss) return { standing: "look", clause: withFall(lossClause) };
  if (fallClause !== null) return { standing: "look", clause: fallClause };
  if (marginMedianDb !== null && marginMedianDb < THRESHOLDS.lookMarginDb) {
    return { standing: "look", clause: `median margin only ${decibel(marginMedianDb)}` };
  }
  const delivered = 1 - (expected > 0 ? missed / expected : 0);
  const outage =
    missedDuringOutage > 0 ? `, ${missedDuringOutage} missed while no gateway was reachable` : "";
  const unknown = missedNotRecorded > 0 ? `, ${missedNotRecorded} not recorded` : "";
  return {
    standing: "good",
    clause: `delivered ${percentInWords(delivered)} of ${figure(expected)}${outage}${unknown}`,
  };
}

export interface GatewayEvidence {
  readonly isOut: boolean;
  /** Since its last datagram, to the end of what is known, in recorded time. */
  readonly silentForSeconds: number;
  /** For how long it could have sent keepalives: since it was first heard, or since before the window. */
  readonly followedForSeconds: number;
  /** Since its first datagram ever, when that lies within the window; else null. */
  readonly newForSeconds: number | null;
  readonly outageSeconds: number;
  readonly outages: number;
  readonly restarts: number;
  readonly datagrams: number;
  readonly keepalives: number;
  readonly keepaliveSeconds: number | null;
  readonly receptions: number;
  readonly crcBad: number;
  /** The event of the gateway that counts most: one that goes on, else the newest; null: none. */
  readonly event: { readonly kind: string; readonly open: boolean; readonly clause: string } | null;
}

/** A gateway followed for less than this has not yet "no keepalives". Common practice, no source: most send every 10 s. */
const MIN_FOLLOWED_SECONDS = 60;

export function judgeGateway(evidence: GatewayEvidence): Judgement {
  const { isOut, outages, restarts, receptions, crcBad, keepaliveSeconds, newForSeconds } = evidence;
  if (isOut) return { standing: "bad", clause: `unreachable for ${duration(evidence.silentForSeconds)}` };
  if (evidence.datagrams === 0) {
    return { standing: "waiting", clause: "nothing arrived from it in this window" };
  }
  const { event } = evidence;
  if (event?.open === true && event.kind === "gateway-deaf") return { standing: "bad", clause: event.clause };
  const isFault =
    event !== null && event.kind !== "gateway-strengthened" && event.kind !== "late-acknowledgements";
  if (isFault && event.open) return { standing: "look", clause: event.clause };
  if (outages > 0) {
    const times = outages === 1 ? "once" : `${outages} times`;
    const inAll = outages === 1 ? "" : " in all";
    return {
      standing: "look",
      clause: `was unreachable ${times}, ${duration(evidence.outageSeconds)}${inAll}`,
    };
  }
  if (isFault) return { standing: "look", clause: event.clause };
  if (restarts > 0) {
    return {
      standing: "look",
      clause: `restarted ${restarts === 1 ? "once" : `${restarts} times`}`,
    };
  }
  if (receptions === 0) return { standing: "waiting", clause: "alive, but heard no packet in this window" };
  if (crcBad === receptions) {
    return { standing: "look", clause: "heard no packet with a right CRC" };
  }
  if (keepaliveSeconds === null) {
    if (evidence.keepalives > 0 || evidence.followedForSeconds < MIN_FOLLOWED_SECONDS) {
      return { standing: "waiting", clause: "too early to say: fewer than three keepalives yet" };
    }
    return { standing: "look", clause: "sends no keepalives: downlinks cannot reach it" };
  }
  const since =
    newForSeconds === null
      ? "reachable throughout"
      : `reachable since it was first heard, for ${duration(newForSeconds)}`;
  return { standing: "good", clause: `${since}, keepalive every ${duration(keepaliveSeconds)}` };
}

// Does a place get through to a gateway: good, marginal, or dead? By what was delivered and how far above the floor it
// came, with limits that are stated beside every answer.

/** All: common practice, no source; the margin is that below which a node of the site needs a look. */
export const WALK_LIMITS = {
  /** Fewer counters at a stop say nothing. */
  leastCounters: 5,
  goodDelivery: 0.9,
  goodMarginDb: 5,
  /** Below this share a place is dead, whatever margin the lucky frames had. */
  deadDelivery: 0.5,
} as const;

export const WALK_LIMIT_WORDS = `good: ${percentInWords(WALK_LIMITS.goodDelivery)} heard or more with a median margin of ${decibel(WALK_LIMITS.goodMarginDb)} or more; dead: less than ${percentInWords(WALK_LIMITS.deadDelivery)} heard; marginal: between; too early to say below ${WALK_LIMITS.leastCounters} counters`;

/**
 * `counters`: sent during the stop as far as counters show; `heard` of them by the gateway; `marginDb`: median of what it
 * heard. Margin alone would flatter a weak place, where only the lucky frames are heard.
 */
export function judgeStop(counters: number, heard: number, marginDb: number | null): WalkVerdict {
  if (counters < WALK_LIMITS.leastCounters) return "waiting";
  const delivery = heard / counters;
  if (delivery < WALK_LIMITS.deadDelivery) return "dead";
  const strong = marginDb !== null && marginDb >= WALK_LIMITS.goodMarginDb;
  return strong && delivery >= WALK_LIMITS.goodDelivery ? "good" : "marginal";
}

const ORDER: readonly WalkVerdict[] = ["good", "marginal", "dead", "waiting"];

/** The best of several. */
export function bestVerdict(verdicts: readonly WalkVerdict[]): WalkVerdict {
  return ORDER.find((one) => verdicts.includes(one)) ?? "waiting";
}

/** "Frost probe: 3 of 5 stops are good, 1 is marginal, 1 is dead (Cold store)." */
export function walkSentence(title: string, stops: readonly Pick<WalkStop, "best" | "name">[]): Sentence {
  if (stops.length === 0)
    return [{ text: `No stop is marked yet for ${title}: stand somewhere, name the place, and pin it.` }];
  const of = (verdict: WalkVerdict) => stops.filter(({ best }) => best === verdict);
  const good = of("good").length;
  const are = (n: number) => (n === 1 ? "is" : "are");
  const named = (found: readonly { name: string }[]) =>
    found.length === 0 || found.length > 3 ? "" : ` (${found.map(({ name }) => name).join(", ")})`;
  const parts = [
    `${title}: ${good} of ${stops.length} ${stops.length === 1 ? "stop" : "stops"} ${are(good)} good`,
  ];
  for (const verdict of ["marginal", "dead"] as const) {
    const found = of(verdict);
    if (found.length > 0) parts.push(`${found.length} ${are(found.length)} ${verdict}${named(found)}`);
  }
  const early = of("waiting").length;
  if (early > 0) parts.push(`at ${early} it is too early to say`);
  return [{ text: `${parts.join(", ")}.` }];
}

// Does a transmitter keep its limits, as far as what was heard can tell? Heard airtime is a lower bound: over the limit
// is over the limit, but under it proves nothing. Never a statement of conformity.

interface AirtimeEvidence {
  /** Share of the fullest sliding hour that was heard, 0 to 1. */
  readonly atLeast: number;
  /** The same divided by the delivery ratio; null where that is unknown. */
  readonly estimate: number | null;
  /** Share allowed; null: the sources name none. */
  readonly limit: number | null;
  /** Length of the stretch looked at, seconds. */
  readonly seconds: number;
}

interface AirtimeVerdict {
  readonly standing: "good" | "look" | "bad" | "waiting";
  readonly words: string;
}

/** Share of a limit from which it is worth a look. Common practice, no source. */
const NEAR = 0.8;

/** The airtime of one transmitter in one sub-band. */
export function judgeAirtime({ atLeast, estimate, limit, seconds }: AirtimeEvidence): AirtimeVerdict {
  if (limit === null) return { standing: "waiting", words: "no duty-cycle limit in the sources" };
  const allowed = percentInWords(limit);
  if (atLeast > limit) return { standing: "bad", words: `over ${allowed} by what was heard alone` };
  if (estimate !== null && estimate > limit) {
    return { standing: "look", words: `probably over ${allowed}, frames that were missed included` };
  }
  if (Math.max(atLeast, estimate ?? 0) >= NEAR * limit) {
    return { standing: "look", words: `close to ${allowed}` };
  }
  if (seconds < 3600) {
    return {
      standing: "waiting",
      words: `under ${allowed} so far; ${duration(seconds)} are less than an hour`,
    };
  }
  return { standing: "good", words: `under ${allowed} by what was heard` };
}

interface DwellEvidence {
  readonly frameLimitMs: number;
  readonly longestFrameMs: number;
  readonly framesOver: number;
  readonly frames: number;
  readonly inPeriod: { readonly seconds: number; readonly limitMs: number; readonly mostMs: number } | null;
}

/** Single frames, and where the region has it the occupancy of one frequency, against the dwell limit. */
export function judgeDwell(evidence: DwellEvidence): AirtimeVerdict {
  const { frameLimitMs, longestFrameMs, framesOver, frames, inPeriod } = evidence;
  const milliseconds = (ms: number) => `${figure(Math.round(ms))}\u202Fms`;
  if (framesOver > 0) {
    return {
      standing: "bad",
      words: `${figure(framesOver)} of ${figure(frames)} frames longer than ${milliseconds(frameLimitMs)}, the longest ${milliseconds(longestFrameMs)}`,
    };
  }
  if (inPeriod !== null && inPeriod.mostMs > inPeriod.limitMs) {
    return {
      standing: "bad",
      words: `${milliseconds(inPeriod.mostMs)} on one frequency within ${inPeriod.seconds}\u202Fs, ${milliseconds(inPeriod.limitMs)} allowed`,
    };
  }
  return {
    standing: "good",
    words: `longest frame ${milliseconds(longestFrameMs)} of ${milliseconds(frameLimitMs)}`,
  };
}
