/**
 * Did something else fill the air? The noise that weak frames betray rose, on some channels or on all; frames of all
 * nodes lost SNR at the same strength; a channel's share of what is heard fell for everyone; more frames came broken.
 */

import type { SceneReception } from "../../model/gap.ts";
import { groupBy } from "../../model/group-by.ts";
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { channelNoiseDbm, NOISE_SNR_MOST_DB } from "../../radio/noise.ts";
import { rankSum } from "../../statistics/rank-tests.ts";
import { median, quantile } from "../../statistics/robust.ts";
import { decibel, figure, percentInWords } from "../../words/format.ts";
import { proportionIn } from "./company.ts";
import { clampWeight, type EvidencePiece, onGap, type Piece } from "./evidence.ts";
import { known, type OwnFrame, type Sight } from "./observations.ts";

/** A rise of the noise that counts, and one that is severe, dB. Derived; common practice for the second. */
const RISE_DB = 3;
const SEVERE_DB = 6;
const MAX_P = 0.001;
const MIN_SAMPLES = 5;
/** Samples within the gap that tell a rise, where chance seldom makes it: of strong nodes few frames come through. */
const MIN_RISEN = 3;
/** Share of broken packets below which a rise means nothing. Chosen. */
const MIN_BROKEN = 0.02;
/** Rank sums compare every rank: more values add cost and no sureness. */
const MAX_SAMPLES = 300;

export function noiseEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const [home] = scene.homes;
  if (home === undefined) return [];
  const receptions = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const rise = riseBeside(receptions, scene);
  // Noise that takes all of them is no concern of a node that is silent alone.
  if (scene.gap.kind === "silence")
    return rise?.isRisen === true && areOthersLost(sight) ? onGap(scene, [risePiece(rise, false)]) : [];
  const pieces: Piece[] = [];
  const crowd = crowdIn(receptions, rise?.than === "after" ? scene.after : scene.before, scene.within);
  if (rise !== null && (rise.isRisen || rise.riseDb < RISE_DB))
    pieces.push(eased(risePiece(rise, isStrong(sight)), crowd));
  const fall = snrFall(sight);
  if (fall !== null) pieces.push(eased(fall, crowd));
  const broken = brokenPiece(sight, receptions);
  if (broken !== null) pieces.push(broken);
  return onGap(scene, pieces);
}

/** Share of the time that a channel is in use by frames heard, from which overlapping frames pass for noise. Chosen. */
const BUSY = 0.08;
/** Most that noise says for interference while the channels are full of frames. */
const MAX_IN_A_CROWD = 0.75;

/** Whether the channels became full of frames: what overlaps with a frame raises the power that is reported with it. */
function crowdIn(receptions: readonly SceneReception[], beside: TimeRange, within: TimeRange): boolean {
  const busy = (stretch: TimeRange) => {
    const inside = receptions.filter(({ atUs }) => isIn(stretch, atUs));
    const channels = new Set(inside.map(({ frequencyHz }) => frequencyHz)).size;
    const airtimeUs = inside.reduce((sum, one) => sum + one.airtimeUs, 0);
    return airtimeUs / Math.max(1, channels * lengthUs(stretch));
  };
  const now = busy(within);
  return now > BUSY && now > 2 * busy(beside);
}

function eased(piece: Piece, crowd: boolean): Piece {
  const { interference = 0 } = piece.weights;
  return crowd && interference > MAX_IN_A_CROWD
    ? { ...piece, weights: { ...piece.weights, interference: MAX_IN_A_CROWD, congestion: 0 } }
    : piece;
}

/** Against before; noise that was there before anybody listened is known by what came when the gap was over. */
function riseBeside(
  receptions: readonly SceneReception[],
  { before, within, after, gap }: Sight["scene"],
): Rise | null {
  const rise = noiseRise(receptions, before, within);
  if (gap.open || rise?.isRisen === true) return rise;
  const later = noiseRise(receptions, after, within);
  if (later?.isRisen === true) return { ...later, than: "after" };
  // A short gap holds too few frames of one channel.
  const { fromUs, toUs } = wider(within, gap.rhythmUs);
  const early = { fromUs: before.fromUs, toUs: Math.min(before.toUs, fromUs) };
  const around = noiseRise(receptions, early, { fromUs: Math.max(fromUs, before.fromUs), toUs });
  return around?.isRisen === true ? { ...around, isAround: true } : rise;
}

