/** What do noise, collisions, demodulators and a gateway's own transmissions mean for the air? One plain sentence each. */

import type {
  CollisionShare,
  StrangerCost,
  StrangerGrowth,
  StrangerNetwork,
} from "../contract/others-on-air.ts";

import type { LoudNoise } from "../contract/site.ts";
import {
  counted,
  decibel,
  duration,
  figure,
  megahertz,
  percent,
  percentInWords,
  plural,
  probability,
  signedWithUnit,
  withUnit,
} from "../words/format.ts";

// For what share of the time is a half-duplex gateway deaf to a node because it transmits itself?

/** Share beyond which deafness is worth a warning. Common practice, no source. */
export const DEAF_SHARE_WARNING = 0.02;

/**
 * Upper bound of the share of a node's frames that meet the gateway's own transmissions: each transmission spoils
 * frames that begin from one frame length before it to its end. Exact when transmissions lie further apart than that.
 * All lengths in microseconds; the result is at most 1.
 */
export function deafShare(
  transmissionAirtimesUs: Iterable<number>,
  nodeAirtimeUs: number,
  windowUs: number,
): number {
  let spoiledUs = 0;
  for (const airtimeUs of transmissionAirtimesUs) {
    spoiledUs += airtimeUs + nodeAirtimeUs;
  }
  return windowUs > 0 ? Math.min(1, spoiledUs / windowUs) : 0;
}

export interface NoiseEvidence {
  readonly verdict: "rises" | "falls" | "steady" | "not enough";
  readonly trust: "good" | "rough" | "none";
  /** Stretches of time that tell the noise, and how many a trend needs. */
  readonly filled: number;
  readonly needed: number;
  /** The loudest stretch above the median one. */
  readonly loudestDb: number | null;
  readonly changeDb: number | null;
  readonly p: number | null;
  readonly loud: LoudNoise | null;
}

/** "16.2 dB louder for 1 h 15 min", "12.0 dB louder for 40 min so far"; the time is what was seen of it. */
export function loudWords({ from, to, beginSeen, endSeen, riseDb }: LoudNoise): string {
  const seconds = Math.round((Date.parse(to) - Date.parse(from)) / 60_000) * 60;
  const open = endSeen ? "" : " so far";
  return `${figure(riseDb, 1)}\u202FdB louder for ${beginSeen ? "" : "at least "}${duration(seconds)}${open}`;
}

/** What is said of the noise of one channel at one gateway. */
interface LoudChannel {
  readonly frequencyHz: number;
  readonly gatewayTitle: string;
  readonly loud: LoudNoise;
}

/**
 * Returns the event of the window in a clause: "868.3 MHz was 16.2 dB louder for 1 h 15 min at 2 gateways"; of several
 * channels the one that rose most. Null where no channel was loud.
 */
export function loudestClause(channels: readonly LoudChannel[], ofGateways: number): string | null {
  const [worst] = [...channels].sort((a, b) => b.loud.riseDb - a.loud.riseDb);
  if (worst === undefined) return null;
  const at = channels.filter(({ frequencyHz }) => frequencyHz === worst.frequencyHz);
  const others = new Set(channels.map(({ frequencyHz }) => frequencyHz)).size - 1;
  const where =
    at.length === 1
      ? worst.gatewayTitle
      : at.length === ofGateways && ofGateways === 2
        ? "both gateways"
        : plural(at.length, "gateway");
  const more = others === 0 ? "" : `, ${plural(others, "more channel")} less so`;
  return `${megahertz(worst.frequencyHz)} was ${loudWords(worst.loud)} at ${where}${more}`;
}

/** Noise so far above its median is worth a word. Common practice, no source: 6 dB is severe. */
const LOUD_DB = 6;

