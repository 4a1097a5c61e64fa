/**
 * Which function answers which group of published check values? Each runner turns an entry's input into a call; an input
 * that no schema fits throws, so that an unknown shape fails its test instead of passing unnoticed.
 */
import { z } from "zod";
import { backhaulProof } from "../../src/diagnosis/findings/gateway.ts";
import { heardShare, subBandMismatch } from "../../src/diagnosis/wrong-sub-band.ts";
import {
  fskAirtime,
  LR_FHSS_BITRATE_BPS,
  LR_FHSS_FRAGMENT_BITS,
  LR_FHSS_HEADER_BITS,
  loraAirtime,
  lrFhssAirtime,
} from "../../src/radio/airtime.ts";
import { TMST_PERIOD_US } from "../../src/radio/clock.ts";
import {
  CAPTURE_CROCE_2018,
  CAPTURE_GOURSAUD_2015,
  erlangB,
  successAmongMixedTraffic,
} from "../../src/radio/collisions.ts";
import { freeSpaceLossDb, geodesicM, haversineM, logDistanceLossDb } from "../../src/radio/geometry.ts";
import type { LoraCodingRate } from "../../src/radio/lora-airtime.ts";
import { demodulationFloorDb, frequencyOffsetLimitHz, linkMarginDb } from "../../src/radio/margin.ts";
import { channelNoiseDbm, expectedSignalPowerDbm, thermalNoiseDbm } from "../../src/radio/noise.ts";
import { deafShare, framesPerHour, hourlyBudgetUs, offTimeUs } from "../../src/radio/occupancy.ts";

import { mcnemar, wilsonInterval } from "../../src/statistics/proportions.ts";
import { groupShift, mannKendall, rankSum } from "../../src/statistics/rank-tests.ts";
import { MAD_TO_SIGMA, mad, median, quantile } from "../../src/statistics/robust.ts";
import { effectiveSampleSize } from "../../src/statistics/series.ts";
import { hodgesLehmann, signedRank } from "../../src/statistics/signed-rank.ts";
import { theilSen } from "../../src/statistics/theil-sen.ts";
import { cusum, ewma } from "./control-charts.ts";
import {
  clockDriftPpm,
  clopperPearsonInterval,
  continuityAcross,
  counterVerdict,
  falseMatchProbability,
  fresnelRadiusM,
  hataLoss,
  heardFrames,
  joinEnvelope,
  loadFromCollisionShare,
  missesNeeded,
  pettitt,
  pooledFramesNeeded,
  pureAlohaLoss,
  pureAlohaThroughput,
  sensitivityDbm,
  slottedAlohaThroughput,
  sumUs,
  unionUs,
  unwrapTmst,
} from "./formulas.ts";

import { lttbIndices } from "./lttb.ts";

export type CheckInput = Readonly<Record<string, unknown>>;
type Runner = (input: CheckInput) => unknown;

/** Groups whose subject does not exist. Empty: everything in the file is built. */
export const notBuiltYet: ReadonlySet<string> = new Set<string>();

/** A case of a group: an exact input shape (no key unknown, none missing) and the call that answers it. */
interface Shape {
  readonly fits: (input: CheckInput) => boolean;
  readonly answer: (input: CheckInput) => unknown;
}

function shape<S extends z.ZodRawShape>(
  fields: S,
  answer: (input: z.output<z.ZodObject<S>>) => unknown,
): Shape {
  const schema = z.strictObject(fields);
  return {
    fits: (input) => schema.safeParse(input).success,
    answer: (input) => answer(schema.parse(input) as z.output<z.ZodObject<S>>),
  };
}

function oneOf(group: string, ...shapes: readonly Shape[]): Runner {
  return (input) => {
    const found = shapes.find((candidate) => candidate.fits(input));
    if (found === undefined) {
      throw new Error(`The group ${group} has no case for ${JSON.stringify(input).slice(0, 300)}`);
    }
    return found.answer(input);
  };
}

const num = z.number();
const nums = z.array(z.number());
const place = z.tuple([num, num]);
const alternative = z.enum(["greater", "less", "two-sided"]);