/** A gap and as much around it as it is long, or some rhythms. Chosen: noise that lasts is there as well. */
function wider({ fromUs, toUs }: TimeRange, rhythmUs: number | null): TimeRange {
  const moreUs = Math.max((toUs - fromUs) / 2, MIN_WIDER_RHYTHMS * (rhythmUs ?? 0));
  return { fromUs: fromUs - moreUs, toUs: toUs + moreUs };
}
const MIN_WIDER_RHYTHMS = 4;

interface Rise {
  /** In the gap and in the time around it together. */
  readonly isAround?: boolean;
  readonly than: "before" | "after";
  readonly riseDb: number;
  readonly channels: number;
  readonly channelsCompared: number;
  readonly samples: number;
  readonly isRisen: boolean;
  /** Every channel whose noise was measured before is measured now, in about the same proportion. */
  readonly complete: boolean;
}

/** The largest rise of a channel's noise within the gap against before; null: nothing to compare. */
function noiseRise(receptions: readonly SceneReception[], before: TimeRange, within: TimeRange): Rise | null {
  const then = samplesByChannel(receptions, before);
  const now = samplesByChannel(receptions, within);
  let rises: Compared[] = [];
  for (const [channel, values] of now) {
    const earlier = then.get(channel) ?? [];
    if (values.length < MIN_SAMPLES || earlier.length < MIN_SAMPLES) continue;
    rises.push(compare(earlier, values));
  }
  const all = rises.some(isRisen) ? null : riseOfAll(then, now);
  if (all !== null && (rises.length === 0 || isRisen(all))) rises = [all];
  const risen = rises.filter(isRisen);
  const measured = risen.length > 0 ? risen : rises.filter(({ samples }) => samples >= MIN_SAMPLES);
  if (measured.length === 0) return null;
  const most = measured.reduce((a, b) => (b.riseDb > a.riseDb ? b : a));
  return {
    than: "before",
    riseDb: most.riseDb,
    channels: risen.length,
    channelsCompared: rises.length,
    samples: rises.reduce((sum, { samples }) => sum + samples, 0),
    isRisen: risen.length > 0,
    // Strong interference removes the very frames that would show it.
    complete: [...then].every(
      ([channel, values]) =>
        values.length < MIN_SAMPLES ||
        (now.get(channel)?.length ?? 0) / countOf(now) > 0.6 * (values.length / countOf(then)),
    ),
  };
}

const isRisen = ({ riseDb, p }: Compared) => riseDb >= RISE_DB && p < MAX_P;

/** Of channels that have too few samples each: all of them together, each against what its channel was like before. */
function riseOfAll(
  then: ReadonlyMap<number, readonly number[]>,
  now: ReadonlyMap<number, readonly number[]>,
): Compared | null {
  const usual = median([...then.values()].flat());
  if (usual === null || countOf(then) < MIN_SAMPLES || countOf(now) < MIN_RISEN) return null;
  const above = (samples: ReadonlyMap<number, readonly number[]>) =>
    [...samples].flatMap(([channel, values]) => {
      const reference = median(then.get(channel) ?? []) ?? usual;
      return values.map((value) => value - reference);
    });
  return compare(above(then), above(now));
}

function countOf(samples: ReadonlyMap<number, readonly number[]>): number {
  return [...samples.values()].reduce((sum, { length }) => sum + length, 0);
}

interface Compared {
  readonly riseDb: number;
  readonly samples: number;
  /** That chance makes such a rise. */
  readonly p: number;
}

function compare(earlier: readonly number[], values: readonly number[]): Compared {
  const test = rankSum(values.slice(0, MAX_SAMPLES), earlier.slice(-MAX_SAMPLES), {
    alternative: "greater",
    exact: false,
  });
  return {
    riseDb: (median(values) ?? 0) - (median(earlier) ?? 0),
    samples: values.length,
    p: Math.min(test.p ?? 1, chanceAbove(earlier, values)),
  };
}

