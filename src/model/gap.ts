/**
 * What is known of the time around a gap? Everything that a finding may rest on, gathered by the store and handed in:
 * nothing in this folder asks a database or a clock.
 */

import type { CauseWord, Certainty } from "../words/causes.ts";
import type { NamedText } from "./text.ts";
import type { TimeRange } from "./time-range.ts";

/** One packet as one gateway reported it, ghosts and replays left out. */
export interface SceneReception {
  /** End of the packet. */
  readonly atUs: number;
  readonly gatewayId: number;
  /** The concentrator's counter, microseconds; null where the forwarder gave none. */
  readonly tmstUs: number | null;
  readonly crcOk: boolean;
  /** Null where it is no frame of a node's counter life. */
  readonly devAddr: number | null;
  readonly lifeId: number | null;
  readonly counter: number | null;
  readonly repeat: boolean;
  /** DevEUI of a join-request. */
  readonly joinEui: string | null;
  readonly frequencyHz: number | null;
  readonly spreadingFactor: number | null;
  readonly dataRate: number;
  readonly rssiDbm: number | null;
  readonly signalRssiDbm: number | null;
  readonly snrDb: number | null;
  readonly airtimeUs: number;
}

/** A status report of a gateway, of the interval that ends with it. */
export interface SceneReport {
  readonly atUs: number;
  readonly received: number | null;
  readonly crcOk: number | null;
  readonly forwarded: number | null;
  readonly emitted: number | null;
  /** Share of its datagrams acknowledged in time, percent (`ackr`). */
  readonly ackPercent: number | null;
}

/** What a concentrator's counter did across a silence. `began-anew`: from 0; `stood`: behind by as long as it stood. */
export type CounterAcross = "ran-on" | "began-anew" | "stood";

export interface SceneGateway {
  readonly id: number;
  readonly eui: string;
  /** Stretches without a datagram that touch the scene. `restarted`: the concentrator's counter restarted with it; null: unknown. */
  readonly outages: readonly (TimeRange & { readonly restarted: boolean | null; readonly open: boolean })[];
  /** Where nothing was recorded of it. */
  readonly notRecorded: readonly TimeRange[];
  /** When its concentrator's counter restarted. */
  readonly restartsUs: readonly number[];
  /** Whether it tells that counter at all. */
  readonly tellsCounter: boolean;
  readonly keepaliveUs: number | null;
  /** Keepalives by time. */
  readonly keepalivesUs: readonly number[];
  readonly reports: readonly SceneReport[];
  /** Its own transmissions, as far as they are known. */
  readonly transmissions: readonly TimeRange[];
}

/** What came after the last frame before the gap, in the life's own address. */
export interface NextLife {
  readonly number: number;
  readonly begunBy: string;
  readonly firstAtUs: number;
  readonly firstCounter: number;
}

/** Another device under the same address, side by side with this life. */
export interface SharedAddress {
  readonly otherLife: number;
  /** How often the frames went over from the one to the other. */
  readonly alternations: number;
  readonly fromUs: number;
  readonly toUs: number;
}

/** Another address that began right after this one fell silent. */
export interface Successor {
  readonly devAddr: number;
  readonly life: number;
  readonly firstAtUs: number;
  readonly joinEui: string;
  readonly joinAtUs: number;
}

/** What a gap is by the counters, as it is found, stored and judged. */
export interface GapFigures extends TimeRange {
  readonly kind: "counters" | "silence" | "steady";
  readonly missed: number;
  readonly firstMissed: number | null;
  readonly lastMissed: number | null;
  readonly heard: number;
  readonly rhythmUs: number | null;
  /**
   * What it lacks to be beyond chance by its own losses (natural logarithm of the odds); 0: nothing. What lacks something
   * is a gap only when others lost as well.
   */
  readonly lacking: number;
}

export interface SceneGap extends GapFigures {
  readonly devAddr: number;
  readonly life: number;
  readonly lifeId: number;
  readonly open: boolean;
  readonly expectedByRhythm: number | null;
}

export interface Scene {
  readonly gap: SceneGap;
  /** Newest moment known. */
  readonly nowUs: number;
  /** The part of the gap that was looked at: all of it unless it is long. */
  readonly within: TimeRange;
  readonly before: TimeRange;
  readonly after: TimeRange;
  /** Silences of all gateways at once, in and around the gap: nobody sent a datagram for longer than one interval allows. */
  readonly nobody: readonly TimeRange[];
  /** How many gateways send something by the clock, so that a silence of all can be recognised. */
  readonly followed: number;
  /** Gateways that usually hear the node; the best first. */
  readonly homes: readonly SceneGateway[];
  /** Of the homes, in order of time, from `before` to `after`. */
  readonly receptions: readonly SceneReception[];
  readonly nextLife: NextLife | null;
  readonly shared: SharedAddress | null;
  readonly successor: Successor | null;
  /** DevEUI of the device that lived the life, where it is known. */
  readonly devEui: string | null;
}

// What does a finding say? The cause of a gap, how sure that is, and what it rests on.

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
export interface RestsOn extends TimeRange {
  readonly ofNode: boolean;
  readonly gatewayEui: string | null;
}

export interface FindingEvidence {
  readonly sentence: NamedText;
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
  /** From the confidence alone, see src/words/causes.ts. */
  readonly word: Certainty;
  readonly sentence: NamedText;
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