const loraFields = {
  sf: num,
  bwHz: num,
  cr: z.number().int().min(1).max(7),
  payloadBytes: num,
  explicitHeader: z.boolean(),
  crc: z.boolean(),
  preamble: num,
  ldro: z.boolean().optional(),
};
/** The file numbers long interleaving 4/5, 4/6, 4/8 as 5, 6, 7. */
const codingRates: readonly LoraCodingRate[] = [1, 2, 3, 4, "4/5LI", "4/6LI", "4/8LI"];

function loraCase(transmitter: "sx126x" | "sx127x"): Shape {
  return shape(loraFields, (i) => {
    const airtime = loraAirtime({
      spreadingFactor: i.sf,
      bandwidthHz: i.bwHz,
      codingRate: codingRates[i.cr - 1]!,
      payloadBytes: i.payloadBytes,
      explicitHeader: i.explicitHeader,
      crc: i.crc,
      preambleSymbols: i.preamble,
      lowDataRateOptimisation: i.ldro ?? "auto",
      transmitter,
    });
    return airtime.airtimeUs / 1000;
  });
}

const differencesOf = (x: readonly number[], y: readonly number[]): number[] =>
  x.map((value, i) => value - y[i]!);

const toPlace = ([latitudeDeg, longitudeDeg]: readonly [number, number]) => ({ latitudeDeg, longitudeDeg });