/**
 * How likely as many of the new values as lie above every earlier one would do so by chance (exceedances, all orders as
 * likely): what began within the gap leaves its first values as they were, and ranks then tell little of a few.
 */
function chanceAbove(earlier: readonly number[], values: readonly number[]): number {
  const most = Math.max(...earlier);
  const above = values.filter((value) => value > most).length;
  const all = earlier.length + values.length;
  return Array.from({ length: above }, (_, i) => (values.length - i) / (all - i)).reduce((a, b) => a * b, 1);
}

/** Whether next to nothing came of the others meanwhile. */
function areOthersLost(sight: Sight): boolean {
  const { expected, heard } = proportionIn(sight, sight.scene.within);
  return expected >= MIN_SAMPLES && heard <= 0.3 * expected;
}

function samplesByChannel(receptions: readonly SceneReception[], stretch: TimeRange): Map<number, number[]> {
  const byChannel = new Map<number, number[]>();
  for (const { atUs, crcOk, snrDb, rssiDbm, frequencyHz } of receptions) {
    if (!crcOk || snrDb === null || rssiDbm === null || frequencyHz === null) continue;
    if (snrDb > NOISE_SNR_MOST_DB || !isIn(stretch, atUs)) continue;
    const values = byChannel.get(frequencyHz);
    const noise = channelNoiseDbm(rssiDbm, snrDb);
    if (values === undefined) byChannel.set(frequencyHz, [noise]);
    else values.push(noise);
  }
  return byChannel;
}

/** What a rise says that reaches over the gap, and is not seen in it alone. Chosen. */
const AROUND = 3;

/** A margin that no steady rise of the noise takes without being seen, dB. Chosen. */
const STRONG_MARGIN_DB = 8;

/** Whether the frames heard within the gap came with margin to spare. */
function isStrong({ ownWithin, ownBefore }: Sight): boolean {
  const margins = known([...ownBefore.slice(-10), ...ownWithin].map(({ marginDb }) => marginDb));
  return (quantile(margins, 0.1) ?? 0) > STRONG_MARGIN_DB;
}

function risePiece(rise: Rise, strong: boolean): Piece {
  const where = rise.channelsCompared > 1 ? ` on ${rise.channels} of ${rise.channelsCompared} channels` : "";
  if (rise.isRisen) {
    return {
      sentence: `The noise ${rise.isAround === true ? "around the gap " : ""}${rise.than === "before" ? "rose by up to" : "was up to"} ${decibel(rise.riseDb)} ${rise.than === "before" ? "against before" : "higher than after"}${where} (${figure(rise.samples)} weak frames tell it).`,
      lane: "noise",
      weights: {
        interference: rise.isAround === true ? AROUND : rise.riseDb >= SEVERE_DB ? 5 : 3.5,
        "weak-link": rise.isAround === true ? -1 : -2.5,
        "channel-mismatch": -2,
        congestion: -0.5,
        "gateway-transmitting": -1,
      },
    };
  }
  return {
    sentence: `The noise stayed as it was (${decibel(rise.riseDb)} at most, ${figure(rise.samples)} weak frames tell it).`,
    lane: "noise",
    // What takes strong frames comes and goes, and lets through only what tells of its absence.
    weights: {
      interference: !rise.complete || strong ? -0.3 : rise.riseDb < 1.5 && rise.samples >= 20 ? -1.5 : -0.7,
    },
  };
}

/**
 * SNR of all nodes fell while their strength stayed: only the noise can have done that. Each frame is compared with what
 * its own channel was like before, so that a few frames on a channel that always was noisy tell of no rise.
 */
