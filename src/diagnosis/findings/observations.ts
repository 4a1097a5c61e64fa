/**
 * How do the receptions around a gap look, put in order? The node's own frames before, within and after it, its missed
 * counters with the times at which its rhythm puts them, and what its neighbours did meanwhile.
 */
import type { Scene, SceneReception } from "../../model/gap.ts";
import {
  contains,
  dueTimes,
  intersect,
  isIn,
  type TimeRange,
  unite,
  widened,
} from "../../model/time-range.ts";
import { linkMarginDb } from "../../radio/margin.ts";
import { channelNoiseDbm } from "../../radio/noise.ts";
import { binomialCdf, wilsonInterval } from "../../statistics/proportions.ts";

/** A frame of the node as its best home gateway heard it. */
export interface OwnFrame
  extends Pick<
    SceneReception,
    "atUs" | "frequencyHz" | "spreadingFactor" | "dataRate" | "snrDb" | "airtimeUs"
  > {
  readonly counter: number;
  readonly marginDb: number | null;
  /** Signal power without the noise's share. */
  readonly powerDbm: number | null;
}

export interface Neighbour {
  readonly lifeId: number;
  readonly devAddr: number;
  /** First hearing of each counter, by time. */
  readonly frames: readonly OwnFrame[];
}

export interface Sight {
  readonly scene: Scene;
  /** First hearings, by time, from before to after. */
  readonly own: readonly OwnFrame[];
  readonly ownBefore: readonly OwnFrame[];
  readonly ownWithin: readonly OwnFrame[];
  readonly ownAfter: readonly OwnFrame[];
  /** Where the rhythm dates the missed counters of `within`. */
  readonly missedAtUs: readonly number[];
  /** Counters missed and heard in the part of the gap that is looked at. */
  readonly missed: number;
  readonly heard: number;
  readonly lossWithin: number;
  /**
   * What its share of loss may have been (95 %). A gap is drawn around its misses: the lower limit is the loss at which
   * so many in so few are met once in 40 times among all counters looked at.
   */
  readonly lossRange: { readonly low: number; readonly high: number };
  /** As its best home gateway heard them: what another gateway caught hides that gateway's trouble. */
  readonly neighbours: readonly Neighbour[];
}

export const MAX_MISSED_TIMES = 5_000;

export function sightOf(scene: Scene): Sight {
  const { gap, within, before, after } = scene;
  const byLife = new Map<number, Map<number, OwnFrame>>();
  const addresses = new Map<number, number>();
  const [home] = scene.homes;
  for (const reception of scene.receptions) {
    const { lifeId, counter, crcOk, devAddr } = reception;
    if (!crcOk || lifeId === null || counter === null || devAddr === null) continue;
    // Another life of its address is the node itself, before or after a restart: no witness of what it lost.
    if (lifeId !== gap.lifeId && (devAddr === gap.devAddr || reception.gatewayId !== home?.id)) continue;
    let frames = byLife.get(lifeId);
    if (frames === undefined) {
      frames = new Map();
      byLife.set(lifeId, frames);
      addresses.set(lifeId, devAddr);
    }
    const known = frames.get(counter);
    if (known === undefined) frames.set(counter, frameOf(reception, counter));
    else if (!reception.repeat && (reception.snrDb ?? -99) > (known.snrDb ?? -99)) {
      frames.set(counter, { ...frameOf(reception, counter), atUs: known.atUs });
    }
  }
  const inOrder = (frames: Map<number, OwnFrame> | undefined) =>
    [...(frames?.values() ?? [])].sort((a, b) => a.atUs - b.atUs);
  const own = inOrder(byLife.get(gap.lifeId));
  const ownWithin = own.filter(({ atUs }) => atUs > within.fromUs && atUs < within.toUs);
  const missedAtUs = ownMissedTimes(own, scene);
  const missed = scene.within.toUs < gap.toUs ? missedAtUs.length : gap.missed;
  return {
    scene,
    own,
    ownBefore: own.filter(({ atUs }) => isIn(before, atUs) || atUs === gap.fromUs),
    ownWithin,
    ownAfter: own.filter(({ atUs }) => isIn(after, atUs)),
    missedAtUs,
    missed,
    heard: ownWithin.length,
    lossWithin: missed + ownWithin.length === 0 ? 0 : missed / (missed + ownWithin.length),
    lossRange: lossRangeOf(missed, ownWithin.length, own),
    neighbours: [...byLife.keys()]
      .filter((lifeId) => lifeId !== gap.lifeId)
      .map((lifeId) => ({
        lifeId,
        devAddr: addresses.get(lifeId) ?? 0,
        frames: inOrder(byLife.get(lifeId)),
      })),
  };
}

