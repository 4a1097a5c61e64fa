/**
 * When is a message sent? A small state machine: conditions go in at each look, at most one message comes out. What begins
 * together is reported together; each incident is reported once when it begins and once when it is over, or once in all; and there
 * are never more than so many messages in any hour. Plain data, so that a restart goes on from what was stored.
 */
import { z } from "zod";
import { type WatchChange, type WatchMessage, WatchRule } from "../contract/watches.ts";
import { groupBy } from "../model/group-by.ts";
import { isoTime } from "../model/time-range.ts";
import { duration, plural } from "../words/format.ts";
import type { Condition, Conditions } from "./watches.ts";

/** What begins within this time is reported as one. Chosen: keepalives of several gateways end up to a minute apart. */
export const GATHER_US = 120_000_000;
/** A condition is over when it was not seen for so long: what comes and goes is one incident. Chosen. */
export const HOLD_US = 300_000_000;
const HOUR_US = 3_600_000_000;
/**
 * Events of one group within this time of each other are one thing that goes on: the gaps of one interference are found one
 * after another, the last when its surroundings are known (two hours). Chosen by that.
 */
export const GROUP_US = 2 * HOUR_US;
/** Events that were reported are remembered for so long, and so many of them: they are no news a second time. Chosen. */
const REMEMBER_US = 2 * 86_400_000_000;
const MAX_REMEMBERED = 2_000;
/** Incidents that are followed at once; what begins beyond them joins the newest. Chosen: a message names 20 things. */
const MAX_INCIDENTS = 100;
const MAX_PARTS = 1_000;

const Kind = z.union(WatchRule.options.map((rule) => rule.shape.watch));

const Part = z.object({ key: z.string(), sentence: z.string(), seenUs: z.number() });

/** Something that lasts, or lasted: one watch, one or more things that it struck together. */
const Incident = z.object({
  id: z.number().int(),
  watch: Kind,
  fromUs: z.number(),
  parts: z.array(Part),
  /** gathering: about to be reported; due: waits for room in the hour; told: its begin was reported. */
  stage: z.enum(["gathering", "due", "told"]),
});
export type Incident = z.infer<typeof Incident>;

/** As it is stored. */
export const WatchState = z.object({
  nextId: z.number().int(),
  /** Time never runs back here, whatever the clock does. */
  nowUs: z.number(),
  incidents: z.array(Incident),
  /** Events that wait to be reported. */
  events: z.array(
    z.object({ key: z.string(), watch: Kind, sentence: z.string(), atUs: z.number(), seenUs: z.number() }),
  ),
  known: z.array(z.object({ key: z.string(), atUs: z.number() })),
  /** Messages of the last hour. */
  sentUs: z.array(z.number()),
});
export type WatchState = z.infer<typeof WatchState>;

export const NO_WATCH_STATE: WatchState = {
  nextId: 1,
  nowUs: 0,
  incidents: [],
  events: [],
  known: [],
  sentUs: [],
};

/** A change that a message tells. */
export interface Change {
  readonly incident: number;
  readonly change: "begin" | "end" | "event";
  readonly watch: Incident["watch"];
  readonly things: readonly string[];
  readonly fromUs: number;
  /** null of a begin. */
  readonly toUs: number | null;
}

export interface WatchStep {
  readonly state: WatchState;
  /** What one message tells now; empty: none. */
  readonly changes: readonly Change[];
}

