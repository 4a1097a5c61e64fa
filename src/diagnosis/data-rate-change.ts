/**
 * Which faster data rate would free how much airtime of a node, and what would its delivery be? Delivery by its margins
 * (link-delivery.ts: the same frames with 2.5 dB less a step), times what the traffic heard would spoil of frames at the
 * new data rate, over what it spoils at the one used now (src/radio/capacity/exposure.ts).
 */
import type { CodingRate } from "../model/modulation.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { CAPTURE_RULES, type HeardSignal, type Traffic } from "../radio/capacity/exposure.ts";
import { deliveryUnder, type Outcome } from "./link-delivery.ts";

/** SNR floors of neighbouring spreading factors are 2.5 dB apart. SX1276 data sheet, Table 13. */
const STEP_DB = 2.5;
const FASTEST = 7;
const BANDWIDTH_HZ = 125_000;
/** Frames that are compared with the traffic. Chosen. */
const MAX_COMPARED = 25;
/** As in link-delivery.ts: with more repeats, counters do not tell what one transmission achieves. */
const MAX_REPEATS = 1.1;
/** So much of what was heard must have had the newest data rate. Chosen. */
const MIN_ONE_RATE = 0.9;

export interface ChangingFrame extends HeardSignal {
  readonly size: number;
  readonly codingRate: CodingRate | null;
}

export interface ChangingNode {
  /** Heard, in order of time. */
  readonly frames: readonly ChangingFrame[];
  /** A counter each: best margin at any gateway, dB; null: missed. */
  readonly outcomes: readonly Outcome[];
  /** Transmissions a counter. */
  readonly repeats: number;
  /** Transmissions sent, heard or not. */
  readonly framesADay: number;
}

export interface DataRateChange {
  readonly fromSpreadingFactor: number;
  readonly toSpreadingFactor: number;
  readonly airtimeMs: number;
  readonly airtimeMsThen: number;
  readonly freedSecondsADay: number;
  /** Share of counters delivered, as it was. */
  readonly delivery: number;
  /** Low end of its 95 % interval. */
  readonly deliveryLow: number;
  /** As it would be. */
  readonly wouldBe: number;
  readonly interval95: readonly [number, number];
}

export type NoChange =
  | "not LoRa at 125 kHz"
  | "fastest already"
  | "changes itself"
  | "repeats"
  | "few frames";

/** One answer a step faster, or why there is none. `traffic`: of everybody; the node's own, known by `sender`, is left out. */
export function dataRateChanges(
  node: ChangingNode,
  traffic: Traffic,
  sender?: object,
): readonly DataRateChange[] | NoChange {
  const newest = node.frames.at(-1);
  if (newest === undefined) return "few frames";
  const { spreadingFactor, bandwidthHz } = newest;
  if (bandwidthHz !== BANDWIDTH_HZ) return "not LoRa at 125 kHz";
  if (spreadingFactor <= FASTEST) return "fastest already";
  const frames = node.frames.filter(
    (frame) => frame.spreadingFactor === spreadingFactor && frame.bandwidthHz === bandwidthHz,
  );
  if (frames.length < MIN_ONE_RATE * node.frames.length) return "changes itself";
  if (node.repeats > MAX_REPEATS) return "repeats";
  const now = deliveryUnder(node.outcomes, 0);
  const { ratio: delivery } = now;
  if (delivery === null) return "few frames";
  const airtimeMs = meanMs(frames, spreadingFactor);
  const stride = Math.max(1, Math.ceil(frames.length / MAX_COMPARED));
  const compared = frames.filter((_, i) => i % stride === 0);
  const steps: {
    readonly to: number;
    readonly by: { readonly ratio: number; readonly interval95: readonly [number, number] };
  }[] = [];
  for (let to = spreadingFactor - 1; to >= FASTEST; to--) {
    const { ratio, interval95 } = deliveryUnder(node.outcomes, -STEP_DB * (spreadingFactor - to));
    if (ratio === null || interval95 === null) break;
    steps.push({ to, by: { ratio, interval95 } });
  }
  const kept = keptAmong(
    compared,
    steps.map(({ to }) => to),
    traffic,
    sender,
  );
  return steps.map(({ to, by }, i) => {
    const { theory = 1, least = 1, most = 1 } = kept[i] ?? {};
    const airtimeMsThen = meanMs(frames, to);
    const wouldBe = Math.min(1, by.ratio * theory);
    return {
      fromSpreadingFactor: spreadingFactor,
      toSpreadingFactor: to,
      airtimeMs,
      airtimeMsThen,
      freedSecondsADay: (node.framesADay * (airtimeMs - airtimeMsThen)) / 1000,
      delivery,
      deliveryLow: now.interval95?.[0] ?? 0,
      wouldBe,
      interval95: [
        Math.max(0, Math.min(wouldBe, by.interval95[0] * least)),
        Math.min(1, Math.max(wouldBe, by.interval95[1] * most)),
      ],
    };
  });
}

/** What a change may take at worst from what is sure today: few frames alone forbid no change. Chosen. */
const MAX_COST = 0.01;

/** Whether a node at the new data rate keeps a share of delivery. */
export function keepsShare({ wouldBe, interval95, deliveryLow }: DataRateChange, share: number): boolean {
  return wouldBe >= share && interval95[0] >= Math.min(share, deliveryLow - MAX_COST);
}

function meanMs(frames: readonly ChangingFrame[], spreadingFactor: number): number {
  return frames.reduce((sum, frame) => sum + airtimeUsAt(frame, spreadingFactor), 0) / frames.length / 1000;
}

function airtimeUsAt({ codingRate, size, bandwidthHz }: ChangingFrame, spreadingFactor: number): number {
  return airtimeOfReception({ kind: "lora", spreadingFactor, bandwidthHz, codingRate }, size, "ok");
}

interface Kept {
  readonly theory: number;
  readonly least: number;
  readonly most: number;
}

/** What collisions leave at each new data rate over what they leave now: mean of the frames, by each rule of capture. */
function keptAmong(
  frames: readonly ChangingFrame[],
  to: readonly number[],
  traffic: Traffic,
  sender?: object,
): Kept[] {
  const means = to.map(() => ({ least: 0, theory: 0, most: 0 }));
  for (const frame of frames) {
    const ways = to.map((spreadingFactor) => ({
      spreadingFactor,
      airtimeUs: airtimeUsAt(frame, spreadingFactor),
    }));
    const [now, ...then] = traffic.exposuresOf(frame, [frame, ...ways], sender);
    for (const [i, mean] of means.entries())
      for (const rule of CAPTURE_RULES)
        mean[rule] += Math.exp((now?.[rule] ?? 0) - (then[i]?.[rule] ?? 0)) / frames.length;
  }
  return means.map((mean) => {
    const all = Object.values(mean);
    return { theory: mean.theory, least: Math.min(...all), most: Math.max(...all) };
  });
}