/** Once in 40 times: the lower half of what 95 % leaves. */
const MAX_LOW_CHANCE = 0.025;

function lossRangeOf(missed: number, heard: number, own: readonly OwnFrame[]): Sight["lossRange"] {
  const counters = missed + heard;
  const { high } = wilsonInterval(missed, counters);
  const [first, last] = [own[0], own.at(-1)];
  const lookedAt = first === undefined || last === undefined ? 0 : last.counter - first.counter + 1;
  // From 0 to the share that was lost, by halving: the larger the loss, the more such stretches.
  let [low, above] = [0, missed / Math.max(1, counters)];
  for (let round = 0; round < 20; round++) {
    const loss = (low + above) / 2;
    if (stretchesAt(loss, missed, { counters, lookedAt }) > MAX_LOW_CHANCE) above = loss;
    else low = loss;
  }
  return { low, high };
}

/**
 * How many stretches of so many counters with so many misses and more are to be expected at a loss (Poisson clumping,
 * Aldous 1989: one begins at a counter with about the chance of the tail, times what its share exceeds the loss by).
 */
function stretchesAt(
  loss: number,
  missed: number,
  { counters, lookedAt }: { readonly counters: number; readonly lookedAt: number },
): number {
  const tail = 1 - binomialCdf(missed - 1, counters, loss);
  return tail * (1 + Math.max(0, lookedAt - counters) * (missed / Math.max(1, counters) - loss));
}

/** The values that are known. */
export function known<T>(values: readonly (T | null)[]): T[] {
  return values.filter((value): value is T => value !== null);
}

function frameOf(reception: SceneReception, counter: number): OwnFrame {
  const { atUs, frequencyHz, spreadingFactor, dataRate, snrDb, rssiDbm, airtimeUs } = reception;
  return {
    atUs,
    counter,
    frequencyHz,
    spreadingFactor,
    dataRate,
    snrDb,
    marginDb: spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor),
    powerDbm: signalPowerDbm(rssiDbm, snrDb),
    airtimeUs,
  };
}

/** Signal power without the noise's share, dBm; the channel's power where the SNR is unknown. */
export function signalPowerDbm(rssiDbm: number | null, snrDb: number | null): number | null {
  return rssiDbm === null || snrDb === null ? rssiDbm : channelNoiseDbm(rssiDbm, snrDb) + snrDb;
}

/** Logarithm of the loss over what something predicts, 0 where the prediction lies within what the loss may have been. */
export function lossOver({ lossRange: { low, high } }: Sight, predicted: number): number {
  const share = Math.max(predicted, 1e-4);
  return share < low ? Math.log(low / share) : share > high ? Math.log(high / share) : 0;
}

/** Missed counters are spread evenly between the frames around them. */
function ownMissedTimes(own: readonly OwnFrame[], { gap, within, homes }: Scene): number[] {
  const times: number[] = [];
  const [home, ...others] = homes.map(({ notRecorded }) => notRecorded);
  const notRecorded = others.reduce<readonly TimeRange[]>(intersect, home ?? []);
  const last = own.filter(({ atUs }) => atUs >= gap.fromUs && atUs <= gap.toUs);
  for (let i = 1; i < last.length && times.length < MAX_MISSED_TIMES; i++) {
    const one = last[i - 1];
    const next = last[i];
    if (one === undefined || next === undefined || next.counter <= one.counter + 1) continue;
    const run = { fromUs: one.atUs, toUs: next.atUs, missed: next.counter - one.counter - 1 };
    // What may have been sent while nothing was recorded is not missed.
    const unknown = unite(widened(notRecorded, run, true));
    for (const atUs of dueTimes(run)) {
      if (times.length >= MAX_MISSED_TIMES) break;
      if (atUs <= within.toUs && !contains(unknown, atUs)) times.push(atUs);
    }
  }
  return times;
}

// What did the others lose meanwhile? Counters of a node's neighbours at its best gateway, counted so that neither an
// outage of that gateway nor one neighbour's own trouble passes for a loss that all share.

/** Frames of a neighbour from which it is believed. */
export const MIN_FRAMES = 3;