/** One look. At the first of all, events that are there already are no news. */
export function stepWatches(
  before: WatchState,
  { lasting, events }: Conditions,
  clockUs: number,
  mostAnHour: number,
): WatchStep {
  const isFirst = before.nowUs === 0;
  const nowUs = Math.max(clockUs, before.nowUs);
  let { nextId } = before;
  const incidents = followed(before.incidents, lasting, nowUs);
  for (const [watch, fresh] of groupBy(unfollowed(incidents, lasting), ({ watch }) => watch)) {
    const parts = fresh.map(({ key, sentence }) => ({ key, sentence, seenUs: nowUs }));
    const gathering = incidents.find((one) => one.watch === watch && one.stage === "gathering");
    const joined = gathering ?? (incidents.length >= MAX_INCIDENTS ? incidents.at(-1) : undefined);
    if (joined !== undefined) joined.parts = [...joined.parts, ...parts].slice(0, MAX_PARTS);
    else {
      incidents.push({
        id: nextId,
        watch,
        fromUs: nowUs,
        parts: parts.slice(0, MAX_PARTS),
        stage: "gathering",
      });
      nextId += 1;
    }
  }
  for (const one of incidents)
    if (one.stage === "gathering" && nowUs - one.fromUs >= GATHER_US) one.stage = "due";

  const known = before.known.filter(({ atUs }) => nowUs - atUs < REMEMBER_US);
  const isKnown = new Set(known.map(({ key }) => key));
  const unknown = events.filter(({ key }) => !isKnown.has(key));
  known.push(...unknown.map(({ key }) => ({ key, atUs: nowUs })));
  const news = unknown.filter((event) => !goesOn(event, before.known, nowUs));
  // What was there at the first look is not reported; the next one of it is news.
  if (!isFirst) noteGroups(known, unknown, nowUs);
  const waiting = [
    ...before.events,
    ...(isFirst ? [] : news).map(({ key, watch, sentence, atUs }) => ({
      key,
      watch,
      sentence,
      atUs: atUs ?? nowUs,
      seenUs: nowUs,
    })),
  ].slice(-MAX_PARTS);

  const sentUs = before.sentUs.filter((atUs) => nowUs - atUs < HOUR_US);
  const rest = { nextId, nowUs, known: known.slice(-MAX_REMEMBERED) };
  const isEventDue = waiting.some(({ seenUs }) => nowUs - seenUs >= GATHER_US);
  const due = incidents.some((one) => one.stage === "due" || (one.stage === "told" && isOver(one, nowUs)));
  if ((!due && !isEventDue) || sentUs.length >= mostAnHour)
    return { state: { ...rest, incidents, events: waiting, sentUs }, changes: [] };

  const changes: Change[] = [];
  const left: Incident[] = [];
  for (const one of incidents) {
    const over = isOver(one, nowUs);
    if (one.stage === "gathering" || (one.stage === "told" && !over)) {
      left.push(one);
      continue;
    }
    const change = one.stage === "told" ? "end" : over ? "event" : "begin";
    changes.push({
      incident: one.id,
      change,
      watch: one.watch,
      things: one.parts.map(({ sentence }) => sentence),
      fromUs: one.fromUs,
      toUs: change === "begin" ? null : seenUs(one),
    });
    if (change === "begin") left.push({ ...one, stage: "told" });
  }
  for (const [watch, own] of groupBy(waiting, ({ watch }) => watch)) {
    changes.push({
      incident: rest.nextId,
      change: "event",
      watch,
      things: own.map(({ sentence }) => sentence),
      fromUs: Math.min(...own.map(({ atUs }) => atUs)),
      toUs: Math.max(...own.map(({ atUs }) => atUs)),
    });
    rest.nextId += 1;
  }
  return { state: { ...rest, incidents: left, events: [], sentUs: [...sentUs, nowUs] }, changes };
}

const groupKey = (kind: string, where: string | null): string => `group ${kind} ${where ?? "*"}`;

/** Whether an event belongs to a group of which one was reported, or followed, within the last two hours. */
function goesOn({ group }: Condition, known: WatchState["known"], nowUs: number): boolean {
  if (group === undefined) return false;
  const { kind, where } = group;
  return known.some(({ key, atUs }) => {
    if (nowUs - atUs >= GROUP_US) return false;
    return where === null ? key.startsWith(`group ${kind} `) : key === groupKey(kind, where);
  });
}

function noteGroups(known: WatchState["known"], events: readonly Condition[], nowUs: number): void {
  for (const { group } of events) {
    if (group === undefined) continue;
    const key = groupKey(group.kind, group.where);
    const at = known.findIndex((one) => one.key === key);
    if (at >= 0) known.splice(at, 1);
    known.push({ key, atUs: nowUs });
  }
}

