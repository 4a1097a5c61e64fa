/**
 * How well does the receiver of one gateway demodulate? Its trials are read from the frames of a window, what it could
 * not have heard is left out, and the measure (src/diagnosis/receiver) judges.
 */

import type { ReceiverView } from "../contract/bench.ts";
import {
  channelShiftsDb,
  measureNoise,
  type NoiseFrame,
  noiseDifference,
} from "../diagnosis/receiver/noise.ts";
import {
  basisText,
  factorSentence,
  noiseDifferenceSentence,
  noiseSentence,
  RECEIVER_LIMITS,
  receiverSentence,
  referenceSentence,
} from "../diagnosis/receiver/sentences.ts";
import {
  type FactorMeasure,
  measureReceiver,
  type Offset,
  type ReceiverMeasure,
} from "../diagnosis/receiver/threshold.ts";
import type { ReceiverSeries, ReceiverTrial } from "../diagnosis/receiver/trials.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { contains, dueBetween, subtract, type TimeRange, unite } from "../model/time-range.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { gatewayTransmissions } from "../store/queries/downlinks.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { allLives, labels } from "../store/queries/lives.ts";
import { type Hearing, newestFrames, type TrialFrame, trialFrames } from "../store/queries/trial-frames.ts";
import { reachOf } from "./reachability.ts";
import { referenceSet } from "./trials/trials.ts";
import { type AskedWindow, knownEndUs, knownUntilUs, windowView } from "./window.ts";

/** Frames of one answer, the newest: about a tenth of a second of reading. */
const MAX_FRAMES = 20_000;
/** More counters missed in a row are a silence of the node. Chosen. */
const MAX_MISSED_RUNNING = 50;
/** A node that sends each counter several times tells nothing by what is missing. Chosen: beyond a stray repeat. */
const MAX_REPEATED = 0.05;
/** A frame that ends so long after the gateway transmitted may have begun meanwhile (SF12 lasts up to 3 s). */
const AFTER_TRANSMISSION_US = 3_000_000;
/** A channel that others heard so often and this gateway never is none that it listens to. Chosen. */
const NOT_LISTENED_AFTER = 20;

/** Other gateways whose noise is compared, those that heard most. */
const MAX_OTHERS = 4;

/** null: no gateway of that identifier was ever heard. `referenceEui`: measured beside it, as the one set for the bench. */
export function receiverView(
  store: Store,
  window: AskedWindow,
  eui: string,
  referenceEui = referenceSet(store)?.eui ?? null,
): ReceiverView | null {
  const gateways = allGateways(store, knownUntilUs(window));
  const gateway = gateways.find((one) => one.eui === eui);
  if (gateway === undefined) return null;
  const endUs = knownEndUs(store, window);
  const fromUs = newestFrames(store, { fromUs: window.fromUs, toUs: endUs }, MAX_FRAMES);
  const range = { fromUs, toUs: Math.max(endUs, fromUs + 1) };
  const frames = trialFrames(store, range);
  const names = labels(store, "gateway");
  const nameOf = (one: string) => names.get(one)?.name ?? null;
  const calledOf = (one: string) => nameOf(one) ?? `gateway ${one}`;
  const measureOf = (one: GatewayRecord) =>
    measureReceiver({
      series: seriesOf(store, frames, one.id, timesOf(store, one, range, endUs)),
      channelShiftsDb: channelShiftsDb(noiseFrames(frames, one.id)),
    });
  const measure = measureOf(gateway);
  const reference = gateways.find((one) => one.eui === referenceEui && one !== gateway) ?? null;
  const ofReference = reference === null ? null : measureOf(reference).overall;
  const own = noiseFrames(frames, gateway.id);
  const noise = measureNoise(own);
  const others = othersOf(frames, gateways, gateway).flatMap((other) => {
    const difference = noiseDifference(own, noiseFrames(frames, other.id), range);
    return difference === null ? [] : [{ other, difference }];
  });
  return {
    window: windowView(window),
    eui,
    name: nameOf(eui),
    verdict: measure.verdict,
    sentence: receiverSentence(calledOf(eui), measure),
    basis: measure.basis,
    basisText: basisText(measure.basis, measure.leftOut),
    overall: offsetView(measure.overall),
    factors: measure.factors.map(factorView),
    leftOut: measure.leftOut,
    noise: {
      noiseDbm: noise.noiseDbm,
      overThermalDb: noise.overThermalDb,
      frames: noise.frames,
      sentence: noiseSentence(noise),
      others: others.map(({ other, difference }) => ({
        eui: other.eui,
        name: nameOf(other.eui),
        differenceDb: difference.differenceDb,
        interval95: [difference.lowDb, difference.highDb],
        sentence: noiseDifferenceSentence(calledOf(other.eui), difference, other === reference),
      })),
    },
    reference:
      reference === null
        ? null
        : againstReference(reference.eui, nameOf(reference.eui), measure, ofReference),
    limits: [...RECEIVER_LIMITS],
  };
}

