/**
 * Trials with a known answer, drawn by laws that nothing in the judgement assumes: fading from frame to frame with
 * heavy tails, paths that jump between two levels and stay there for a while, a daily swing, noise at one place that
 * weakens all nodes at once, interference in bursts, nodes of unequal and unsteady rhythm, and differences between
 * nodes that lean to one side.
 */
import type {
  PairedEvidence,
  Rate,
  Reading,
  SentOnce,
  SequentialEvidence,
} from "../../../src/diagnosis/trials/verdict.ts";
import { deliveryProbability, reportedSnrDb } from "../../../src/simulate/radio-link.ts";
import { createRandom, normal, type Random } from "../../../src/simulate/time-and-chance.ts";
import { mean, type Simulated } from "./simulated.ts";

export interface RoughSite {
  readonly marginsDb: readonly number[];
  /** a minus b, mean over the population of nodes. */
  readonly differenceDb: number;
  /** Standard deviation of what nodes differ, an exponential law about its mean. */
  readonly betweenNodesDb: number;
  readonly hours: number;
  /** Mean of the quickest node; the others send up to three times as seldom. */
  readonly rhythmS: number;
  /** Half the height of the jumps of a path, which both sides share and which each has for itself. */
  readonly sharedJumpDb: number;
  readonly ownJumpDb: number;
  /** Half the daily swing of all paths. */
  readonly dailyDb: number;
  /** Half the height of the jumps that weaken or strengthen all nodes at one side. */
  readonly placeJumpDb: number;
  /** Share of the time in which interference takes seven of ten frames of one side. */
  readonly burstShare: number;
}

const RATE: Rate = { label: "SF9BW125", floorDb: -12.5 };
const FLOOR_DB = -12.5;
const START_US = Date.UTC(2026, 8, 3, 5) * 1000;
const DAY_US = 86_400e6;
const JUMP_S = 2400;
const BURST_S = 600;
const BURST_LOSS = 0.7;
const OTHER_LOSS = 0.005;
/** Student's t with 4 degrees of freedom has a standard deviation of the square root of 2. */
const FAST_DB = 1.1;

function heavy(random: Random): number {
  let squares = 0;
  for (let i = 0; i < 4; i++) squares += normal(random) ** 2;
  return (FAST_DB * normal(random)) / Math.sqrt(squares / 4);
}

/** 1 or 0 by time, asked in order of time: a telegraph that is on so much of the time, `meanS` at once. */
function telegraph(random: Random, share: number, meanS: number): (atUs: number) => number {
  let isOn = random.uniform() < share;
  let untilUs = Number.NEGATIVE_INFINITY;
  const stay = () => -Math.log(1 - random.uniform()) * (isOn ? meanS : (meanS * (1 - share)) / share) * 1e6;
  return (atUs) => {
    if (share <= 0) return 0;
    if (untilUs === Number.NEGATIVE_INFINITY) untilUs = atUs + stay();
    while (atUs > untilUs) {
      isOn = !isOn;
      untilUs += stay();
    }
    return isOn ? 1 : 0;
  };
}

function hear(random: Random, snrDb: number, loss: number): Reading | null {
  const reported = reportedSnrDb(snrDb, 0.4 * normal(random));
  const chance = deliveryProbability(snrDb - FLOOR_DB) * (1 - loss);
  return random.uniform() < chance ? { snrDb: reported, rssiDbm: null, signalRssiDbm: null } : null;
}

function times(random: Random, fromUs: number, hours: number, rhythmS: number): number[] {
  const sent: number[] = [];
  for (let at = random.uniform() * rhythmS; at < hours * 3600; at += rhythmS * (0.7 + 0.6 * random.uniform()))
    sent.push(fromUs + at * 1e6);
  return sent;
}

const daily = (atUs: number) => Math.sin((2 * Math.PI * (atUs % DAY_US)) / DAY_US);

/** One place in one period: what weakens all nodes there, by time. */
interface Place {
  readonly shiftDb: (atUs: number) => number;
  readonly loss: (atUs: number) => number;
}

/** Drawn once for all nodes, which ask at different times: in steps of 20 s. */
function placeOf(
  random: Random,
  { placeJumpDb, burstShare }: RoughSite,
  fromUs: number,
  hours: number,
): Place {
  const jump = telegraph(random, 0.5, JUMP_S);
  const burst = telegraph(random, burstShare, BURST_S);
  const steps = Array.from({ length: Math.ceil(hours * 180) + 1 }, (_, i) => {
    const atUs = fromUs + i * 20e6;
    return { shiftDb: placeJumpDb * (2 * jump(atUs) - 1), loss: burst(atUs) };
  });
  const at = (atUs: number) => steps[Math.floor((atUs - fromUs) / 20e6)] ?? { shiftDb: 0, loss: 0 };
  return {
    shiftDb: (atUs) => at(atUs).shiftDb,
    loss: (atUs) => 1 - (1 - OTHER_LOSS) * (1 - BURST_LOSS * at(atUs).loss),
  };
}

function leaning(random: Random, sigmaDb: number): number {
  return sigmaDb * (-Math.log(1 - random.uniform()) - 1);
}

