/** What does a trial say, in a sentence that a person on a ladder can read? */
import type { Sentence } from "../../contract/common.ts";
import { decibel, figure, roughDuration, THIN } from "../../words/format.ts";
import type { Estimate } from "./node-effect.ts";
import type { SnrMethod } from "./paired-snr.ts";
import { type Differences, LIMITS, type VerdictWord } from "./verdict.ts";

/** "2.3 to 3.4". */
function range(low: number, high: number, factor = 1): string {
  const ends = [low * factor, high * factor].sort((x, y) => x - y);
  return `${figure(ends[0] ?? 0, 1)} to ${figure(ends[1] ?? 0, 1)}`;
}

/** "hears 2.9 dB better (2.3 to 3.4)", said of the side that `sign` turns the difference to: 1 for a, -1 for b. */
function hears({ estimate, low, high }: Estimate, sign: 1 | -1, verb = "hears"): string {
  const value = sign * estimate;
  const word = value >= 0 ? "better" : "worse";
  const turn = value >= 0 ? sign : -sign;
  return `${verb} ${decibel(Math.abs(value))} ${word} (${range(low, high, turn)})`;
}

function loses({ estimate, low, high }: Estimate, sign: 1 | -1): string {
  const value = sign * estimate;
  if (Math.abs(value * 100) < 0.05)
    return `loses no more and no fewer frames (${range(low * 100, high * 100, sign)}${THIN}points)`;
  const word = value >= 0 ? "fewer" : "more";
  const turn = value >= 0 ? sign : -sign;
  return `loses ${figure(Math.abs(value) * 100, 1)} points ${word} frames (${range(low * 100, high * 100, turn)})`;
}

export interface TrialWords {
  readonly a: string;
  readonly b: string;
  readonly verdict: VerdictWord;
  readonly differences: Differences;
  /** From `neededWords`. */
  readonly needed: string;
}

export function trialSentence({ a, b, verdict, differences, needed }: TrialWords): Sentence {
  const { snr, delivery } = differences;
  if (snr === null && delivery === null) return [{ text: `${a} and ${b} cannot be compared yet: ${needed}` }];
  if (verdict === "no difference") return [{ text: alike(a, b, differences) }];
  const sign =
    verdict === "a" ||
    (verdict === "not enough" &&
      (snr ?? delivery)?.estimate !== undefined &&
      ((snr ?? delivery)?.estimate ?? 0) >= 0)
      ? 1
      : -1;
  const subject = sign === 1 ? a : b;
  const object = sign === 1 ? b : a;
  const parts = [
    ...(snr === null ? [] : [hears(snr, sign)]),
    ...(delivery === null ? [] : [loses(delivery, sign)]),
  ];
  const turns = snr !== null && delivery !== null && snr.estimate * delivery.estimate < 0;
  const said = `${subject} ${parts.join(turns ? " but " : " and ")}`;
  if (verdict !== "not enough") {
    return [{ text: settled(subject, object, differences, sign) ?? `${said} than ${object}.` }];
  }
  return [{ text: `Not enough to say yet: ${needed} So far ${said} than ${object}.` }];
}

/** Whether an interval leaves open which way the difference goes. */
function isOpen({ low, high }: Pick<Estimate, "low" | "high">): boolean {
  return low <= 0 && high >= 0;
}

/** One difference is settled and the other is not: the sentence must not lend the one's certainty to the other. */
function settled(
  subject: string,
  object: string,
  { snr, delivery }: Differences,
  sign: 1 | -1,
): string | null {
  if (snr === null || delivery === null || isOpen(snr) === isOpen(delivery)) return null;
  if (isOpen(snr)) {
    return `${subject} ${loses(delivery, sign)} than ${object}; whether it hears stronger is open (${range(snr.low, snr.high, sign)}${THIN}dB).`;
  }
  return `${subject} ${hears(snr, sign)} than ${object}; whether it loses fewer frames is open (${range(delivery.low * 100, delivery.high * 100, sign)} points).`;
}

function alike(a: string, b: string, differences: Differences): string {
  return `No difference that matters: ${a} and ${b} are alike${within(differences)}.`;
}

/** " in level to within 1 dB (−0.3 to 0.4 dB) and in loss to within 1 point (…)"; of what is known. */
function within({ snr, delivery }: Differences): string {
  const level =
    snr === null ? "" : ` in level to within ${LIMITS.snrDb}${THIN}dB (${range(snr.low, snr.high)}${THIN}dB)`;
  const loss =
    delivery === null
      ? ""
      : ` in loss to within ${LIMITS.delivery * 100} point (${range(delivery.low * 100, delivery.high * 100)} points)`;
  const and = level !== "" && loss !== "" ? " and" : "";
  return `${level}${and}${loss}`;
}

