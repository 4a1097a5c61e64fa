/** What does comparing two sides say? The judgement in the contract's shape, with all that it rests on. */

import type { TrialAnswer, Verdict } from "../../contract/trials.ts";
import { countsOf, type PairedResult, pairedTrial } from "../../diagnosis/trials/paired.ts";
import { pairedSnr, snrByRate, strataOf } from "../../diagnosis/trials/paired-snr.ts";
import {
  methodSentences,
  methodWords,
  neededWords,
  placeWords,
  TRIAL_CAUTION,
  trialSentence,
} from "../../diagnosis/trials/sentences.ts";
import { MIN_COUNTERS } from "../../diagnosis/trials/sequential-delivery.ts";
import {
  type Differences,
  framesInAll,
  LIMITS,
  type PairedNode,
  type Reading,
  type Sent,
  SNR_CEILING_DB,
  verdictOf,
} from "../../diagnosis/trials/verdict.ts";
import { rounded } from "../../model/rounding.ts";
import { chooseSignalPowerSource, type SignalPowerSource, signalPowerDbm } from "../../radio/noise.ts";
import { hodgesLehmann, signedRank } from "../../statistics/signed-rank.ts";
import type { Store } from "../../store/open.ts";
import { type AskedWindow, windowView } from "../window.ts";
import { type Gathered, gather } from "./evidence.ts";
import {
  channelLabel,
  differenceBins,
  histogram,
  intervalOf,
  type Judged,
  MAX_NODES,
  mostFrames,
  NOTHING,
  NOTHING_JUDGED,
  pairedGroups,
  SHARE_DIGITS,
  sideCounts,
  spanOf,
} from "./groups.ts";
import { judgeSequential } from "./sequential.ts";
import type { SharedFrames } from "./shared-frames.ts";
import type { Side } from "./sides.ts";

// What do the frames that both sides heard say by themselves? For comparison: the floor has chosen them.

/** `differences`: of their SNR, a minus b, dB. */
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

// What does a trial say whose sides heard the same frames at once?

function judgePaired(nodes: readonly PairedNode[]): Judged {
  const result = pairedTrial({ nodes });
  const sent = nodes.flatMap((node) => node.sent);
  const reservations: string[] = [];
  const strong = result.nodes.filter(({ method }) => method === "too strong").length;
  if (strong > 0)
    reservations.push(
      `${strong} of ${nodes.length} nodes are too strong to compare by SNR (above +${SNR_CEILING_DB}\u202FdB); they count for delivery.`,
    );
  if (nodes.length === 1) reservations.push("One node alone: what holds for it need not hold for others.");
  return {
    paired: true,
    differences: { snr: result.snr, delivery: result.delivery?.difference ?? null },
    frames: result.frames,
    ...spanOf(sent),
    reservations,
    parts: () => pairedParts(nodes, sent, result),
  };
}

function pairedParts(
  nodes: readonly PairedNode[],
  sent: readonly Sent[],
  result: PairedResult,
): ReturnType<Judged["parts"]> {
  const { delivery } = result;
  const design = { factor: delivery?.designEffect ?? 1, degrees: delivery?.difference.degrees ?? 1 };
  const common = sent.filter(({ a, b }) => a !== null && b !== null);
  const differences = common.flatMap(({ a, b }) =>
    a?.snrDb == null || b?.snrDb == null ? [] : [a.snrDb - b.snrDb],
  );
  return {
    commonFrames: commonFrames(common, differences),
    delivery: {
      a: sideCounts(sent.map(({ a }) => a)),
      b: sideCounts(sent.map(({ b }) => b)),
      pairs: countsOf(sent),
      mcnemarP: delivery?.mcnemar.p ?? null,
      mcnemarMethod: delivery?.mcnemar.method ?? null,
      designEffect: rounded(design.factor, 2),
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
        weight: rounded(weight, SHARE_DIGITS),
        method,
        methodWords: methodWords(method),
      }))
      .sort(mostFrames)
      .slice(0, MAX_NODES),
    spreadingFactors: pairedGroups(
      nodes,
      ({ rate }) => rate.label,
      (_, label, node) => result.byRate[node]?.get(label)?.effect ?? null,
      design,
    ),
    channels: pairedGroups(
      nodes,
      channelLabel,
      (own) => pairedSnr(snrByRate(strataOf(own), result.otherLoss)).effect,
      design,
    ),
    snr: histogram(
      sent.map(({ a }) => a),
      sent.map(({ b }) => b),
    ),
    difference: differenceBins(differences),
  };
}

export interface JudgedTrial {
  readonly differences: Differences;
  /** What a row of several trials says of it. */
  readonly summary: Pick<
    TrialAnswer,
    "a" | "b" | "paired" | "sentence" | "snrDifferenceDb" | "deliveryDifference" | "verdict"
  >;
  /** In full, where it was wanted: the frames of all trials would fill the memory. */
  readonly answer: TrialAnswer | null;
}

