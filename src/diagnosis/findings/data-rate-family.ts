/**
 * Did the node change to a faster data rate with the gap? The network asks for it (LinkADRReq), and every step from one
 * spreading factor to the next takes some 2.5 dB of reach: what was enough before may not be now.
 */
import { demodulationFloorDb } from "../../radio/demodulation-floor.ts";
import { median } from "../../statistics/robust.ts";
import { decibel } from "../standing.ts";
import type { EvidencePiece } from "./evidence.ts";
import { known, type OwnFrame, type Sight } from "./sight.ts";

/** Frames from which the usual spreading factor of a stretch is known. */
const LEAST_FRAMES = 4;
/** A median margin that leaves no room for fading, dB. Common practice, no source: 5 dB is asked of a sound link. */
const LITTLE_MARGIN_DB = 5;

export function dataRateEvidence(sight: Sight): EvidencePiece[] {
  const { scene, ownBefore, ownWithin, ownAfter } = sight;
  if (scene.gap.kind === "silence") return [];
  const now = ownWithin.length >= LEAST_FRAMES ? ownWithin : [...ownWithin, ...ownAfter.slice(0, 6)];
  const then = usualFactor(ownBefore);
  const since = usualFactor(now);
  if (then === null || since === null || since >= then) return [];
  const floors = [demodulationFloorDb(since), demodulationFloorDb(then)];
  const [sinceDb, thenDb] = floors;
  if (sinceDb === null || sinceDb === undefined || thenDb === null || thenDb === undefined) return [];
  const margin = median(known(now.map(({ marginDb }) => marginDb)));
  if (margin === null) return [];
  const isLittle = margin < LITTLE_MARGIN_DB;
  return [
    {
      sentence: `It sends at SF${since} since, at SF${then} before: that takes ${decibel(sinceDb - thenDb)} of its margin and leaves ${decibel(margin)}.`,
      lane: "margin",
      restsOn: { fromUs: scene.before.fromUs, toUs: scene.after.toUs, ofNode: true, gatewayEui: null },
      weights: { "weak-link": isLittle ? 1.5 : -0.3 },
    },
  ];
}

/** The spreading factor of most of the frames; null where there are too few, or none has most. */
function usualFactor(frames: readonly OwnFrame[]): number | null {
  const factors = known(frames.map(({ spreadingFactor }) => spreadingFactor));
  if (factors.length < LEAST_FRAMES) return null;
  const middle = median(factors) ?? 0;
  return factors.filter((factor) => factor === middle).length > factors.length / 2 ? middle : null;
}