export function roughPaired(site: RoughSite, seed: number): Simulated<PairedEvidence> {
  const random = createRandom(seed, "rough paired");
  const placeA = placeOf(random, site, START_US, site.hours);
  const placeB = placeOf(random, site, START_US, site.hours);
  const truths: number[] = [];
  const nodes = site.marginsDb.map((marginDb, index) => {
    const differenceDb = site.differenceDb + leaning(random, site.betweenNodesDb);
    const shared = telegraph(random, 0.5, JUMP_S);
    const ownA = telegraph(random, 0.5, JUMP_S);
    const ownB = telegraph(random, 0.5, JUMP_S);
    const rhythmS = site.rhythmS * (1 + (2 * index) / Math.max(1, site.marginsDb.length - 1));
    const sent = times(random, START_US, site.hours, rhythmS).map((atUs) => {
      const path =
        FLOOR_DB + marginDb + site.sharedJumpDb * (2 * shared(atUs) - 1) + site.dailyDb * daily(atUs);
      const side = (sign: 1 | -1, own: (atUs: number) => number, place: Place) =>
        hear(
          random,
          path +
            (sign * differenceDb) / 2 +
            site.ownJumpDb * (2 * own(atUs) - 1) +
            place.shiftDb(atUs) +
            heavy(random),
          place.loss(atUs),
        );
      const a = side(1, ownA, placeA);
      return { atUs, rate: RATE, frequencyHz: 868_100_000, a, b: side(-1, ownB, placeB) };
    });
    truths.push(sent.length * deliveryTruth(site, marginDb, differenceDb, START_US, START_US));
    return { devAddr: `01F3A${100 + index}`, name: null, sent };
  });
  const all = nodes.reduce((sum, { sent }) => sum + sent.length, 0);
  return {
    evidence: { nodes },
    snrDb: site.differenceDb,
    delivery: truths.reduce((sum, one) => sum + one, 0) / all,
  };
}

/** One gateway, first at a, then at b. */
export function roughSequential(site: RoughSite, seed: number): Simulated<SequentialEvidence> {
  const random = createRandom(seed, "rough sequential");
  const starts = [START_US, START_US + site.hours * 3600e6] as const;
  const counts: number[] = [];
  const places = starts.map((fromUs) => placeOf(random, site, fromUs, site.hours));
  const truths: number[] = [];
  const nodes = site.marginsDb.map((marginDb, index) => {
    const differenceDb = site.differenceDb + leaning(random, site.betweenNodesDb);
    const jump = telegraph(random, 0.5, JUMP_S);
    const jumpDb = Math.hypot(site.sharedJumpDb, site.ownJumpDb);
    const rhythmS = site.rhythmS * (1 + (2 * index) / Math.max(1, site.marginsDb.length - 1));
    const period = (arm: 0 | 1): SentOnce[] =>
      times(random, starts[arm], site.hours, rhythmS).map((atUs) => {
        const place = places[arm] as Place;
        const snrDb =
          FLOOR_DB +
          marginDb +
          (arm === 0 ? 0.5 : -0.5) * differenceDb +
          jumpDb * (2 * jump(atUs) - 1) +
          site.dailyDb * daily(atUs) +
          place.shiftDb(atUs) +
          heavy(random);
        const heard = hear(random, snrDb, place.loss(atUs));
        return { atUs, rate: RATE, frequencyHz: 868_100_000, heard, control: null };
      });
    // A node counts by its frames.
    truths.push(deliveryTruth(site, marginDb, differenceDb, starts[0], starts[1]) / rhythmS);
    counts.push(1 / rhythmS);
    return { devAddr: `01F3A${100 + index}`, name: null, a: period(0), b: period(1), powerChangesUs: [] };
  });
  return {
    evidence: { nodes, hasControl: false },
    snrDb: site.differenceDb,
    delivery: mean(truths) / mean(counts),
  };
}

/** Quantiles of the heavy tail, alike likely. */
let fastDb: readonly number[] | null = null;

/** Expected difference of delivery of one node over the hours of the trial. */
function deliveryTruth(
  site: RoughSite,
  marginDb: number,
  differenceDb: number,
  fromA: number,
  fromB: number,
): number {
  if (fastDb === null) {
    const random = createRandom(1, "heavy tail");
    const drawn = Array.from({ length: 40_000 }, () => heavy(random)).sort((x, y) => x - y);
    fastDb = Array.from({ length: 80 }, (_, i) => drawn[i * 500 + 250] ?? 0);
  }
  const fast = fastDb;
  const expected = (middle: number, fromUs: number) => {
    let sum = 0;
    let count = 0;
    for (let part = 0; part < 6; part++) {
      const swing = site.dailyDb * daily(fromUs + ((part + 0.5) / 6) * site.hours * 3600e6);
      for (const shared of [-1, 1])
        for (const own of [-1, 1])
          for (const place of [-1, 1])
            for (const blink of fast) {
              const jumps = shared * site.sharedJumpDb + own * site.ownJumpDb + place * site.placeJumpDb;
              sum += deliveryProbability(middle + swing + jumps + blink);
              count += 1;
            }
    }
    return (sum / count) * (1 - OTHER_LOSS) * (1 - site.burstShare * BURST_LOSS);
  };
  return expected(marginDb + differenceDb / 2, fromA) - expected(marginDb - differenceDb / 2, fromB);
}
