/**
 * Did everything that the gateway hears fall together? Judged by the same rule as the event of the gateway
 * (gateway-events/level-step.ts), from the receptions of the scene.
 */

import type { SceneGateway, SceneReception } from "../../model/gap.ts";
import { groupBy } from "../../model/group-by.ts";
import { linkMarginDb } from "../../radio/margin.ts";
import { median, quantile } from "../../statistics/robust.ts";
import { decibel } from "../../words/format.ts";
import {
  type CommonStep,
  commonSteps,
  type LevelPoint,
  weakenedTimes,
} from "../gateway-events/level-step.ts";
import { clampWeight, type EvidencePiece, weigh } from "./evidence.ts";
import { known, type Sight, signalPowerDbm } from "./observations.ts";

/** What the prior of `combine` holds against it: the confidence of the step's own rule already weighs that. */
const PRIOR = 4;
/** It outweighs that prior and no more than any other evidence beyond it. */
const MAX_WEIGHT = 8;
/** Share of what is missing that must lie in the weaker time. Chosen. */
const MIN_SHARE = 0.6;
/** Margin left after the fall at which frames are lost, and at which a fade may take some, dB. Common practice for the first. */
const LOSING_MARGIN_DB = 3;
const FADING_MARGIN_DB = 6;
/** A fall below this is not looked for in a scene: the search costs more than it tells. dB. */
const MIN_FALL_DB = 2;
/** Frames of a sender at both ends of the scene that are compared first. Chosen. */
const END_FRAMES = 10;
const MIN_FRAMES = 6;

/** The evidence that the gateway weakened, or none. */
export function weakenedEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const points = scene.homes.map(({ id }) => pointsAt(scene.receptions, id));
  for (const [rank, home] of scene.homes.entries()) {
    const here = points[rank] ?? [];
    if (!mayHaveFallen(here)) continue;
    const elsewhere = points.filter((_, other) => other !== rank);
    const time = weakenedTimes(commonSteps(here, elsewhere)).weakened.findLast(
      ({ fall, mended }) =>
        fall.notBeforeUs < scene.gap.toUs && (mended === null || mended.notAfterUs > scene.gap.fromUs),
    );
    if (time === undefined) continue;
    const { fall, mended } = time;
    const inTime = (atUs: number) =>
      atUs >= fall.notBeforeUs && (mended === null || atUs <= mended.notAfterUs);
    const missed = sight.missedAtUs.length > 0 ? sight.missedAtUs : [scene.within.fromUs, scene.within.toUs];
    if (missed.filter(inTime).length < MIN_SHARE * missed.length) continue;
    const leftDb = marginLeftDb(here, scene.gap.lifeId, fall);
    const explains =
      leftDb === null ? 0.3 : leftDb < LOSING_MARGIN_DB ? 1 : leftDb < FADING_MARGIN_DB ? 0.5 : 0;
    if (explains === 0) continue;
    return [piece(sight, home, fall, explains * (rank === 0 ? 1 : 0.5), leftDb)];
  }
  return [];
}

function piece(
  { scene }: Sight,
  home: SceneGateway,
  fall: CommonStep,
  sure: number,
  leftDb: number | null,
): EvidencePiece {
  const odds = Math.log(fall.confidence / (1 - fall.confidence));
  const witness =
    fall.elsewhere === null
      ? " No other gateway hears enough of them to compare."
      : ` At another gateway ${fall.elsewhere.senders} of them changed by ${decibel(fall.elsewhere.changeDb)}.`;
  const left = leftDb === null ? "" : ` That leaves this node ${decibel(leftDb)} of margin.`;
  return {
    sentence: [
      "All that ",
      { gateway: home.eui },
      ` hears fell by ${decibel(-fall.changeDb)} (${decibel(-fall.highDb)} to ${decibel(-fall.lowDb)}) together: ${fall.senders} of ${fall.compared} nodes${fall.vanished === 0 ? "" : `; ${fall.vanished} more ${fall.vanished === 1 ? "is" : "are"} heard no longer`}.${witness}${left}`,
    ],
    lane: "margin",
    restsOn: { fromUs: scene.before.fromUs, toUs: scene.after.toUs, ofNode: false, gatewayEui: home.eui },
    weights: {
      ...weigh(-3 * sure, "interference", "congestion", "channel-mismatch", "gateway-transmitting"),
      ...weigh(-2 * sure, "node-silent", "node-restarted", "rejoin-loop", "shared-address"),
      ...weigh(-2 * sure, "gateway-unreachable", "gateway-restarted", "backhaul-loss", "gateway-deaf"),
      // The node's own fall is the same one: what speaks for a weak link speaks for the gateway.
      "weak-link": -8 * sure,
      "gateway-weakened": clampWeight(PRIOR + odds + 1, MAX_WEIGHT) * sure,
    },
  };
}

function pointsAt(receptions: readonly SceneReception[], gatewayId: number): LevelPoint[] {
  const points: LevelPoint[] = [];
  for (const one of receptions) {
    const { crcOk, lifeId, rssiDbm, snrDb, spreadingFactor, atUs } = one;
    if (one.gatewayId !== gatewayId || !crcOk || lifeId === null) continue;
    const powerDbm = signalPowerDbm(rssiDbm, snrDb);
    if (powerDbm === null) continue;
    const marginDb = spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor);
    points.push({ tUs: atUs, sender: lifeId, powerDbm, snrDb, marginDb });
  }
  return points;
}

/** Whether most senders are weaker at the end of the scene than at its begin, or were in between: a cheap look. */
function mayHaveFallen(points: readonly LevelPoint[]): boolean {
  const bySender = groupBy(points, ({ sender }) => sender);
  const falls = [...bySender.values()].flatMap((own) => {
    const powers = own.map(({ powerDbm }) => powerDbm);
    if (powers.length < 2 * MIN_FRAMES) return [];
    const size = Math.max(MIN_FRAMES, Math.min(END_FRAMES, Math.floor(powers.length / 4)));
    const first = median(powers.slice(0, size)) ?? 0;
    let lowest = Number.POSITIVE_INFINITY;
    for (let at = size; at + size <= powers.length; at += size)
      lowest = Math.min(lowest, median(powers.slice(at, at + size)) ?? first);
    return [first - Math.min(lowest, median(powers.slice(-size)) ?? first)];
  });
  return falls.length >= 2 && (median(falls) ?? 0) >= MIN_FALL_DB;
}

/** A tenth of the node's frames had less margin than this before the fall; less the fall, dB. */
function marginLeftDb(here: readonly LevelPoint[], lifeId: number, fall: CommonStep): number | null {
  const before = known(
    here
      .filter(({ sender, tUs }) => sender === lifeId && tUs <= fall.notBeforeUs)
      .map(({ marginDb }) => marginDb),
  );
  const low = quantile(before, 0.1);
  return low === null || before.length < MIN_FRAMES ? null : low + fall.changeDb;
}