export interface EffectWords {
  /** The mark's text. */
  readonly mark: string;
  /** Who hears, or, of a mark about a node, the node that is heard. */
  readonly subject: string;
  readonly isNode: boolean;
  readonly verdict: VerdictWord;
  /** After less before. */
  readonly differences: Differences;
  /** From `effectNeeded`. */
  readonly needed: string;
}

/** "Since “cut the hedge” the site hears 2.9 dB better (2.3 to 3.4) and loses … than before." */
export function effectSentence({
  mark,
  subject,
  isNode,
  verdict,
  differences,
  needed,
}: EffectWords): Sentence {
  const { snr, delivery } = differences;
  const since = `Since \u201c${mark}\u201d`;
  if (snr === null && delivery === null)
    return [{ text: `Before and after \u201c${mark}\u201d cannot be compared yet: ${needed}` }];
  if (verdict === "no difference")
    return [{ text: `${since} ${subject} is as before${within(differences)}: no difference that matters.` }];
  const level = snr === null ? null : hears(snr, 1, isNode ? "is heard" : "hears");
  const loss = delivery === null ? null : loses(delivery, 1);
  const turns = snr !== null && delivery !== null && snr.estimate * delivery.estimate < 0;
  const both = [level, loss].filter((part) => part !== null).join(turns ? " but " : " and ");
  if (verdict === "not enough")
    return [{ text: `Not enough to say yet: ${needed} ${since}, so far, ${subject} ${both} than before.` }];
  if (snr === null || delivery === null || isOpen(snr) === isOpen(delivery))
    return [{ text: `${since} ${subject} ${both} than before.` }];
  const open = isOpen(snr)
    ? `whether ${isNode ? "it is heard" : "it hears"} stronger is open (${range(snr.low, snr.high)}${THIN}dB)`
    : `whether it loses fewer frames is open (${range(delivery.low * 100, delivery.high * 100)} points)`;
  return [{ text: `${since} ${subject} ${isOpen(snr) ? loss : level} than before; ${open}.` }];
}

const NEVER_SETTLED =
  "more frames of these nodes would not settle it; other nodes, at other places, would say more.";

/** What ended both times of a comparison about a mark. */
export type EffectLimit = "recorded before" | "recorded after" | "days" | "frames";

/** "about 400 more frames, half of them before the mark, so some 8 h more of recording, would settle it." */
export function effectNeeded(
  frames: number | null,
  waitMinutes: number | null,
  limit: EffectLimit,
  isLongest: boolean,
): string {
  if (frames === null) return NEVER_SETTLED;
  if (frames === 0) return "";
  const many = `about ${figure(roughly(frames))} more ${frames === 1 ? "frame" : "frames"}, half of them before the mark,`;
  if (waitMinutes !== null)
    return `${many} so some ${roughDuration(waitMinutes * 60)} more of recording, would settle it.`;
  switch (limit) {
    case "recorded before":
    case "recorded after":
      return `${many} would settle it, but so many were not recorded before the mark and no waiting adds to them: record longer before the next change.`;
    case "days":
      return isLongest
        ? `${many} would settle it: more than the longest comparison holds.`
        : `${many} would settle it: compare longer times before and after.`;
    case "frames":
      return `${many} would settle it: more than a comparison takes in; one gateway alone or a quieter site would say more.`;
  }
}

export interface PlaceWords {
  readonly a: string;
  readonly b: string;
  /** a minus b, dB: the difference found, what antennas and cables account for, and what is left. */
  readonly foundDb: number;
  readonly knownDb: number;
  readonly place: Pick<Estimate, "estimate" | "low" | "high">;
}

/** What the place alone contributes, said of the side that hears better. */
export function placeWords({ a, b, foundDb, knownDb, place }: PlaceWords): string {
  const sign = foundDb >= 0 ? 1 : -1;
  const better = sign === 1 ? a : b;
  const db = (value: number) => decibel(value);
  const alone = sign * place.estimate;
  const open = isOpen(place) ? "; that the place itself is better or worse is not shown" : "";
  return `Of the ${db(Math.abs(foundDb))} of ${better}, antennas and cables as entered make ${db(sign * knownDb)}; the place alone makes ${db(alone)} (${range(place.low, place.high, sign)})${open}.`;
}