/** The incidents after a look: what is seen is noted. What was gone before it was due was nothing. */
function followed(incidents: readonly Incident[], lasting: readonly Condition[], nowUs: number): Incident[] {
  const seen = new Map(lasting.map((condition) => [condition.key, condition]));
  return incidents.flatMap((one) => {
    const parts = one.parts.flatMap((part) => {
      const condition = seen.get(part.key);
      if (condition !== undefined) return [{ ...part, sentence: condition.sentence, seenUs: nowUs }];
      return one.stage === "gathering" ? [] : [part];
    });
    return parts.length === 0 ? [] : [{ ...one, parts }];
  });
}

function unfollowed(incidents: readonly Incident[], lasting: readonly Condition[]): Condition[] {
  const known = new Set(incidents.flatMap(({ parts }) => parts.map(({ key }) => key)));
  return lasting.filter(({ key }) => !known.has(key));
}

const seenUs = ({ parts }: Incident): number => Math.max(...parts.map((part) => part.seenUs));
const isOver = (one: Incident, nowUs: number): boolean => nowUs - seenUs(one) >= HOLD_US;

// How does a message to a person read? Changes in; subject, text and data out.

/** Things that a message names; the rest is counted. */
const MAX_THINGS = 20;

const TITLES: Readonly<Record<Change["watch"], (things: number) => string>> = {
  "gateway-silent": (n) => `${plural(n, "gateway")} silent`,
  "node-overdue": (n) => `${plural(n, "node")} overdue`,
  "node-loss": (n) => `${plural(n, "node")} above the limit of loss`,
  "site-loss": () => "site above the limit of loss",
  finding: (n) => plural(n, "finding"),
  "noise-up": (n) => `${plural(n, "channel")} louder`,
  "disk-short": () => "disk nearly full",
  "clock-stepped": () => "clock of the machine stepped",
  "not-recording": () => "not recording",
};

/** Returns a change as the API and a webhook show it. */
export function watchChange({ incident, change, watch, things, fromUs, toUs }: Change): WatchChange {
  const title = TITLES[watch](things.length);
  const lasted = toUs === null ? "" : `, ${duration(Math.round((toUs - fromUs) / 1e6))}`;
  const sentence = {
    begin: `Begins: ${title}.`,
    end: `Over: ${title}${lasted}.`,
    event: toUs === fromUs || toUs === null ? `Happened: ${title}.` : `Happened: ${title}${lasted}.`,
  }[change];
  return {
    incident,
    change,
    watch,
    sentence,
    things: things.slice(0, MAX_THINGS),
    more: Math.max(0, things.length - MAX_THINGS),
    from: isoTime(fromUs),
    to: toUs === null ? null : isoTime(toUs),
  };
}

interface Envelope {
  /** The same for every way that it goes. */
  readonly id: string;
  readonly site: string;
  readonly atUs: number;
}

/** Returns the message of some changes. */
export function watchMessage(changes: readonly Change[], { id, site, atUs }: Envelope): WatchMessage {
  const rows = changes.map(watchChange);
  const text = rows.flatMap(({ sentence, things, more, from, to }) => [
    `${sentence} ${to === null ? `Since ${from}` : `${from} to ${to}`}.`,
    ...things.map((thing) => `- ${thing}`),
    ...(more > 0 ? [`- and ${more} more`] : []),
    "",
  ]);
  return {
    id,
    at: isoTime(atUs),
    site,
    test: false,
    subject: `${site}: ${rows.map(({ sentence }) => sentence.replace(/\.$/, "")).join("; ")}`,
    text: `${text.join("\n")}\nMastlog at ${site}, ${isoTime(atUs)} (times are UTC).\n`,
    changes: rows,
  };
}

/** Returns the message that a person asks for, to try the ways. */
export function testMessage({ id, site, atUs }: Envelope): WatchMessage {
  return {
    id,
    at: isoTime(atUs),
    site,
    test: true,
    subject: `${site}: test message of Mastlog`,
    text: `This is a test. A message of a watch would reach you in the same way.\n\nMastlog at ${site}, ${isoTime(atUs)}.\n`,
    changes: [],
  };
}