export const checkGroups: ReadonlyMap<string, Runner> = new Map([
  ["toa-lora", oneOf("toa-lora", loraCase("sx126x"))],
  ["toa-sx127x-sf6", oneOf("toa-sx127x-sf6", loraCase("sx127x"))],
  ["toa-lora-2g4", oneOf("toa-lora-2g4", loraCase("sx126x"))],
  [
    "toa-gfsk",
    oneOf(
      "toa-gfsk",
      shape(
        { bitrate: num, payloadBytes: num },
        (i) => fskAirtime({ bitrateBps: i.bitrate, ...i }).airtimeUs / 1000,
      ),
    ),
  ],
  [
    "toa-lrfhss",
    oneOf(
      "toa-lrfhss",
      shape(
        { payloadBytes: num, codeRate: z.enum(["1/3", "2/3", "1/2", "5/6"]), headers: num },
        (i) => lrFhssAirtime(i).airtimeUs / 1000,
      ),
      shape(
        { headerBits: z.literal(LR_FHSS_HEADER_BITS) },
        (i) => (i.headerBits / LR_FHSS_BITRATE_BPS) * 1000,
      ),
      shape(
        { fragmentBits: z.literal(LR_FHSS_FRAGMENT_BITS) },
        (i) => (i.fragmentBits / LR_FHSS_BITRATE_BPS) * 1000,
      ),
    ),
  ],
  [
    "link",
    oneOf(
      "link",
      shape({ quantity: z.literal("demodulator SNR floor"), sf: num }, (i) => demodulationFloorDb(i.sf)),
      shape({ quantity: z.literal("thermal noise"), bwHz: num, nfDb: num }, (i) =>
        thermalNoiseDbm(i.bwHz, i.nfDb),
      ),
      shape({ quantity: z.literal("sensitivity"), sf: num, bwHz: num, nfDb: num }, (i) =>
        sensitivityDbm(i.sf, i.bwHz, i.nfDb),
      ),
      shape({ quantity: z.literal("esp"), rssi: num, snr: num }, (i) =>
        expectedSignalPowerDbm(i.rssi, i.snr),
      ),
      shape({ quantity: z.literal("link margin"), snr: num, sf: num }, (i) => linkMarginDb(i.snr, i.sf)),
      shape({ quantity: z.literal("noise estimate"), rssi: num, snr: num }, (i) =>
        channelNoiseDbm(i.rssi, i.snr),
      ),
    ),
  ],
  [
    "duty",
    oneOf(
      "duty",
      shape({ toaS: num, duty: num }, (i) => offTimeUs(i.toaS * 1e6, i.duty) / 1e6),
      shape({ toaS: num, duty: num, quantity: z.literal("messages per hour") }, (i) =>
        framesPerHour(i.toaS * 1e6, i.duty),
      ),
      shape({ duty: num, quantity: z.literal("airtime per hour") }, (i) => hourlyBudgetUs(i.duty) / 1e6),
    ),
  ],
  [
    "aloha",
    oneOf(
      "aloha",
      shape({ model: z.literal("pure"), G: num }, (i) => pureAlohaThroughput(i.G)),
      shape({ model: z.literal("slotted"), G: num }, (i) => slottedAlohaThroughput(i.G)),
      shape({ model: z.literal("pure"), G: num, quantity: z.literal("loss") }, (i) => pureAlohaLoss(i.G)),
      shape({ collisionShare: num }, (i) => loadFromCollisionShare(i.collisionShare)),
      shape(
        {
          quantity: z.literal("success"),
          targetMs: num,
          others: z.array(z.strictObject({ perHour: num, ms: num })),
        },
        (i) =>
          successAmongMixedTraffic(
            i.targetMs * 1000,
            i.others.map((o) => ({ framesPerHour: o.perHour, airtimeUs: o.ms * 1000 })),
          ),
      ),
    ),
  ],
  [
    "erlang-b",
    oneOf(
      "erlang-b",
      shape({ A: num, N: num }, (i) => erlangB(i.A, i.N)),
    ),
  ],
  [
    "utilisation",
    oneOf(
      "utilisation",
      shape({ windowMs: z.tuple([num, num]), intervalsMs: z.array(z.tuple([num, num])) }, (i) => {
        const intervals = i.intervalsMs.map(([from, to]) => ({ startUs: from * 1000, endUs: to * 1000 }));
        const window = { fromUs: i.windowMs[0] * 1000, toUs: i.windowMs[1] * 1000 };
        return { sum: sumUs(intervals, window) / 1000, union: unionUs(intervals, window) / 1000 };
      }),
    ),
  ],
  [
    "capture",
    oneOf(
      "capture",
      shape({ set: z.literal("Goursaud and Gorce 2015 (theory)") }, () => CAPTURE_GOURSAUD_2015),
      shape({ set: z.literal("Croce et al. 2018 (simulation and measurement)") }, () => CAPTURE_CROCE_2018),
    ),
  ],
  [
    "wilson",
    oneOf(
      "wilson",
      shape({ successes: num, n: num, confidence: num }, (i) => {
        const { low, high } = wilsonInterval(i.successes, i.n, i.confidence);
        return [low, high];
      }),
      shape({ method: z.literal("Clopper-Pearson"), successes: num, n: num, confidence: num }, (i) => {
        const { low, high } = clopperPearsonInterval(i.successes, i.n, i.confidence);
        return [low, high];
      }),
    ),
  ],
  [
    "mcnemar",
    oneOf(
      "mcnemar",
      shape({ b: num, c: num, continuity: z.boolean() }, (i) =>
        mcnemar(i.b, i.c, { exact: false, continuity: i.continuity }),
      ),
      shape({ b: num, c: num, exact: z.literal(true) }, (i) => {
        const { p, midP } = mcnemar(i.b, i.c, { exact: true });
        return { p, midp: midP };
      }),
    ),
  ],
  [
    "wilcoxon",
    oneOf(
      "wilcoxon",
      shape({ x: nums, y: nums, alternative, exact: z.literal(true) }, (i) => {
        const r = signedRank(differencesOf(i.x, i.y), { alternative: i.alternative, exact: true });
        return { V: r.vPlus, p: r.p };
      }),
      shape({ x: nums, y: nums, alternative, exact: z.literal(false), continuity: z.boolean() }, (i) => {
        const r = signedRank(differencesOf(i.x, i.y), i);
        return { V: r.vPlus, p: r.p };
      }),
      shape({ x: nums, y: nums, quantity: z.literal("Hodges-Lehmann with exact interval") }, (i) => {
        const r = hodgesLehmann(differencesOf(i.x, i.y));
        return { hl: r.estimate, ci: [r.low, r.high], achieved: r.achieved };
      }),
      shape(
        { x: nums, zeros: z.literal("dropped"), exact: z.literal(false), continuity: z.boolean() },
        (i) => {
          const r = signedRank(i.x, { exact: false, continuity: i.continuity });
          return { Vplus: r.vPlus, Vminus: r.vMinus, p: r.p };
        },
      ),
    ),
  ],
  [
    "ranksum",
    oneOf(
      "ranksum",
      shape(
        { x: nums, y: nums, alternative, exact: z.boolean(), continuity: z.boolean().default(true) },
        (i) => {
          const r = rankSum(i.x, i.y, i);
          return { W: r.w, p: r.p };
        },
      ),
      shape({ x: nums, y: nums, quantity: z.literal("Hodges-Lehmann shift") }, (i) => ({
        shift: groupShift(i.x, i.y),
      })),
    ),
  ],
  [
    "mann-kendall",
    oneOf(
      "mann-kendall",
      shape(
        {
          values: z.array(z.number().nullable()),
          missing: z.literal("null: skip, keep the time index").optional(),
        },
        (i) => {
          const points = i.values.flatMap((y, x) => (y === null ? [] : [{ x, y }]));
          const test = mannKendall(points.map(({ y }) => y));
          const line = theilSen(points);
          return {
            S: test.s,
            varS: test.varS,
            z: test.z,
            p: test.p,
            tauA: test.tauA,
            slope: line.slope,
            intercept: line.intercept,
            slopeCi95: [line.low, line.high],
          };
        },
      ),
    ),
  ],
  [
    "change-point",
    oneOf(
      "change-point",
      shape({ values: nums }, (i) => {
        const r = pettitt(i.values);
        return { K: r.k, t: r.t, p: r.p };
      }),
      shape(
        { values: nums, target: num, k: num, h: num, quantity: z.literal("upper sums") },
        (i) => cusum(i.values, i).upper,
      ),
      shape(
        { values: nums, target: num, k: num, h: num, quantity: z.literal("lower sums") },
        (i) => cusum(i.values, i).lower,
      ),
      shape(
        { values: nums, target: num, lambda: num, quantity: z.literal("ewma") },
        (i) => ewma(i.values, { target: i.target, lambda: i.lambda, sigma: 1 }).smoothed,
      ),
      shape(
        { values: nums, target: num, k: num, h: num, quantity: z.literal("first alarm, 1-based") },
        (i) => {
          const { alarmAt } = cusum(i.values, i);
          return alarmAt === null ? null : alarmAt + 1;
        },
      ),
    ),
  ],
  [
    "robust",
    oneOf(
      "robust",
      shape(
        { values: nums, scaled: z.boolean() },
        (i) => (mad(i.values) ?? 0) * (i.scaled ? MAD_TO_SIGMA : 1),
      ),
      shape({ values: nums, quantity: z.literal("median") }, (i) => median(i.values)),
      shape({ values: nums, p: nums }, (i) => i.p.map((p) => quantile(i.values, p))),
    ),
  ],
  [
    "ess",
    oneOf(
      "ess",
      shape({ n: num, rho: num }, (i) => effectiveSampleSize(i.n, i.rho)),
    ),
  ],
  [
    "lttb",
    oneOf(
      "lttb",
      shape(
        {
          series: z.literal("y(i) = round(10 sin(i/4) + ((7919 i) mod 13)/3, 3 decimals), i = 0..59"),
          points: num,
        },
        (i) => {
          const series = Array.from({ length: 60 }, (_, x) => ({
            x,
            y: Math.round((10 * Math.sin(x / 4) + ((7919 * x) % 13) / 3) * 1000) / 1000,
          }));
          return lttbIndices(series, i.points);
        },
      ),
    ),
  ],
  [
    "path-loss",
    oneOf(
      "path-loss",
      shape({ model: z.literal("fspl"), km: num, mhz: num }, (i) =>
        freeSpaceLossDb(i.km * 1000, i.mhz * 1e6),
      ),
      shape({ model: z.literal("log-distance"), pl0: num, d0Km: num, n: num, km: num }, (i) =>
        logDistanceLossDb(i.km * 1000, {
          referenceLossDb: i.pl0,
          referenceDistanceM: i.d0Km * 1000,
          exponent: i.n,
        }),
      ),
      shape(
        {
          model: z.literal("hata"),
          env: z.enum(["urban-small", "urban-large", "suburban", "open"]),
          mhz: num,
          hb: num,
          hm: num,
          km: num,
        },
        (i) =>
          hataLoss({
            environment: i.env,
            frequencyHz: i.mhz * 1e6,
            baseHeightM: i.hb,
            mobileHeightM: i.hm,
            distanceM: i.km * 1000,
          }).lossDb,
      ),
      shape({ model: z.literal("fresnel"), n: num, mhz: num, d1Km: num, d2Km: num }, (i) =>
        fresnelRadiusM(i.d1Km * 1000, i.d2Km * 1000, i.mhz * 1e6, i.n),
      ),
      shape({ model: z.literal("haversine"), radiusM: num, from: place, to: place }, (i) =>
        haversineM(toPlace(i.from), toPlace(i.to), i.radiusM),
      ),
      shape({ model: z.literal("WGS84 inverse"), from: place, to: place }, (i) =>
        geodesicM(toPlace(i.from), toPlace(i.to)),
      ),
    ),
  ],
  [
    "clock",
    oneOf(
      "clock",
      shape({ tmst: nums }, (i) => unwrapTmst(i.tmst)),
      shape(
        { quantity: z.literal("wrap period"), bits: z.literal(32), hz: num },
        (i) => TMST_PERIOD_US / i.hz,
      ),
      shape({ tmstUs: nums, refUs: nums }, (i) =>
        clockDriftPpm(i.tmstUs.map((counterUs, k) => ({ counterUs, referenceUs: i.refUs[k]! }))),
      ),
    ),
  ],
  [
    "dropout",
    oneOf(
      "dropout",
      shape({ lossRate: num, alpha: num }, (i) => missesNeeded(i.lossRate, i.alpha)),
      shape({ alpha: num, quantity: z.literal("expected frames needed") }, (i) =>
        pooledFramesNeeded(i.alpha),
      ),
      shape({ devChannels: num, heardChannels: num }, (i) => heardShare(i.heardChannels, i.devChannels)),
      shape(
        { devChannels: num, heardChannels: num, frames: num, model: z.literal("independent choice") },
        (i) => heardFrames(i.frames, heardShare(i.heardChannels, i.devChannels)),
      ),
      shape({ windowS: num, txCount: num, txMs: num, nodeMs: num }, (i) =>
        deafShare(new Array<number>(i.txCount).fill(i.txMs * 1000), i.nodeMs * 1000, i.windowS * 1e6),
      ),
      shape({ bwHz: num }, (i) => frequencyOffsetLimitHz(i.bwHz)),
      shape({ toleranceS: num }, (i) => falseMatchProbability(i.toleranceS * 1e6)),
    ),
  ],
  [
    "tmst-reset",
    oneOf(
      "tmst-reset",
      shape({ wallS: z.tuple([num, num]), tmst: z.tuple([num, num]) }, (i) => {
        const r = continuityAcross(
          { tmstUs: i.tmst[0], atUs: i.wallS[0] * 1e6 },
          { tmstUs: i.tmst[1], atUs: i.wallS[1] * 1e6 },
        );
        return { residualS: r.residualUs / 1e6, continuous: r.continuous };
      }),
    ),
  ],
  [
    "counter-verdict",
    oneOf(
      "counter-verdict",
      shape({ gapS: num, periodS: num, before: num, after: num }, (i) =>
        counterVerdict({ gapUs: i.gapS * 1e6, periodUs: i.periodS * 1e6, before: i.before, after: i.after }),
      ),
    ),
  ],
  [
    "subband-test",
    oneOf(
      "subband-test",
      shape({ received: num, sent: num, medianMarginDb: num }, (i) => {
        const r = subBandMismatch(i.received, i.sent, i.medianMarginDb);
        return { interval: [r.interval.low, r.interval.high], mismatch: r.mismatch };
      }),
    ),
  ],
  [
    "join-envelope",
    oneOf(
      "join-envelope",
      shape({ sf: num, bwHz: num, joinRequestsInFirstHour: z.number().int() }, (i) => {
        const { airtimeUs } = loraAirtime({
          spreadingFactor: i.sf,
          bandwidthHz: i.bwHz,
          codingRate: 1,
          payloadBytes: 23,
        });
        const everyUs = 3_500_000_000 / i.joinRequestsInFirstHour;
        const requests = Array.from({ length: i.joinRequestsInFirstHour }, (_, k) => ({
          atUs: k * everyUs,
          airtimeUs,
        }));
        const first = joinEnvelope(requests).phases[0]!;
        return { airtimeS: first.airtimeUs / 1e6, within: first.within };
      }),
    ),
  ],
  [
    "backhaul-proof",
    oneOf(
      "backhaul-proof",
      shape({ rxfw: nums, framesReceived: z.union([num, nums]) }, (i) => {
        const received = [i.framesReceived].flat().reduce((sum, n) => sum + n, 0);
        const { missing, share } = backhaulProof(i.rxfw, received);
        return { missing, share };
      }),
    ),
  ],
]);
