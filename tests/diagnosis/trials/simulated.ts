/**
 * Trials with a known answer, drawn straight from statistics: paths that fade slowly and from frame to frame, the
 * demodulator's knee, the ceiling of the SNR's figure, collisions. Its knee is a logistic curve and its figures come
 * in quarters of a dB, while what judges assumes a normal blur and no steps.
 */
import type {
  PairedEvidence,
  PairedNode,
  Rate,
  Reading,
  Sent,
  SentOnce,
  SequentialEvidence,
  SequentialNode,
} from "../../../src/diagnosis/trials/verdict.ts";
import { deliveryProbability, reportedSnrDb } from "../../../src/simulate/radio-link.ts";
import { createRandom, normal, type Random } from "../../../src/simulate/time-and-chance.ts";

export interface Site {
  /** Mean SNR over the floor at the weaker of equal sides, dB, one a node. */
  readonly marginsDb: readonly number[];
  /** a minus b. */
  readonly differenceDb: number;
  /** Standard deviation of the true difference between nodes. */
  readonly betweenNodesDb?: number;
  readonly hours: number;
  readonly rhythmS: number;
  /** Slow fading that both sides share, and that each has for itself; correlation time 30 minutes. */
  readonly sharedSlowDb: number;
  readonly ownSlowDb: number;
  readonly fastDb: number;
  /** Share of frames lost at a side for other reasons. */
  readonly otherLoss: number;
  readonly spreadingFactor?: number;
}

const SLOW_S = 1800;
const START_US = Date.UTC(2026, 3, 14, 6) * 1000;

function rateOf({ spreadingFactor = 9 }: Site): Rate {
  return { label: `SF${spreadingFactor}BW125`, floorDb: -7.5 - 2.5 * (spreadingFactor - 7) };
}

/** First-order autoregressive fading, one value a step. */
function fading(random: Random, sigmaDb: number, stepS: number): () => number {
  let value = sigmaDb * normal(random);
  const keep = Math.exp(-stepS / SLOW_S);
  return () => {
    const now = value;
    value = keep * value + Math.sqrt(1 - keep * keep) * sigmaDb * normal(random);
    return now;
  };
}

function hear(random: Random, snrDb: number, floorDb: number, otherLoss: number): Reading | null {
  const reported = reportedSnrDb(snrDb, 0.4 * normal(random));
  const chance = deliveryProbability(snrDb - floorDb) * (1 - otherLoss);
  return random.uniform() < chance ? { snrDb: reported, rssiDbm: null, signalRssiDbm: null } : null;
}

export interface Simulated<Evidence> {
  readonly evidence: Evidence;
  /** Mean difference of the population of nodes. */
  readonly snrDb: number;
  /** Expected delivery of a minus that of b over these nodes. */
  readonly delivery: number;
}

export function simulatePaired(site: Site, seed: number): Simulated<PairedEvidence> {
  const random = createRandom(seed, "paired");
  const rate = rateOf(site);
  const floorDb = rate.floorDb ?? 0;
  const steps = Math.round((site.hours * 3600) / site.rhythmS);
  const truths: number[] = [];
  const nodes = site.marginsDb.map((marginDb, index): PairedNode => {
    const differenceDb = site.differenceDb + (site.betweenNodesDb ?? 0) * normal(random);
    const shared = fading(random, site.sharedSlowDb, site.rhythmS);
    const ownA = fading(random, site.ownSlowDb, site.rhythmS);
    const ownB = fading(random, site.ownSlowDb, site.rhythmS);
    const sent: Sent[] = [];
    for (let i = 0; i < steps; i++) {
      const common = floorDb + marginDb + shared();
      const snrA = common + differenceDb / 2 + ownA() + site.fastDb * normal(random);
      const snrB = common - differenceDb / 2 + ownB() + site.fastDb * normal(random);
      sent.push({
        atUs: START_US + i * site.rhythmS * 1e6,
        rate,
        frequencyHz: 868_100_000 + 200_000 * (i % 3),
        a: hear(random, snrA, floorDb, site.otherLoss),
        b: hear(random, snrB, floorDb, site.otherLoss),
      });
    }
    truths.push(deliveryTruth(site, marginDb, differenceDb));
    return { devAddr: `01F2A${100 + index}`, name: null, sent };
  });
  return { evidence: { nodes }, snrDb: site.differenceDb, delivery: mean(truths) };
}

/** Expected difference of delivery of one node: the knee averaged over its fading. */
function deliveryTruth(site: Site, marginDb: number, differenceDb: number): number {
  const sigma = Math.hypot(site.sharedSlowDb, site.ownSlowDb, site.fastDb);
  const expected = (middle: number) => {
    let sum = 0;
    let total = 0;
    for (let z = -6; z <= 6; z += 0.05) {
      const weight = Math.exp(-(z * z) / 2);
      sum += weight * deliveryProbability(middle + sigma * z);
      total += weight;
    }
    return (sum / total) * (1 - site.otherLoss);
  };
  return expected(marginDb + differenceDb / 2) - expected(marginDb - differenceDb / 2);
}

export function mean(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
}

/** One gateway, moved after `hours`; a control gateway hears the nodes all along where `control` says so. */
export function simulateSequential(
  site: Site & { readonly control?: boolean; readonly nodeChangeDb?: number; readonly pauseHours?: number },
  seed: number,
): Simulated<SequentialEvidence> {
  const random = createRandom(seed, "sequential");
  const rate = rateOf(site);
  const floorDb = rate.floorDb ?? 0;
  const steps = Math.round((site.hours * 3600) / site.rhythmS);
  const truths: number[] = [];
  const nodes = site.marginsDb.map((marginDb, index): SequentialNode => {
    const differenceDb = site.differenceDb + (site.betweenNodesDb ?? 0) * normal(random);
    const slow = fading(random, Math.hypot(site.sharedSlowDb, site.ownSlowDb), site.rhythmS);
    const slowControl = fading(random, site.ownSlowDb, site.rhythmS);
    const period = (arm: 0 | 1): SentOnce[] => {
      const fromUs = START_US + arm * (site.hours + (site.pauseHours ?? 0)) * 3600e6;
      return Array.from({ length: steps }, (_, i) => {
        const change = arm === 1 ? (site.nodeChangeDb ?? 0) : 0;
        const common = floorDb + marginDb + change;
        const snr = common + (arm === 0 ? 0.5 : -0.5) * differenceDb + slow() + site.fastDb * normal(random);
        const snrControl = common + 4 + slowControl() + site.fastDb * normal(random);
        return {
          atUs: fromUs + i * site.rhythmS * 1e6,
          rate,
          frequencyHz: 868_100_000 + 200_000 * (i % 3),
          heard: hear(random, snr, floorDb, site.otherLoss),
          control: site.control === true ? hear(random, snrControl, floorDb, site.otherLoss) : null,
        };
      });
    };
    truths.push(deliveryTruth(site, marginDb, differenceDb));
    return { devAddr: `01F2A${100 + index}`, name: null, a: period(0), b: period(1), powerChangesUs: [] };
  });
  return {
    evidence: { nodes, hasControl: site.control === true },
    snrDb: site.differenceDb,
    delivery: mean(truths),
  };
}
