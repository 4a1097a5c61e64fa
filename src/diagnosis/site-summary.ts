/**
 * What is always so at this site, what happened, and what to do about it? Standing conditions first (true over most of the recorded
 * time, each once, with its size), then events with a begin and an end, then the next steps, strongest first. Every sentence
 * claims only what was observed.
 */

import type { Cause, DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import type { SiteEvent, SiteSummary, StandingCondition } from "../contract/site.ts";
import { groupBy } from "../model/group-by.ts";
import { CAUSE_LABELS } from "../words/causes.ts";
import { duration, percentInWords, plural } from "../words/format.ts";
import { type Condition, type ConditionEvidence, standingConditions } from "./site-conditions.ts";

export interface SiteEvidence extends ConditionEvidence {
  readonly episodes: readonly EpisodeRow[];
  /** What happened to gateways as a whole. */
  readonly gatewayEvents: readonly GatewayFault[];
  /** The site's sentence, as text. */
  readonly opening: string;
  /** How much of the window was recorded, 0 to 1. */
  readonly recordedShare: number;
}

/** An event of a gateway that is a cause of gaps as well. */
export interface GatewayFault {
  readonly gatewayEui: string;
  readonly cause: Extract<Cause, "gateway-deaf" | "gateway-weakened" | "backhaul-loss">;
  readonly from: string;
  readonly to: string;
  readonly open: boolean;
  readonly word: DropoutRow["finding"]["word"];
  readonly nodes: number;
  readonly sentence: string;
  readonly advice: string;
}

const MAX_SENTENCES = 5;
const MAX_EVENTS = 50;
const MAX_STEPS = 8;

/** Puts a site in at most five sentences, with the lists that they are taken from. No gap stands twice. */
export function summariseSite(evidence: SiteEvidence): SiteSummary {
  const standing = standingConditions(evidence);
  const belongs = new Set(standing.flatMap(({ gapIds }) => gapIds));
  const all = eventsOf(
    evidence.gaps.filter(({ id }) => !belongs.has(id)),
    evidence.episodes,
    evidence.gatewayEvents,
  );
  const events = all.slice(0, MAX_EVENTS);
  return {
    sentences: [...opening(evidence), ...openingLines(standing, all)].slice(0, MAX_SENTENCES),
    standing: standing.map(({ gapIds: _, subject: __, step: ___, ...condition }) => condition),
    events: events.map(({ step: _, ...event }) => event),
    eventsCut: all.length > events.length,
    toDo: [...new Set([...standingSteps(standing), ...events.flatMap(({ step }) => step ?? [])])].slice(
      0,
      MAX_STEPS,
    ),
  };
}

type Event = SiteEvent & { readonly step: string | null };

function eventsOf(
  gaps: readonly DropoutRow[],
  episodes: readonly EpisodeRow[],
  faults: readonly GatewayFault[],
): Event[] {
  const shared = episodes.map(
    ({ from, to, open, nodes, missedCounters, gapIds, finding, gateway, gatewayName }): Event => ({
      from,
      to,
      open,
      cause: finding.cause,
      word: finding.word,
      nodes,
      gaps: gapIds.length,
      missedCounters,
      devAddr: null,
      gateway,
      sentence: finding.sentence,
      step: stepFor(finding.cause, gatewayName ?? gateway ?? "the gateways", finding.recordNext),
    }),
  );
  const alone = gaps.filter(({ episode }) => episode === null);
  return [...shared, ...groupedByNode(alone), ...withoutGaps(faults, [...episodes, ...gaps])].sort(
    (a, b) => b.nodes * b.missedCounters - a.nodes * a.missedCounters || b.from.localeCompare(a.from),
  );
}

/** Faults of gateways that no gap of the same cause tells already: no frame was lost yet, or its loss is attributed to more. */
function withoutGaps(
  faults: readonly GatewayFault[],
  shown: readonly Pick<DropoutRow, "gateway" | "from" | "to" | "finding">[],
): Event[] {
  return faults
    .filter(
      (fault) =>
        !shown.some(
          ({ gateway, finding, from, to }) =>
            gateway === fault.gatewayEui &&
            finding.cause === fault.cause &&
            from < fault.to &&
            to > fault.from,
        ),
    )
    .map(({ gatewayEui, advice, ...fault }) => ({
      ...fault,
      gaps: 0,
      missedCounters: 0,
      devAddr: null,
      gateway: gatewayEui,
      step: advice,
    }));
}

/** Gaps of one node with one cause are one line, however many they are. */
function groupedByNode(gaps: readonly DropoutRow[]): Event[] {
  const groups = groupBy(gaps, ({ devAddr, life, finding }) => `${devAddr}/${life}/${finding.cause}`);
  return [...groups.values()].map((group): Event => {
    const [first] = group;
    const surest = group.reduce((a, b) => (b.finding.confidence > a.finding.confidence ? b : a));
    const title = first.name ?? first.devAddr;
    const missedCounters = group.reduce((sum, gap) => sum + gap.missedCounters, 0);
    const { cause, word } = surest.finding;
    return {
      from: group.map(({ from }) => from).sort()[0] ?? first.from,
      to:
        group
          .map(({ to }) => to)
          .sort()
          .at(-1) ?? first.to,
      open: group.some(({ open }) => open),
      cause,
      word,
      nodes: 1,
      gaps: group.length,
      missedCounters,
      devAddr: first.devAddr,
      gateway: null,
      sentence:
        group.length === 1
          ? `${title}: ${first.finding.sentence}`
          : `${title}: ${plural(group.length, "gap")} of ${lengths(group)}, ${plural(missedCounters, "counter")} missed. ${causeText(cause, word)}`,
      step: stepFor(cause, title, surest.finding.recordNext),
    };
  });
}

/** "2 h to 6 days 16 h". */
function lengths(gaps: readonly DropoutRow[]): string {
  const seconds = gaps.map(({ from, to }) => (Date.parse(to) - Date.parse(from)) / 1000);
  const [low, high] = [duration(Math.min(...seconds)), duration(Math.max(...seconds))];
  return low === high ? low : `${low} to ${high}`;
}

function causeText(cause: DropoutRow["finding"]["cause"], word: string): string {
  if (cause === "unexplained") return "Cause unknown.";
  const name = CAUSE_LABELS[cause];
  return `${name[0]?.toUpperCase()}${name.slice(1)} (${word}).`;
}

/** What a person can do about a cause; null where the finding itself says what to record next. */
const STEPS: Readonly<Record<string, (who: string) => string>> = {
  "gateway-unreachable": (who) => `${who}: check its power and its network line.`,
  "gateway-restarted": (who) => `${who}: find out why it restarts; power supply first.`,
  "gateway-deaf": (who) =>
    `${who}: restart its forwarder; if it happens again, check power supply and board.`,
  "gateway-weakened": (who) =>
    `${who}: check antenna, cable, connectors and lightning arrester, then the gain.`,
  "backhaul-loss": (who) => `${who}: check the link to the listener; mobile signal or a full uplink first.`,
  "node-silent": (who) => `${who}: check the node itself; battery first.`,
  "node-restarted": (who) => `${who}: find out why the node restarts.`,
  "rejoin-loop": (who) => `${who}: check its keys and whether join-accepts reach it in time.`,
  "weak-link": (who) => `${who}: check its antenna and the way to the gateway.`,
  interference: (who) => `${who}: look for the source; Air shows channels and hours.`,
  congestion: (who) => `${who}: spread the nodes over data rates, or send less often.`,
  "channel-mismatch": (who) => `${who}: compare the node's channels with the gateway's.`,
  "gateway-transmitting": (who) => `${who}: fewer downlinks and confirmed uplinks.`,
  "shared-address": (who) => `${who}: give one of the two devices another address.`,
};

function stepFor(cause: string, who: string, recordNext: readonly string[]): string | null {
  const step = STEPS[cause];
  if (step !== undefined) return step(who);
  const [next] = recordNext;
  return next === undefined ? null : `${who}: ${next}`;
}

/** One line for the conditions that share a step, with the names of the first few. */
function standingSteps(standing: readonly Condition[]): string[] {
  return [...groupBy(standing, ({ step }) => step("")).values()].map((shared) => {
    const subjects = shared.map(({ subject }) => subject);
    const more = subjects.length - MAX_NAMED;
    return shared[0].step(`${subjects.slice(0, MAX_NAMED).join(", ")}${more > 0 ? ` and ${more} more` : ""}`);
  });
}

const MAX_NAMED = 3;

/** Less than this of the window recorded is worth a sentence. Chosen: a restart of the service is none. */
const MIN_RECORDED = 0.98;

/** The site's sentence, and how much of the window it rests on. */
function opening({ opening: sentence, recordedShare }: SiteEvidence): string[] {
  if (recordedShare >= MIN_RECORDED) return [sentence];
  return [
    sentence,
    `Only ${percentInWords(recordedShare)} of this window was recorded; nothing is said of the rest.`,
  ];
}

/** Two lines for what is always so, two for what happened: kinds with many members as one line with a count. */
function openingLines(standing: readonly Condition[], events: readonly Event[]): string[] {
  const always = [...groupBy(standing, ({ kind }) => kind).values()].map((group) => {
    const [first] = group;
    return group.length === 1
      ? first.sentence
      : `${KIND_COUNTS[first.kind](group.length)} First: ${first.sentence}`;
  });
  const happened = events.slice(0, 2).map(({ sentence }) => sentence);
  const room = MAX_SENTENCES - 1;
  return [...always.slice(0, room - Math.min(happened.length, 2)), ...happened].slice(0, room);
}

const KIND_COUNTS: Readonly<Record<StandingCondition["kind"], (n: number) => string>> = {
  "weak-link": (n) => `${n} nodes have a weak link.`,
  "noisy-channel": (n) => `${n} channels are noisier than the others.`,
  "quiet-channel": (n) => `${n} channels bring less than is due.`,
  "deaf-gateway": (n) => `${n} gateways hear little of your nodes.`,
  "wrong-plan": (n) => `${n} gateways depart from their channel plan.`,
};