function offsetView(offset: Offset | null): ReceiverView["overall"] {
  return offset === null ? null : { offsetDb: offset.offsetDb, interval95: [offset.lowDb, offset.highDb] };
}

function factorView(factor: FactorMeasure): ReceiverView["factors"][number] {
  const { spreadingFactor, floorDb, level, nodes, trials, missed, points } = factor;
  return {
    spreadingFactor,
    floorDb,
    levelDb: level?.levelDb ?? null,
    interval95: level === null ? null : [floorDb + level.lowDb, floorDb + level.highDb],
    widthDb: level?.widthDb ?? null,
    deliveredAbove: level?.asymptote ?? null,
    nodes,
    frames: trials,
    missed,
    sentence: factorSentence(factor),
    points: points.map(({ snrDb, trials: count, delivered, low, high }) => ({
      snrDb,
      frames: count,
      delivered,
      interval95: [low, high],
    })),
  };
}

/** Both intervals are independent: the difference has the root of their squares' sum. */
function againstReference(
  eui: string,
  name: string | null,
  { overall }: ReceiverMeasure,
  ofReference: Offset | null,
): ReceiverView["reference"] {
  let difference: { differenceDb: number; lowDb: number; highDb: number } | null = null;
  if (overall !== null && ofReference !== null) {
    const differenceDb = overall.offsetDb - ofReference.offsetDb;
    const half = Math.hypot(overall.highDb - overall.offsetDb, ofReference.highDb - ofReference.offsetDb);
    difference = { differenceDb, lowDb: differenceDb - half, highDb: differenceDb + half };
  }
  return {
    eui,
    name,
    overall: offsetView(ofReference),
    differenceDb: difference?.differenceDb ?? null,
    interval95: difference === null ? null : [difference.lowDb, difference.highDb],
    sentence: referenceSentence(name ?? `gateway ${eui}`, overall, ofReference, difference),
  };
}

/** Those that heard most frames of the window. */
function othersOf(
  frames: readonly TrialFrame[],
  gateways: readonly GatewayRecord[],
  gateway: GatewayRecord,
): GatewayRecord[] {
  const heard = new Map<number, number>();
  for (const { hearings } of frames)
    for (const { gatewayId } of hearings) heard.set(gatewayId, (heard.get(gatewayId) ?? 0) + 1);
  return gateways
    .filter((one) => one !== gateway && heard.has(one.id))
    .sort((a, b) => (heard.get(b.id) ?? 0) - (heard.get(a.id) ?? 0))
    .slice(0, MAX_OTHERS);
}

interface Times {
  /** When the gateway was reachable and recorded. */
  readonly usable: readonly TimeRange[];
  /** When it transmitted, and heard nothing. */
  readonly transmitting: readonly TimeRange[];
}

function timesOf(store: Store, gateway: GatewayRecord, range: TimeRange, endUs: number): Times {
  const reach = reachOf(store, gateway, range, endUs);
  const absent = { fromUs: Number.NEGATIVE_INFINITY, toUs: reach.absentUntilUs };
  return {
    usable: subtract([range], unite([absent, ...reach.outages, ...reach.notRecorded])),
    transmitting: unite(
      gatewayTransmissions(store, gateway.id, range).map(({ startUs, airtimeUs }) => ({
        fromUs: startUs,
        toUs: startUs + airtimeUs + AFTER_TRANSMISSION_US,
      })),
    ),
  };
}

