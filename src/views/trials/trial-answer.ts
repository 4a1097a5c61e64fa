/** What does comparing two sides say? The judgement in the contract's shape, with all that it rests on. */

import type { z } from "zod";
import type { Histogram, TrialAnswer, TrialNode } from "../../contract/trials.ts";
import { decibel } from "../../diagnosis/standing.ts";
import { type PairedNode, type Reading, SNR_CEILING_DB } from "../../diagnosis/trials/evidence.ts";
import { countsOf } from "../../diagnosis/trials/paired-delivery.ts";
import { pairedTrial } from "../../diagnosis/trials/paired-trial.ts";
import { sequentialTrial } from "../../diagnosis/trials/sequential-trial.ts";
import { type Differences, framesInAll, LIMITS, verdictOf } from "../../diagnosis/trials/verdict.ts";
import {
  methodSentences,
  methodWords,
  neededWords,
  TRIAL_CAUTION,
  trialSentence,
} from "../../diagnosis/trials/words.ts";
import { chooseSignalPowerSource, type SignalPowerSource, signalPowerDbm } from "../../radio/signal-power.ts";
import { hodgesLehmann, signedRank } from "../../statistics/signed-rank.ts";
import type { Store } from "../../store/open.ts";
import { allGateways } from "../../store/queries/gateways.ts";
import { labels } from "../../store/queries/lives.ts";
import { type AskedWindow, windowView } from "../window.ts";
import type { Side } from "./sides.ts";
import { type Gathered, gather } from "./trial-evidence.ts";
import {
  intervalOf,
  NOTHING,
  pairedGroups,
  SHARE_DIGITS,
  sequentialGroups,
  sideCounts,
} from "./trial-groups.ts";

/** What both kinds of trial have in common, before it is put into words. */
interface Judged {
  readonly paired: boolean;
  readonly differences: Differences;
  readonly frames: number;
  /** Frames that one side heard at least; with none there is nothing to ask for more of. */
  readonly firstUs: number;
  readonly lastUs: number;
  readonly reservations: readonly string[];
  readonly parts: Pick<
    TrialAnswer,
    "commonFrames" | "delivery" | "control" | "nodes" | "spreadingFactors" | "channels" | "snr" | "difference"
  >;
}

const MOST_NODES = 100;

export interface JudgedTrial {
  readonly answer: TrialAnswer;
  readonly differences: Differences;
}

export function judgedTrial(store: Store, window: AskedWindow, a: Side, b: Side): JudgedTrial {
  const gathered = gather(store, window, a, b);
  const judged = judge(store, gathered);
  const { differences, paired, frames } = judged;
  const verdict = verdictOf(differences);
  const inAll = framesInAll(frames, differences);
  const enough = verdict !== "not enough";
  const isOpen = !enough && Number.isFinite(inAll);
  const still = enough ? 0 : isOpen ? Math.max(1, Math.ceil(inAll - frames)) : null;
  const perMinute = frames / Math.max(1 / 60, (judged.lastUs - judged.firstUs) / 60e6);
  const minutes = still === null ? null : enough ? 0 : Math.ceil(still / Math.max(1e-9, perMinute));
  const needed =
    differences.snr === null && differences.delivery === null
      ? nothingWords(gathered)
      : neededWords(still, minutes, paired);
  const known = a.netGainDb === null || b.netGainDb === null ? null : a.netGainDb - b.netGainDb;
  const snr = differences.snr;
  const answer: TrialAnswer = {
    window: windowView(window),
    a: a.view,
    b: b.view,
    paired,
    sentence: trialSentence({ a: a.view.name, b: b.view.name, verdict, differences, needed }),
    snrDifferenceDb: intervalOf(snr),
    deliveryDifference: intervalOf(differences.delivery, SHARE_DIGITS),
    enough,
    framesStillNeeded: frames === 0 ? null : still,
    minutesStillNeeded: frames === 0 ? null : minutes,
    progress: enough ? 1 : isOpen && inAll > 0 ? Math.min(0.99, frames / inAll) : 0,
    neededWords: needed,
    verdict,
    limits: LIMITS,
    knownGainDifferenceDb: known,
    placeAloneDb:
      known === null || snr === null
        ? null
        : intervalOf({ estimate: snr.estimate - known, low: snr.low - known, high: snr.high - known }),
    ...judged.parts,
    reservations: [...gathered.reservations, ...judged.reservations],
    method: methodSentences(paired),
    caution: TRIAL_CAUTION,
  };
  return { answer, differences };
}