/** "Rises by 6.2 dB (p 0.0004)." */
export function noiseWords(evidence: NoiseEvidence): string {
  const { verdict, trust, filled, needed, changeDb, p, loudestDb } = evidence;
  const isLoud = loudestDb !== null && loudestDb >= LOUD_DB;
  const loud =
    evidence.loud !== null
      ? ` ${loudWords(evidence.loud)}.`
      : isLoud
        ? ` At its loudest ${decibel(loudestDb)} above its median.`
        : "";
  if (verdict === "not enough" || changeDb === null) {
    return `Not enough to say: ${filled} of ${needed} stretches have enough weak frames.${loud}`;
  }
  const rough = trust === "rough" ? " From frames up to 5\u202FdB SNR for want of weaker ones: rough." : "";
  const chance = p === null ? "" : ` (p ${probability(p)})`;
  const size = decibel(Math.abs(changeDb));
  if (verdict === "steady" && evidence.loud !== null) {
    return `${loudWords(evidence.loud)}; otherwise steady.${rough}`;
  }
  if (verdict === "steady") {
    return `Steady: ${/[1-9]/.test(size) ? (changeDb < 0 ? "\u2212" : "+") : ""}${size} over the window${chance}, within chance or under 3\u202FdB.${loud}${rough}`;
  }
  return `${verdict === "rises" ? "Rises" : "Falls"} by ${size} over the window${chance}.${loud}${rough}`;
}

export interface CollisionEvidence {
  readonly aloha: number;
  readonly captureTheory: number | null;
  readonly captureMeasured: number | null;
}

/** What to expect over all channels of a gateway; null: nothing was heard. */
export function collisionWords(expected: CollisionEvidence | null): string {
  if (expected === null) return "Nothing was heard, so nothing can be expected.";
  const { aloha, captureTheory, captureMeasured } = expected;
  const plain = `By ALOHA ${percentInWords(aloha)} of the frames should be spoilt by others`;
  if (captureTheory === null || captureMeasured === null) {
    return `${plain}; too few levels to say what capture makes of it.`;
  }
  const [low, high] = [Math.min(captureTheory, captureMeasured), Math.max(captureTheory, captureMeasured)];
  const range =
    percentInWords(low) === percentInWords(high)
      ? percentInWords(low)
      : `${percentInWords(low)} to ${percentInWords(high)}`;
  return `${plain}; ${range} where the stronger one survives and other spreading factors disturb too.`;
}

export interface DemodulatorEvidence {
  readonly busiestErlang: number;
  readonly blockedOf8: number;
  readonly blockedOf16: number;
}

/** Chance of finding all demodulators busy from which it is worth a word: 1 %, the customary design value. Common practice, no source. */
export const BLOCKING_MATTERS = 0.01;

export function demodulatorWords({ busiestErlang, blockedOf8, blockedOf16 }: DemodulatorEvidence): string {
  const demand = `${withUnit(busiestErlang, 2, "E")} in the busiest stretch`;
  if (blockedOf8 < BLOCKING_MATTERS) {
    return `Demodulators are no bottleneck: ${demand}, all of 8 busy for ${percentInWords(blockedOf8)} of the frames.`;
  }
  return `Demodulators may run out: ${demand}; ${percentInWords(blockedOf8)} of the frames find all of 8 busy, ${percentInWords(blockedOf16)} all of 16 (of which 8 do not reach SF11 and SF12).`;
}

export interface DeafEvidence {
  readonly visible: boolean;
  readonly sent: number;
  readonly refused: number;
  readonly seconds: number;
  readonly share: number;
  readonly spoiltShare: number | null;
  /** By the gateway's own status reports; null: none tells. */
  readonly reportedSent: number | null;
}

export function deafWords(evidence: DeafEvidence): string {
  const { visible, sent, refused, seconds, share, spoiltShare, reportedSent } = evidence;
  if (!visible) {
    if (reportedSent === null) return "Not visible here: no downlink of this gateway passes this machine.";
    if (reportedSent === 0) return "Its status reports say that it sent nothing.";
    return `Its status reports speak of ${plural(reportedSent, "frame")} sent; how long each lasted is not visible here.`;
  }
  const frames = sent === 1 ? "1 downlink" : `${figure(sent)} downlinks`;
  const not = refused === 0 ? "" : `, ${refused} more refused by the gateway`;
  const spoilt =
    spoiltShare === null ? "" : `, which can cost up to ${percentInWords(spoiltShare)} of the frames`;
  const much = share > DEAF_SHARE_WARNING ? " That is much." : "";
  return `Deaf for ${withUnit(seconds, 1, "s")} (${percentInWords(share)}) by ${frames}${not}${spoilt}.${much}`;
}

