/**
 * What of that which is watched holds now? Rules and facts in, conditions out. What lasts has the same key as long as it
 * lasts; an event has a key of its own. When a message is sent, incidents.ts decides.
 */
import type { WatchKind, WatchRule } from "../contract/watches.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import { CAUSE_LABELS, type CauseWord } from "../words/causes.ts";
import { decibel, duration, figure, megahertz, percent } from "../words/format.ts";
import type { NodeHealth, SiteHealth } from "./check.ts";
import { THRESHOLDS } from "./status.ts";

export interface FindingFact {
  readonly id: string;
  readonly cause: CauseWord;
  /** What the cause struck: a gateway, else the node where the cause is one node's own; null: more than can be named. */
  readonly where: string | null;
  readonly fromUs: number;
  readonly sentence: string;
}

export interface NoiseFact {
  readonly gateway: string;
  readonly frequencyHz: number;
  /** Over the hours that were looked at, as far as it rises beyond chance. */
  readonly riseDb: number;
}

/** What the store knows. `health`, over the last hour. */
export interface StoredWatchFacts {
  readonly health: SiteHealth;
  readonly findings: readonly FindingFact[];
  readonly noise: readonly NoiseFact[];
  /** Steps of this machine's clock, forward, as recorded. */
  readonly clockStepsUs: readonly number[];
}

/** Of a site that no gateway belongs to (any more): nothing that is watched holds there. */
export const NO_WATCH_FACTS: StoredWatchFacts = {
  health: { recordedSeconds: 0, notRecordingSeconds: null, gateways: [], nodes: [] },
  findings: [],
  noise: [],
  clockStepsUs: [],
};

export interface WatchFacts extends StoredWatchFacts {
  /** The same of each site that a rule names. */
  readonly sites: ReadonlyMap<string, StoredWatchFacts>;
  /** Empty while the disk of the store has room. */
  readonly diskWords: string;
  /** Empty while what arrives is stored. */
  readonly notRecordingWords: string;
  /** By how much this machine's clock was set back since the last look, seconds; 0: it was not. */
  readonly setBackSeconds: number;
}

export interface Condition {
  readonly key: string;
  readonly watch: WatchKind;
  readonly sentence: string;
  /** Known only of events, and reported instead of the moment at which they were seen. */
  readonly atUs?: number;
  /** Of an event that goes on in others: those of one kind, and of one place where that is known, are reported once. */
  readonly group?: { readonly kind: string; readonly where: string | null };
}

export interface Conditions {
  readonly lasting: readonly Condition[];
  readonly events: readonly Condition[];
}

/** Returns what holds. `nowUs`: the moment of the facts. */
export function conditionsOf(rules: readonly WatchRule[], facts: WatchFacts, nowUs: number): Conditions {
  const found = rules.flatMap((rule) => ofRule(rule, facts, nowUs));
  const once = [...new Map(found.map((condition) => [condition.key, condition])).values()];
  const isEvent = ({ watch }: Condition) => watch === "finding" || watch === "clock-stepped";
  return { lasting: once.filter((one) => !isEvent(one)), events: once.filter(isEvent) };
}