function snrFall(sight: Sight): Piece | null {
  const { before, within } = sight.scene;
  const all = [...sight.neighbours.map(({ frames }) => frames), sight.own];
  const usual = noiseByChannel(all.flat().filter(({ atUs }) => isIn(before, atUs)));
  const falls: number[] = [];
  for (const frames of all) {
    const rises = (stretch: TimeRange) =>
      frames.flatMap((frame) => {
        const noise = isIn(stretch, frame.atUs) ? noiseOf(frame) : null;
        const reference = usual.get(frame.frequencyHz ?? 0);
        return noise === null || reference === undefined ? [] : [noise - reference];
      });
    const [then, now] = [rises(before), rises(within)];
    if (then.length < 4 || now.length < 4) continue;
    falls.push((median(now) ?? 0) - (median(then) ?? 0));
  }
  if (falls.length < 3) return null;
  const typical = median(falls) ?? 0;
  const falling = falls.filter((fall) => fall > 1).length / falls.length;
  if (typical < 2 || falling < 0.6) return null;
  return {
    sentence: `${Math.round(falling * falls.length)} of ${falls.length} nodes lost SNR at unchanged strength, ${decibel(typical)} in the middle.`,
    lane: "noise",
    weights: {
      interference: clampWeight(1 + typical / 2, 4),
      "weak-link": -2,
      "channel-mismatch": -1.5,
      congestion: -0.5,
    },
  };
}

function noiseOf({ powerDbm, snrDb }: OwnFrame): number | null {
  return powerDbm === null || snrDb === null ? null : powerDbm - snrDb;
}

/** The median of what frames tell of the noise on each channel, dBm. */
function noiseByChannel(frames: readonly OwnFrame[]): Map<number, number> {
  const readings = frames.flatMap((frame) => {
    const noiseDbm = noiseOf(frame);
    return noiseDbm === null || frame.frequencyHz === null ? [] : [{ channel: frame.frequencyHz, noiseDbm }];
  });
  const byChannel = groupBy(readings, ({ channel }) => channel);
  return new Map(
    [...byChannel].map(([channel, some]) => [channel, median(some.map(({ noiseDbm }) => noiseDbm)) ?? 0]),
  );
}

/** Frames that came broken, by the gateway's own counts or as forwarded; against before. */
function brokenPiece({ scene, lossWithin }: Sight, receptions: readonly SceneReception[]): Piece | null {
  const now = brokenIn(scene.homes[0]?.reports ?? [], receptions, scene.within);
  const then = brokenIn(scene.homes[0]?.reports ?? [], receptions, scene.before);
  if (now === null || now.all < 20) return null;
  const share = now.bad / now.all;
  const shareThen = then === null || then.all < 20 ? null : then.bad / then.all;
  const figures = `${percentInWords(share)} of ${figure(now.all)} packets came broken${shareThen === null ? "" : `, ${percentInWords(shareThen)} before`}`;
  // Twice the baseline is common practice; a handful of packets may double by chance.
  const excess = now.bad - 2 * (shareThen ?? 0.02) * now.all;
  if (share > Math.max(MIN_BROKEN, 2 * (shareThen ?? 0.05)) && excess > 3 * Math.sqrt(now.bad) * 0.5) {
    return {
      sentence: `More packets arrived broken: ${figures}.`,
      lane: "load",
      weights: { interference: 1, congestion: 1.5, "weak-link": 0, "channel-mismatch": -1 },
    };
  }
  if (shareThen !== null && share < 0.1 * lossWithin && now.all >= 100) {
    return {
      sentence: `No more packets arrived broken than before: ${figures}.`,
      lane: "load",
      weights: { congestion: -0.5 },
    };
  }
  return null;
}

function brokenIn(
  reports: Sight["scene"]["homes"][number]["reports"],
  receptions: readonly SceneReception[],
  stretch: TimeRange,
): { bad: number; all: number } | null {
  if (lengthUs(stretch) === 0) return null;
  const counted = reports.filter(
    ({ atUs, received, crcOk }) => isIn(stretch, atUs) && received !== null && crcOk !== null,
  );
  if (counted.length >= 3) {
    const all = counted.reduce((sum, { received }) => sum + (received ?? 0), 0);
    const ok = counted.reduce((sum, { crcOk }) => sum + (crcOk ?? 0), 0);
    return { bad: Math.max(0, all - ok), all };
  }
  const heard = receptions.filter(({ atUs }) => isIn(stretch, atUs));
  const bad = heard.filter(({ crcOk }) => !crcOk).length;
  return { bad, all: heard.length };
}