// Does a transmitter keep its limits, as far as what was heard can tell? Heard airtime is a lower bound: over the limit
// is over the limit, but under it proves nothing. Never a statement of conformity.

export interface AirtimeEvidence {
  /** Share of the fullest sliding hour that was heard, 0 to 1. */
  readonly atLeast: number;
  /** The same divided by the delivery ratio; null where that is unknown. */
  readonly estimate: number | null;
  /** Share allowed; null: the sources name none. */
  readonly limit: number | null;
  /** Length of the stretch looked at, seconds. */
  readonly seconds: number;
}

export interface AirtimeVerdict {
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

export interface DwellEvidence {
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

// What does a neighbour's network do to you, in a few plain sentences?

/** Weeks recorded enough that growth needs: two would be a difference, and no trend. Chosen. */
export const LEAST_GROWTH_WEEKS = 3;

/** "Grows by 12 s a day each week (8 to 16), 6 % of its median day." */
export function growthWords(
  { verdict, secondsPerDayPerWeek, interval95, sharePerWeek }: Omit<StrangerGrowth, "words">,
  weeks: number,
): string {
  if (verdict === "not enough" || secondsPerDayPerWeek === null || interval95 === null)
    return `Not enough to say: ${counted(weeks, "week")} recorded enough, ${LEAST_GROWTH_WEEKS} are needed.`;
  const [low, high] = interval95;
  const size = `${signedWithUnit(secondsPerDayPerWeek, 1, "s")} a day each week (${figure(low, 1)} to ${figure(high, 1)})`;
  if (verdict === "steady") return `Steady, within chance: ${size}.`;
  const share = sharePerWeek === null ? "" : `, ${percent(Math.abs(sharePerWeek), 0)} of its median day`;
  return `${verdict === "grows" ? "Grows" : "Shrinks"}: ${size}${share}.`;
}

/** "0.8 % of its frames by ALOHA, 0.6 % to 0.7 % with capture" */
function lossText({ aloha, captureTheory, captureMeasured }: CollisionShare): string {
  const plain = `${percent(aloha, 2)} of its frames by ALOHA`;
  if (captureTheory === null || captureMeasured === null) return plain;
  const [low, high] = [captureTheory, captureMeasured].sort((a, b) => a - b).map((one) => percent(one, 2));
  return `${plain}, ${low === high ? low : `${low} to ${high}`} with capture`;
}

export function costWords(
  { frames, collisions, worstNetwork, worstShare }: Omit<StrangerCost, "words">,
  gatewayTitle: string,
): string {
  const most = worstNetwork === null || worstShare === null ? "" : `, most to ${worstNetwork}`;
  return `At ${gatewayTitle} strangers should spoil ${lossText(collisions)}${most} (${counted(frames, "frame")} heard).`;
}

export function strangersSentence(
  networks: readonly StrangerNetwork[],
  nodes: readonly StrangerCost[],
): string {
  if (networks.length === 0) return "No stranger was heard in this window.";
  const seconds = networks.reduce((sum, one) => sum + one.airtimeSeconds, 0);
  const share = networks.reduce((sum, one) => sum + one.share, 0);
  const parts = [
    `Strangers of ${counted(networks.length, "network")} took ${duration(seconds)} of airtime, ${percent(share)} of that of all nodes heard.`,
  ];
  const growing = networks.filter(({ growth }) => growth.verdict === "grows");
  if (growing.length > 0)
    parts.push(
      `${growing
        .map(({ network }) => network)
        .slice(0, 3)
        .join(", ")} ${growing.length === 1 ? "grows" : "grow"}.`,
    );
  const [worst] = nodes;
  if (worst === undefined) parts.push("No own node was heard often enough to say what they cost.");
  else parts.push(`They should cost ${worst.name ?? worst.devAddr} most: ${lossText(worst.collisions)}.`);
  return parts.join(" ");
}

export const STRANGERS_CAUTION =
  "Expected, not observed: frames are taken to start at random, nodes of equal rhythm do worse. Strangers that no gateway read, those with a wrong CRC among them, are missing, so their airtime and its cost are lower bounds.";