/** Judges two sides over the window, with its differences for a judgement among several pairs. `isWanted`: in full. */
export function judgedTrial(
  store: Store,
  window: AskedWindow,
  a: Side,
  b: Side,
  shared: SharedFrames,
  isWanted: boolean,
): JudgedTrial {
  const gathered = gather(store, window, a, b, shared);
  const judged = judge(store, gathered);
  const { differences, paired } = judged;
  const verdict = verdictOf(differences);
  const outlook = outlookOf(judged, verdict, () => nothingWords(gathered));
  const summary = {
    a: a.view,
    b: b.view,
    paired,
    sentence: trialSentence({
      a: a.view.name,
      b: b.view.name,
      verdict,
      differences,
      needed: outlook.neededWords,
    }),
    snrDifferenceDb: intervalOf(differences.snr),
    deliveryDifference: intervalOf(differences.delivery, SHARE_DIGITS),
    verdict,
  };
  if (!isWanted) return { differences, summary, answer: null };
  const answer: TrialAnswer = {
    window: windowView(window),
    ...summary,
    ...outlook,
    limits: LIMITS,
    ...placeAlone(a, b, differences),
    ...judged.parts(),
    reservations: [...gathered.reservations, ...judged.reservations],
    method: methodSentences(paired),
    caution: TRIAL_CAUTION,
  };
  return { differences, summary, answer };
}

export type Outlook = Pick<
  TrialAnswer,
  "enough" | "framesStillNeeded" | "minutesStillNeeded" | "progress" | "neededWords"
>;

/** How far the trial has come, and what it would take, at the pace at which frames came so far. `nothing`: why nothing can be known. */
export function outlookOf(judged: Judged, verdict: Verdict, nothing: () => string): Outlook {
  const { differences, frames, paired } = judged;
  const enough = verdict !== "not enough";
  const inAll = framesInAll(frames, differences);
  const isOpen = !enough && Number.isFinite(inAll);
  const still = enough ? 0 : isOpen ? Math.max(1, Math.ceil(inAll - frames)) : null;
  const perMinute = frames / Math.max(1 / 60, (judged.lastUs - judged.firstUs) / 60e6);
  const minutes = still === null ? null : enough ? 0 : Math.ceil(still / Math.max(1e-9, perMinute));
  const isUntold = differences.snr === null && differences.delivery === null;
  return {
    enough,
    framesStillNeeded: frames === 0 ? null : still,
    minutesStillNeeded: frames === 0 ? null : minutes,
    progress: enough ? 1 : isOpen && inAll > 0 ? rounded(Math.min(0.99, frames / inAll), SHARE_DIGITS) : 0,
    neededWords: isUntold ? nothing() : neededWords(still, minutes, paired),
  };
}

function nothingWords({ trial }: Gathered): string {
  switch (trial.kind) {
    case "none":
      return "one of them heard nothing in this window while it stood so.";
    case "sequential":
      return trial.evidence.nodes.length === 0
        ? "no node was heard in both periods of this window."
        : `no node sent ${MIN_COUNTERS} frames at one data rate in each of the two periods.`;
    case "paired":
      return "no node has sent three frames yet while both listened.";
  }
}

/** What antennas and cables account for, as far as it was said of both, and what is left for the place. */
function placeAlone(
  a: Side,
  b: Side,
  { snr }: Differences,
): Pick<TrialAnswer, "knownGainDifferenceDb" | "placeAloneDb" | "placeWords"> {
  if (a.netGainDb === null || b.netGainDb === null)
    return { knownGainDifferenceDb: null, placeAloneDb: null, placeWords: null };
  // Both are given to a tenth; their difference must not carry the dust of binary fractions.
  const known = rounded(a.netGainDb - b.netGainDb, 1);
  if (snr === null) return { knownGainDifferenceDb: known, placeAloneDb: null, placeWords: null };
  const less = (value: number) => value - known;
  const place = { estimate: less(snr.estimate), low: less(snr.low), high: less(snr.high) };
  return {
    knownGainDifferenceDb: known,
    placeAloneDb: intervalOf(place),
    placeWords: placeWords({
      a: a.view.name,
      b: b.view.name,
      foundDb: snr.estimate,
      knownDb: known,
      place,
    }),
  };
}

function judge(store: Store, gathered: Gathered): Judged {
  const { trial } = gathered;
  if (trial.kind === "paired") return judgePaired(trial.evidence.nodes);
  if (trial.kind === "sequential") return judgeSequential(store, gathered, trial.evidence);
  return NOTHING_JUDGED;
}