function ofRule(rule: WatchRule, whole: WatchFacts, nowUs: number): Condition[] {
  const { watch } = rule;
  const site = siteOfRule(rule);
  const ofSite = site === null ? undefined : whole.sites.get(site);
  if (site !== null && ofSite === undefined) return [];
  const facts: WatchFacts = { ...whole, ...ofSite };
  // A site counts the frames that its own gateways heard: what a node lost there is a figure of its own.
  const [at, keyed] = site === null ? ["", ""] : [` at ${site}`, ` @ ${site}`];
  switch (rule.watch) {
    case "gateway-silent":
      return facts.health.gateways
        .filter(({ eui }) => rule.gateways?.includes(eui) ?? true)
        .filter(({ silentSeconds }) => silentSeconds > rule.minutes * 60)
        .map(({ eui, name, silentSeconds }) => ({
          key: `${watch} ${eui}`,
          watch,
          sentence: `Gateway ${titled(name, eui)} has been silent for ${duration(silentSeconds)}.`,
        }));
    case "node-overdue":
      return nodesOf(rule.nodes, facts)
        .filter(({ isOverdue }) => isOverdue)
        .map(({ devAddr, name, silentSeconds }) => ({
          key: `${watch} ${devAddr}${keyed}`,
          watch,
          sentence: `Node ${titled(name, devAddr)}${at} is overdue: silent for ${duration(silentSeconds)}.`,
        }));
    case "node-loss":
      return nodesOf(rule.nodes, facts).flatMap((node) => {
        const { devAddr, name } = node;
        const figures = lossAbove([node], rule.share);
        if (figures === null) return [];
        const sentence = `Node ${titled(name, devAddr)} lost ${figures}${at} in the last hour.`;
        return [{ key: `${watch} ${devAddr}${keyed}`, watch, sentence }];
      });
    case "site-loss": {
      const figures = lossAbove(nodesOf(undefined, facts), rule.share);
      if (figures === null) return [];
      const sentence = `All nodes together lost ${figures}${at} in the last hour.`;
      return [{ key: `${watch}${keyed}`, watch, sentence }];
    }
    case "finding":
      return facts.findings
        .filter(({ cause }) => rule.causes.includes(cause))
        .map(({ id, cause, where, fromUs, sentence }) => ({
          key: `${watch} ${id}`,
          group: { kind: cause, where },
          watch,
          sentence: `${CAUSE_LABELS[cause]}: ${sentence}`,
          atUs: fromUs,
        }));
    case "noise-up":
      return facts.noise
        .filter(({ riseDb }) => riseDb >= rule.db)
        .map(({ gateway, frequencyHz, riseDb }) => ({
          key: `${watch} ${gateway} ${frequencyHz}`,
          watch,
          sentence: `${megahertz(frequencyHz)} at ${gateway} has become ${decibel(riseDb)} louder.`,
        }));
    case "disk-short":
      return facts.diskWords === "" ? [] : [{ key: watch, watch, sentence: facts.diskWords }];
    case "not-recording":
      return facts.notRecordingWords === "" ? [] : [{ key: watch, watch, sentence: facts.notRecordingWords }];
    case "clock-stepped": {
      const forward = facts.clockStepsUs.map((atUs) => ({
        key: `${watch} ${atUs}`,
        watch,
        sentence: "This machine's clock was set forward. Times before and after differ by the step.",
        atUs,
      }));
      if (facts.setBackSeconds <= 0) return forward;
      const sentence = `This machine's clock was set back by ${duration(facts.setBackSeconds)}.`;
      return [...forward, { key: `${watch} ${nowUs}`, watch, sentence, atUs: nowUs }];
    }
  }
}

/** The site that a rule is narrowed to; null: none. */
export function siteOfRule(rule: WatchRule): string | null {
  return "site" in rule ? (rule.site ?? null) : null;
}

/** Nodes named by a rule, or all but strangers. */
function nodesOf(named: readonly string[] | undefined, { health }: WatchFacts) {
  return health.nodes.filter(({ devAddr, isStranger }) => named?.includes(devAddr) ?? !isStranger);
}

/**
 * What nodes lost together, as "5.0 % (3 of 60)", where that is above the limit and chance does not explain it: at least
 * ten counters, and the limit below the share's 95 % interval (Wilson). One lost frame of a dozen is nobody's alarm.
 */
function lossAbove(nodes: readonly NodeHealth[], limit: number): string | null {
  const outage = nodes.reduce((sum, { missedDuringOutage }) => sum + missedDuringOutage, 0);
  const expected = nodes.reduce((sum, node) => sum + node.expected, -outage);
  const missed = nodes.reduce((sum, node) => sum + node.missed, -outage);
  if (expected < THRESHOLDS.leastExpected || wilsonInterval(missed, expected).low <= limit) return null;
  return `${percent(missed / expected)} (${figure(missed)} of ${figure(expected)})`;
}

function titled(name: string | null, id: string): string {
  return name === null ? id : `${name} (${id})`;
}