function nothingWords({ trial }: Gathered): string {
  if (trial.kind === "none") return "one of them heard nothing in this window while it stood so.";
  if (trial.kind === "sequential") return "no node was heard in both periods of this window.";
  return "no frame was heard by either while both listened.";
}

function judge(store: Store, gathered: Gathered): Judged {
  const { trial } = gathered;
  if (trial.kind === "paired") return judgePaired(trial.evidence.nodes);
  if (trial.kind === "sequential") return judgeSequential(store, gathered, trial.evidence);
  return {
    paired: false,
    differences: { snr: null, delivery: null },
    frames: 0,
    firstUs: 0,
    lastUs: 0,
    reservations: [],
    parts: {
      commonFrames: null,
      delivery: {
        a: sideCounts([]),
        b: sideCounts([]),
        pairs: null,
        mcnemarP: null,
        mcnemarMethod: null,
        designEffect: 1,
      },
      control: null,
      nodes: [],
      spreadingFactors: [],
      channels: [],
      snr: histogram([], []),
      difference: null,
    },
  };
}

function judgePaired(nodes: readonly PairedNode[]): Judged {
  const result = pairedTrial({ nodes });
  const sent = nodes.flatMap((node) => node.sent);
  const delivery = result.delivery;
  const design = { factor: delivery?.designEffect ?? 1, degrees: delivery?.difference.degrees ?? 1 };
  const common = sent.filter(({ a, b }) => a !== null && b !== null);
  const differences = common.flatMap(({ a, b }) =>
    a?.snrDb == null || b?.snrDb == null ? [] : [a.snrDb - b.snrDb],
  );
  const reservations: string[] = [];
  const strong = result.nodes.filter(({ method }) => method === "too strong").length;
  if (strong > 0)
    reservations.push(
      `${strong} of ${nodes.length} nodes are too strong to compare by SNR (above +${SNR_CEILING_DB}\u2009dB); they count for delivery.`,
    );
  if (nodes.length === 1) reservations.push("One node alone: what holds for it need not hold for others.");
  return {
    paired: true,
    differences: { snr: result.snr, delivery: delivery?.difference ?? null },
    frames: result.frames,
    ...spanOf(sent),
    reservations,
    parts: {
      commonFrames: commonFrames(common, differences),
      delivery: {
        a: sideCounts(sent.map(({ a }) => a)),
        b: sideCounts(sent.map(({ b }) => b)),
        pairs: countsOf(sent),
        mcnemarP: delivery?.mcnemar.p ?? null,
        mcnemarMethod: delivery?.mcnemar.method ?? null,
        designEffect: Math.round(design.factor * 100) / 100,
      },
      control: null,
      nodes: result.nodes
        .map(({ node, method, snr, weight, delivery: own }) => ({
          devAddr: node.devAddr,
          name: node.name,
          a: sideCounts(node.sent.map(({ a }) => a)),
          b: sideCounts(node.sent.map(({ b }) => b)),
          pairs: countsOf(node.sent),
          snrDifferenceDb: intervalOf(snr),
          deliveryDifference: intervalOf(own, SHARE_DIGITS),
          weight,
          method,
          methodWords: methodWords(method),
        }))
        .sort(mostFrames)
        .slice(0, MOST_NODES),
      spreadingFactors: pairedGroups(nodes, ({ rate }) => rate.label, result.otherLoss, design),
      channels: pairedGroups(nodes, channelLabel, result.otherLoss, design),
      snr: histogram(
        sent.map(({ a }) => a),
        sent.map(({ b }) => b),
      ),
      difference: differenceBins(differences),
    },
  };
}