/** "about 40 more frames, some 20 min, would settle it." */
export function neededWords(frames: number | null, minutes: number | null, paired: boolean): string {
  if (frames === null) return NEVER_SETTLED;
  if (frames === 0) return "";
  const many = figure(roughly(frames));
  const time = minutes === null ? "" : `, some ${roughDuration(minutes * 60)} of listening,`;
  const where = paired ? "" : " (half of them at each place)";
  return `about ${many} more ${frames === 1 ? "frame" : "frames"}${where}${time} would settle it.`;
}

/** Two digits are as much as such a figure holds. */
export function roughly(value: number): number {
  if (value < 10) return Math.ceil(value);
  const step = 10 ** (Math.floor(Math.log10(value)) - 1);
  return Math.ceil(value / step) * step;
}

export function methodWords(method: SnrMethod | "power unknown"): string {
  switch (method) {
    case "common frames":
      return "far above the floor: common frames as they are";
    case "floor allowed for":
      return "near the floor or the ceiling of the SNR: what they hide is allowed for";
    case "too strong":
      return "too strong: the SNR figure stops rising near +10\u202FdB";
    case "too few":
      return "too few frames that both sides heard";
    case "no snr":
      return "no SNR reported (not LoRa)";
    case "power unknown":
      return "the network may have changed its power in between";
  }
}

/** How a trial was found, for the fine print. */
export function methodSentences(paired: boolean): string[] {
  const shared = [
    `A frame near the demodulation floor is heard by luck: on the frames that were heard, a weak place looks better than it is. So what was missed takes part by its probability: a normal distribution cut off at the floor of its data rate (SX1276 data sheet, table 13; a knee of 1.3${THIN}dB), after Tobin 1958.`,
    `Readings above +7${THIN}dB count as "at least +7${THIN}dB", because the SNR that concentrators report stops rising near +10${THIN}dB (common practice, no source).`,
    "Frames that follow one another in time resemble each other. How much is found from the slow waves of all series (Whittle 1953), and the intervals are widened by it; a short trial keeps what is presumed of half an hour's fading.",
    "Nodes differ: each has its own difference, pooled by random effects (Paule and Mandel 1982), so that a thousand frames of one node do not pass for many nodes. Where they differ by more than chance, the interval rests on the number of nodes (Follmann and Proschan 1999): two or three nodes then say little of a fourth.",
    "Weather, or noise at one place, moves all nodes at once: how much is found from the sum of all nodes over time in the same way.",
    `Better means: the level or the delivery differs with 95 % confidence, allowing for two questions at once (Holm 1979). No difference means: both intervals lie within ${LIMITS.snrDb}${THIN}dB and ${LIMITS.delivery * 100} point.`,
    "How many frames are still needed: those with which four of five such trials would be settled, if what was found so far is the truth.",
    "The 95 % hold for one look. Who looks ten times at sides that are alike and stops at the first \u201cbetter\u201d is misled in up to 19 of 100 trials (Armitage, McPherson and Rowe 1969): settle beforehand how long to listen.",
  ];
  return paired ? [...PAIRED, ...shared] : [...SEQUENTIAL, ...shared];
}

const PAIRED = [
  "Paired: both sides could hear the same frames at once. The level is compared frame by frame (Hodges and Lehmann 1963 where neither floor nor ceiling has a say), delivery by who heard each counter (McNemar's test; score interval by Tango 1998).",
  "Frames that neither heard are counted from the counters. The first and the last counter of each node are left out: they are known only because somebody heard them.",
];
const SEQUENTIAL = [
  "Sequential: the two were not there at the same time, so what else changed in between is part of the answer. Nodes are compared with themselves, at the same times of day where both periods cover the day, and a daily course that both periods share is taken off. Blocks of time drawn anew (Politis and Romano 1992) check the width of the interval, and widen it where they contradict it.",
  "A data rate changes no SNR, and the floor of each frame's own rate is used; delivery is compared rate by rate. Where a node accepted a command that may have changed its power, only frames between two such commands are compared.",
];

/** What a change at a mark does not show. */
export const EFFECT_CAUTION =
  "A change since a mark does not prove that what was noted made it: whatever else changed at that time is in the same figure.";

export const TRIAL_CAUTION =
  "Work at height, lightning protection and mains earthing belong to qualified people, and local codes prevail. No figure here is worth a climb that is not safe.";
