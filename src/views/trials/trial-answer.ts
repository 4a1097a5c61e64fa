/** What does comparing two sides say? The judgement in the contract's shape, with all that it rests on. */
import type { TrialAnswer, Verdict } from "../../contract/trials.ts";
import { FEWEST_COUNTERS } from "../../diagnosis/trials/sequential-delivery.ts";
import { type Differences, framesInAll, LIMITS, verdictOf } from "../../diagnosis/trials/verdict.ts";
import {
  methodSentences,
  neededWords,
  placeWords,
  TRIAL_CAUTION,
  trialSentence,
} from "../../diagnosis/trials/words.ts";
import type { Store } from "../../store/open.ts";
import { type AskedWindow, windowView } from "../window.ts";
import { judgePaired } from "./judge-paired.ts";
import { judgeSequential } from "./judge-sequential.ts";
import { type Judged, NOTHING_JUDGED } from "./judged.ts";
import type { Side } from "./sides.ts";
import { type Gathered, gather } from "./trial-evidence.ts";
import { intervalOf, rounded, SHARE_DIGITS } from "./trial-groups.ts";

export interface JudgedTrial {
  readonly answer: TrialAnswer;
  readonly differences: Differences;
}

/** Judges two sides over the window: the answer in full, and its differences for a judgement among several pairs. */
export function judgedTrial(store: Store, window: AskedWindow, a: Side, b: Side): JudgedTrial {
  const gathered = gather(store, window, a, b);
  const judged = judge(store, gathered);
  const { differences, paired } = judged;
  const verdict = verdictOf(differences);
  const outlook = outlookOf(gathered, judged, verdict);
  const answer: TrialAnswer = {
    window: windowView(window),
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
    ...outlook,
    verdict,
    limits: LIMITS,
    ...placeAlone(a, b, differences),
    ...judged.parts,
    reservations: [...gathered.reservations, ...judged.reservations],
    method: methodSentences(paired),
    caution: TRIAL_CAUTION,
  };
  return { answer, differences };
}

type Outlook = Pick<
  TrialAnswer,
  "enough" | "framesStillNeeded" | "minutesStillNeeded" | "progress" | "neededWords"
>;

/** How far the trial has come, and what it would take, at the pace at which frames came so far. */
function outlookOf(gathered: Gathered, judged: Judged, verdict: Verdict): Outlook {
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
    neededWords: isUntold ? nothingWords(gathered) : neededWords(still, minutes, paired),
  };
}

function nothingWords({ trial }: Gathered): string {
  switch (trial.kind) {
    case "none":
      return "one of them heard nothing in this window while it stood so.";
    case "sequential":
      return trial.evidence.nodes.length === 0
        ? "no node was heard in both periods of this window."
        : `no node sent ${FEWEST_COUNTERS} frames at one data rate in each of the two periods.`;
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
  // Both are told to a tenth; their difference must not carry the dust of binary fractions.
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