type Control = NonNullable<TrialAnswer["control"]>;

function judgeSequential(
  store: Store,
  { controlId }: Gathered,
  evidence: Parameters<typeof sequentialTrial>[0],
): Judged {
  const { nodes } = evidence;
  const result = sequentialTrial(evidence);
  const a = nodes.flatMap((node) => node.a);
  const b = nodes.flatMap((node) => node.b);
  const { snr, uncontrolled, delivery } = result;
  const drift = uncontrolled === null || snr === null ? null : uncontrolled.estimate - snr.estimate;
  const isDrifting = drift !== null && Math.abs(drift) > LIMITS.snrDb;
  const gateway = allGateways(store).find(({ id }) => id === controlId);
  const control: Control | null =
    uncontrolled === null || gateway === undefined
      ? null
      : {
          gatewayEui: gateway.eui,
          gatewayName: labels(store, "gateway").get(gateway.eui)?.name ?? null,
          uncontrolledSnrDifferenceDb: intervalOf(uncontrolled),
        };
  return {
    paired: false,
    // Where a gateway that stood still saw the nodes themselves change, their losses tell of that too.
    differences: { snr, delivery: isDrifting ? null : (delivery?.difference ?? null) },
    frames: result.frames,
    ...spanOf([...a, ...b]),
    reservations: sequentialReservations(result, control, isDrifting ? drift : null),
    parts: {
      commonFrames: null,
      delivery: {
        a: sideCounts(a.map(({ heard }) => heard)),
        b: sideCounts(b.map(({ heard }) => heard)),
        pairs: null,
        mcnemarP: null,
        mcnemarMethod: null,
        designEffect: Math.round((delivery?.designEffect ?? 1) * 100) / 100,
      },
      control,
      nodes: result.nodes
        .map(({ node, method, snr: own, weight, delivery: share }) => ({
          devAddr: node.devAddr,
          name: node.name,
          a: sideCounts(node.a.map(({ heard }) => heard)),
          b: sideCounts(node.b.map(({ heard }) => heard)),
          pairs: null,
          snrDifferenceDb: intervalOf(own),
          deliveryDifference: intervalOf(share, SHARE_DIGITS),
          weight,
          method,
          methodWords: methodWords(method),
        }))
        .sort(mostFrames)
        .slice(0, MOST_NODES),
      spreadingFactors: sequentialGroups(nodes, ({ rate }) => rate.label),
      channels: sequentialGroups(nodes, channelLabel),
      snr: histogram(
        a.map(({ heard }) => heard),
        b.map(({ heard }) => heard),
      ),
      difference: null,
    },
  };
}

function sequentialReservations(
  result: ReturnType<typeof sequentialTrial>,
  control: Control | null,
  drift: number | null,
): string[] {
  const words = [
    "Weather, leaves, other senders and the nodes' batteries may have changed between the two as well; swapping back and forth (A, B, A, B) or a second gateway that stands still would tell them apart.",
  ];
  if (result.nodes.length > 0 && result.dayMatched < result.nodes.length)
    words.push("The two were heard at different times of day, and a site has its daily course.");
  const unknown = result.nodes.filter(({ method }) => method === "power unknown").length;
  if (unknown > 0)
    words.push(
      `${unknown} of ${result.nodes.length} nodes accepted a command between the two that may have changed their power; they take no part in the level.`,
    );
  if (control !== null) {
    const name = control.gatewayName ?? control.gatewayEui;
    words.push(`What ${name}, which stood still, saw change at the same nodes was taken off.`);
    if (drift !== null)
      words.push(
        `${name} itself saw the nodes change by ${decibel(drift)}: the loss of frames tells of that too, and decides nothing here.`,
      );
  }
  return words;
}

