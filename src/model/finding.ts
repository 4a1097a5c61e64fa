/** What does a finding say? The cause of a gap, how sure that is, and what it rests on. */

import type { CauseWord } from "../words/causes.ts";
import type { Certainty } from "../words/certainty.ts";
import type { Scene, Stretch } from "./scene.ts";

/** Which row of a drawing shows what a sentence speaks of. */
export type Lane =
  | "counters"
  | "neighbours"
  | "heartbeat"
  | "noise"
  | "load"
  | "margin"
  | "channels"
  | "transmissions"
  | "joins";

/** Which receptions a sentence rests on. `ofNode`: those of the gap's node alone. */
export interface RestsOn extends Stretch {
  readonly ofNode: boolean;
  readonly gatewayEui: string | null;
}

export interface FindingEvidence {
  readonly sentence: string;
  readonly lane: Lane;
  readonly restsOn: RestsOn | null;
  /** Natural logarithm of how much likelier it makes the cause. */
  readonly weight: number;
}

export interface GapJudgement {
  /** Chance may have made it, and nothing around it says otherwise: it is no dropout. */
  readonly isChance: boolean;
  readonly cause: CauseWord;
  readonly confidence: number;
  /** From the confidence alone, see src/words/certainty.ts. */
  readonly word: Certainty;
  readonly sentence: string;
  /** Strongest first; of an unexplained gap for and against whatever came closest. */
  readonly evidence: readonly FindingEvidence[];
  readonly against: readonly FindingEvidence[];
  readonly alternatives: readonly { readonly cause: CauseWord; readonly confidence: number }[];
  readonly recordNext: readonly string[];
  /** Whose trouble it is, and of which gateway (row id). */
  readonly scope: "node" | "gateway" | "site";
  readonly gatewayId: number | null;
}

/** How a scene is judged; the store is handed it, since it judges nothing itself. */
export type JudgeGap = (scene: Scene) => GapJudgement;