/** The best of a gateway's antennas. */
function hearingOf(hearings: readonly Hearing[], gatewayId: number): Hearing | null {
  let best: Hearing | null = null;
  for (const one of hearings) {
    if (one.gatewayId !== gatewayId) continue;
    if (best === null || (one.snrTenths ?? -1e9) > (best.snrTenths ?? -1e9)) best = one;
  }
  return best;
}

function noiseFrames(frames: readonly TrialFrame[], gatewayId: number): NoiseFrame[] {
  return frames.flatMap(({ atUs, frequencyHz, dataRate, hearings }) => {
    const hearing = hearingOf(hearings, gatewayId);
    const modulation = modulationFromCodes(dataRate, 0);
    if (hearing === null || hearing.rssiTenths === null || hearing.snrTenths === null) return [];
    if (frequencyHz === null || modulation.kind !== "lora") return [];
    return [
      {
        atUs,
        frequencyHz,
        bandwidthHz: modulation.bandwidthHz,
        rssiDbm: hearing.rssiTenths / 10,
        snrDb: hearing.snrTenths / 10,
      },
    ];
  });
}

/** Each counter life at each data rate, in order of time. */
function seriesOf(
  store: Store,
  frames: readonly TrialFrame[],
  gatewayId: number,
  { usable, transmitting }: Times,
): ReceiverSeries[] {
  const addresses = new Map(allLives(store).map(({ id, devAddr }) => [id, devAddr]));
  const closed = notListened(frames, gatewayId);
  const series = new Map<string, { node: string; spreadingFactor: number; trials: ReceiverTrial[] }>();
  const add = (lifeId: number, dataRate: number, trial: ReceiverTrial) => {
    const modulation = modulationFromCodes(dataRate, 0);
    if (modulation.kind !== "lora" || contains(transmitting, trial.atUs)) return;
    const key = `${lifeId}/${dataRate}`;
    let one = series.get(key);
    if (one === undefined) {
      const address = addresses.get(lifeId);
      one = {
        node: address === undefined ? key : formatDevAddr(address),
        spreadingFactor: modulation.spreadingFactor,
        trials: [],
      };
      series.set(key, one);
    }
    one.trials.push(trial);
  };
  for (const [lifeId, own] of groupBy(frames, ({ lifeId }) => lifeId)) {
    const isOnce = new Set(own.map(({ counter }) => counter)).size >= (1 - MAX_REPEATED) * own.length;
    own.forEach((frame, i) => {
      const before = own[i - 1];
      if (isOnce && before !== undefined && before.dataRate === frame.dataRate)
        for (const atUs of dueBetween(before, frame, usable, MAX_MISSED_RUNNING))
          add(lifeId, frame.dataRate, {
            atUs,
            snrDb: null,
            isHeard: false,
            frequencyHz: null,
            byOthers: false,
          });
      const { atUs, frequencyHz, hearings } = frame;
      if (!contains(usable, atUs) || (frequencyHz !== null && closed.has(frequencyHz))) return;
      const hearing = hearingOf(hearings, gatewayId);
      const byOthers = hearings.some((one) => one.gatewayId !== gatewayId);
      // The first and the last counter are known only because somebody heard them.
      if (!byOthers && (i === 0 || i === own.length - 1)) return;
      const snrDb = hearing?.snrTenths == null ? null : hearing.snrTenths / 10;
      add(lifeId, frame.dataRate, { atUs, snrDb, isHeard: hearing !== null, frequencyHz, byOthers });
    });
  }
  return [...series.values()];
}

/** Channels on which others heard much and this gateway nothing. */
function notListened(frames: readonly TrialFrame[], gatewayId: number): Set<number> {
  const counts = new Map<number, { own: number; others: number }>();
  for (const { frequencyHz, hearings } of frames) {
    if (frequencyHz === null) continue;
    const count = counts.get(frequencyHz) ?? { own: 0, others: 0 };
    if (hearings.some((one) => one.gatewayId === gatewayId)) count.own += 1;
    else count.others += 1;
    counts.set(frequencyHz, count);
  }
  return new Set(
    [...counts].flatMap(([frequencyHz, { own, others }]) =>
      own === 0 && others >= NOT_LISTENED_AFTER ? [frequencyHz] : [],
    ),
  );
}