function spanOf(sent: readonly { readonly atUs: number }[]): { firstUs: number; lastUs: number } {
  let firstUs = Number.POSITIVE_INFINITY;
  let lastUs = Number.NEGATIVE_INFINITY;
  for (const { atUs } of sent) {
    firstUs = Math.min(firstUs, atUs);
    lastUs = Math.max(lastUs, atUs);
  }
  return sent.length === 0 ? { firstUs: 0, lastUs: 0 } : { firstUs, lastUs };
}

function mostFrames(x: z.infer<typeof TrialNode>, y: z.infer<typeof TrialNode>): number {
  return y.a.expected + y.b.expected - x.a.expected - x.b.expected || x.devAddr.localeCompare(y.devAddr);
}

function channelLabel({ frequencyHz }: { readonly frequencyHz: number | null }): string | null {
  return frequencyHz === null ? null : `${(frequencyHz / 1e6).toFixed(3).replace(/0{1,2}$/, "")}\u2009MHz`;
}

function commonFrames(
  common: readonly { readonly a: Reading | null; readonly b: Reading | null }[],
  differences: readonly number[],
): TrialAnswer["commonFrames"] {
  const readings = common.flatMap(({ a, b }) => (a === null || b === null ? [] : [{ a, b }]));
  const source: SignalPowerSource = chooseSignalPowerSource(readings.flatMap(({ a, b }) => [a, b]));
  const powers = readings.flatMap(({ a, b }) => {
    const one = signalPowerDbm(a, source);
    const other = signalPowerDbm(b, source);
    return one === null || other === null ? [] : [one - other];
  });
  return {
    count: readings.length,
    snrDifferenceDb: shift(differences),
    signedRankP: signedRank(differences).p,
    powerDifferenceDb: shift(powers),
    powerSource: source,
  };
}

function shift(differences: readonly number[]): TrialAnswer["snrDifferenceDb"] {
  const { estimate, low, high } = hodgesLehmann(differences);
  if (estimate === null) return NOTHING;
  if (low === null || high === null) return { ...NOTHING, estimate };
  return intervalOf({ estimate, low, high });
}

const BIN_DB = 1;

function histogram(
  a: readonly (Reading | null)[],
  b: readonly (Reading | null)[],
): z.infer<typeof Histogram> {
  const values = (readings: readonly (Reading | null)[]) =>
    readings.flatMap((reading) => (reading?.snrDb == null ? [] : [reading.snrDb]));
  const ofA = values(a);
  const ofB = values(b);
  const fromDb = Math.floor(leastOf([...ofA, ...ofB]));
  return { fromDb, binDb: BIN_DB, ...binned({ a: ofA, b: ofB }, fromDb, BIN_DB) };
}

function differenceBins(differences: readonly number[]): TrialAnswer["difference"] {
  if (differences.length === 0) return null;
  const fromDb = Math.floor(leastOf(differences));
  const { a } = binned({ a: differences, b: [] }, fromDb, BIN_DB / 2);
  return { fromDb, binDb: BIN_DB / 2, frames: a };
}

/** Bins enough for any SNR that a register can hold. */
const MOST_BINS = 200;

function binned(
  { a, b }: { readonly a: readonly number[]; readonly b: readonly number[] },
  fromDb: number,
  binDb: number,
): { a: number[]; b: number[] } {
  const bin = (value: number) => Math.min(MOST_BINS - 1, Math.floor((value - fromDb) / binDb));
  let most = -1;
  for (const value of [...a, ...b]) most = Math.max(most, bin(value));
  const counted = (values: readonly number[]) => {
    const counts = new Array<number>(most + 1).fill(0);
    for (const value of values) counts[bin(value)] = (counts[bin(value)] ?? 0) + 1;
    return counts;
  };
  return { a: counted(a), b: counted(b) };
}

function leastOf(values: readonly number[]): number {
  let least = Number.POSITIVE_INFINITY;
  for (const value of values) least = Math.min(least, value);
  return values.length === 0 ? 0 : least;
}
