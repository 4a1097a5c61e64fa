/**
 * What is always so at this site, what happened, and what to do about it? Standing conditions first (true over most of the recorded
 * time, each once, with its size), then events with a begin and an end, then the next steps, strongest first. Every sentence
 * claims only what was observed.
 */
import type { Cause, DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import type { SiteEvent, SiteSummary, StandingCondition } from "../contract/site.ts";
import { demodulationFloorDb } from "../radio/demodulation-floor.ts";
import { median } from "../statistics/robust.ts";
import { CAUSE_LABELS } from "../words/causes.ts";
import { megahertz } from "./sentences.ts";
import { decibel, percent, span, THRESHOLDS } from "./standing.ts";

/** One of your nodes over the window. */
export interface NodeStanding {
  readonly devAddr: string;
  readonly life: number;
  readonly title: string;
  /** Counters due while somebody listened and a gateway was reachable, and those missed among them. */
  readonly expected: number;
  readonly missed: number;
  readonly marginMedianDb: number | null;
  /** The spreading factor of most of its frames; null where it sends no LoRa. */
  readonly spreadingFactor: number | null;
}

/** What one gateway heard of your nodes on one channel. */
export interface ChannelStanding {
  readonly gatewayEui: string;
  readonly gatewayTitle: string;
  readonly frequencyHz: number;
  readonly frames: number;
  /** Frames due there if each node uses the channels on which it was heard equally often. */
  readonly due: number;
  /** Noise of the single frames at an SNR of 0 dB or less, dBm. */
  readonly noiseDbm: readonly number[];
}

/** How many frames of your nodes a gateway heard. */
export interface HearingStanding {
  readonly gatewayEui: string;
  readonly title: string;
  readonly heard: number;
  readonly contradictions: readonly string[];
}

export interface SiteEvidence {
  readonly nodes: readonly NodeStanding[];
  readonly channels: readonly ChannelStanding[];
  readonly gateways: readonly HearingStanding[];
  /** Of your nodes, with the episode that each belongs to. */
  readonly gaps: readonly DropoutRow[];
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

export function summariseSite(evidence: SiteEvidence): SiteSummary {
  const weak = evidence.nodes.flatMap((node) => weakLink(node, evidence.gaps) ?? []);
  const standing = [
    ...weak,
    ...noisyChannels(evidence.channels),
    ...quietChannels(evidence.channels),
    ...deafGateways(evidence),
    ...wrongPlans(evidence),
  ];
  const belongs = new Set(weak.flatMap(({ gapIds }) => gapIds));
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

type Condition = StandingCondition & {
  readonly gapIds: readonly string[];
  /** Whom the step names. */
  readonly subject: string;
  /** What to do; conditions that share a step are named in one line. */
  readonly step: (subjects: string) => string;
};
type Event = SiteEvent & { readonly step: string | null };

// ---- standing conditions

/** A node whose frames come with too little margin and that loses for it: the link itself, whatever else strikes. */
function weakLink(node: NodeStanding, gaps: readonly DropoutRow[]): Condition | null {
  const { marginMedianDb: marginDb, expected, missed, spreadingFactor, title } = node;
  if (marginDb === null || expected < THRESHOLDS.leastExpected) return null;
  if (marginDb >= THRESHOLDS.lookMarginDb || missed / expected < THRESHOLDS.lookLoss) return null;
  const own = gaps.filter(
    ({ devAddr, life, finding, kind }) =>
      devAddr === node.devAddr &&
      life === node.life &&
      (finding.cause === "weak-link" || (kind === "steady" && finding.cause === "unexplained")),
  );
  const at = spreadingFactor === null ? "" : ` at SF${spreadingFactor}`;
  const with_ =
    own.length === 0
      ? ""
      : ` ${own.length === 1 ? "One gap belongs" : `${count(own.length, "gap")} belong`} to it.`;
  return {
    kind: "weak-link",
    devAddr: node.devAddr,
    life: node.life,
    gateway: null,
    frequencyHz: null,
    figure: round(marginDb),
    unit: "dB",
    gaps: own.length,
    sentence: `${title}: median margin ${decibel(marginDb)}${at}, ${percent(missed / expected)} lost (${grouped(missed)} of ${grouped(expected)}).${with_}`,
    gapIds: own.map(({ id }) => id),
    subject: title,
    step: (who) => strongerStep(who, marginDb, spreadingFactor),
  };
}

/** The first slower data rate that would give the margin that a good link has. Floors: SX1276 data sheet, Table 13. */
function strongerStep(title: string, marginDb: number, spreadingFactor: number | null): string {
  const floorDb = spreadingFactor === null ? null : demodulationFloorDb(spreadingFactor);
  for (let next = (spreadingFactor ?? 12) + 1; floorDb !== null && next <= 12; next++) {
    const gainDb = floorDb - (demodulationFloorDb(next) ?? floorDb);
    if (marginDb + gainDb >= THRESHOLDS.lookMarginDb)
      return `${title}: try SF${next} (${decibel(gainDb)} more margin, longer airtime), or another place or antenna.`;
  }
  return `${title}: another place or antenna; a slower data rate alone does not give ${THRESHOLDS.lookMarginDb}\u2009dB of margin.`;
}

/** Samples from which a channel's noise is compared, and the excess that is worth a line, dB. Chosen. */
const MIN_NOISE_SAMPLES = 20;
const MIN_EXCESS_DB = 2;

/** Channels that are louder than the others at most gateways that can tell. */
function noisyChannels(channels: readonly ChannelStanding[]): Condition[] {
  const excess = new Map<number, number[]>();
  for (const own of byGateway(channels)) {
    const known = own
      .filter(({ noiseDbm }) => noiseDbm.length >= MIN_NOISE_SAMPLES)
      .map(({ frequencyHz, noiseDbm }) => ({ frequencyHz, noiseDbm: median([...noiseDbm]) ?? 0 }));
    if (known.length < 3) continue;
    for (const { frequencyHz, noiseDbm } of known) {
      const others = median(
        known.filter((other) => other.frequencyHz !== frequencyHz).map((one) => one.noiseDbm),
      );
      const list = excess.get(frequencyHz) ?? [];
      list.push(noiseDbm - (others ?? noiseDbm));
      excess.set(frequencyHz, list);
    }
  }
  return [...excess]
    .filter(([, values]) => values.filter((value) => value >= MIN_EXCESS_DB).length * 2 > values.length)
    .sort(([a], [b]) => a - b)
    .map(([frequencyHz, values]) => {
      const typical = median(values) ?? 0;
      const where = values.length === 1 ? "at the gateway" : `at most of ${values.length} gateways`;
      return {
        ...ofChannel("noisy-channel", frequencyHz, round(typical), "dB"),
        sentence: `${megahertz(frequencyHz)} is ${decibel(typical)} noisier than the other channels ${where}.`,
        step: (channels) => `Look for the source of the noise on ${channels}; Air shows when it is loud.`,
      };
    });
}

/** Frames due on a channel from which a lack of them is no chance, the share that is a lack, and how significant. Chosen. */
const MIN_DUE = 30;
const MAX_SHARE = 0.4;
const MIN_Z = 5;

/** Channels that bring far less than the nodes' hopping lets expect, at most gateways that can tell. */
function quietChannels(channels: readonly ChannelStanding[]): Condition[] {
  const verdicts = new Map<number, { quiet: number; told: number; frames: number; due: number }>();
  for (const own of byGateway(channels)) {
    for (const { frequencyHz, frames, due } of own) {
      if (due < MIN_DUE) continue;
      const sum = verdicts.get(frequencyHz) ?? { quiet: 0, told: 0, frames: 0, due: 0 };
      // Poisson counts: the spread of what is due is its root.
      const isQuiet = frames < MAX_SHARE * due && (due - frames) / Math.sqrt(due) > MIN_Z;
      sum.told += 1;
      sum.quiet += isQuiet ? 1 : 0;
      sum.frames += frames;
      sum.due += due;
      verdicts.set(frequencyHz, sum);
    }
  }
  return [...verdicts]
    .filter(([, { quiet, told }]) => quiet * 2 > told)
    .sort(([a], [b]) => a - b)
    .map(([frequencyHz, { frames, due }]) => ({
      ...ofChannel("quiet-channel", frequencyHz, round(frames / due), "share"),
      sentence: `${megahertz(frequencyHz)} brought ${grouped(frames)} frames; ${grouped(Math.round(due))} are due if the nodes use their channels equally.`,
      step: (channels) => `Compare the channel plan and the noise of ${channels} with the other channels.`,
    }));
}

function ofChannel(
  kind: "noisy-channel" | "quiet-channel",
  frequencyHz: number,
  figure: number,
  unit: "dB" | "share",
): Omit<Condition, "sentence" | "step"> {
  const none = { devAddr: null, life: null, gateway: null, gaps: 0, gapIds: [] };
  return { ...none, kind, frequencyHz, figure, unit, subject: megahertz(frequencyHz) };
}

function byGateway(channels: readonly ChannelStanding[]): ChannelStanding[][] {
  const groups = new Map<string, ChannelStanding[]>();
  for (const channel of channels) {
    const group = groups.get(channel.gatewayEui);
    if (group === undefined) groups.set(channel.gatewayEui, [channel]);
    else group.push(channel);
  }
  return [...groups.values()];
}

/** A gateway that hears less than this share of what the best one hears is worth a line. Chosen. */
const MAX_HEARING = 0.1;
const MIN_BEST = 100;

function deafGateways({ gateways }: SiteEvidence): Condition[] {
  const best = gateways.reduce<HearingStanding | null>(
    (a, b) => (a === null || b.heard > a.heard ? b : a),
    null,
  );
  if (best === null || best.heard < MIN_BEST) return [];
  return gateways
    .filter(({ heard }) => heard < MAX_HEARING * best.heard)
    .map(({ gatewayEui, title, heard }) => ({
      kind: "deaf-gateway" as const,
      devAddr: null,
      life: null,
      gateway: gatewayEui,
      frequencyHz: null,
      figure: round(heard / best.heard),
      unit: "share" as const,
      gaps: 0,
      gapIds: [],
      subject: title,
      sentence: `${title} heard ${count(heard, "frame")} of your nodes; ${best.title} heard ${grouped(best.heard)}.`,
      step: (who: string) => `Where it stands near the nodes, check antenna, cable and connector: ${who}.`,
    }));
}

function wrongPlans({ gateways }: SiteEvidence): Condition[] {
  return gateways.flatMap(({ gatewayEui, title, contradictions }) => {
    const [first] = contradictions;
    if (first === undefined) return [];
    return [
      {
        kind: "wrong-plan" as const,
        devAddr: null,
        life: null,
        gateway: gatewayEui,
        frequencyHz: null,
        figure: contradictions.length,
        unit: "count" as const,
        gaps: 0,
        gapIds: [],
        subject: title,
        sentence: `${title}: ${first}`,
        step: (who: string) => `Compare the channels with the plan of your network: ${who}.`,
      },
    ];
  });
}

// ---- events

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

/** Faults of gateways that no gap of the same cause tells already: no frame was lost yet, or its loss is put down to more. */
function withoutGaps(
  faults: readonly GatewayFault[],
  told: readonly Pick<DropoutRow, "gateway" | "from" | "to" | "finding">[],
): Event[] {
  return faults
    .filter(
      (fault) =>
        !told.some(
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
  const groups = new Map<string, [DropoutRow, ...DropoutRow[]]>();
  for (const gap of gaps) {
    const key = `${gap.devAddr}/${gap.life}/${gap.finding.cause}`;
    const group = groups.get(key);
    if (group === undefined) groups.set(key, [gap]);
    else group.push(gap);
  }
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
          : `${title}: ${count(group.length, "gap")} of ${lengths(group)}, ${count(missedCounters, "counter")} missed. ${causeText(cause, word)}`,
      step: stepFor(cause, title, surest.finding.recordNext),
    };
  });
}

/** "2 h to 6 days 16 h". */
function lengths(gaps: readonly DropoutRow[]): string {
  const seconds = gaps.map(({ from, to }) => (Date.parse(to) - Date.parse(from)) / 1000);
  const [low, high] = [span(Math.min(...seconds)), span(Math.max(...seconds))];
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
  const shared = new Map<string, { step: Condition["step"]; subjects: string[] }>();
  for (const { step, subject } of standing) {
    const key = step("");
    const known = shared.get(key);
    if (known === undefined) shared.set(key, { step, subjects: [subject] });
    else known.subjects.push(subject);
  }
  return [...shared.values()].map(({ step, subjects }) => {
    const more = subjects.length - MAX_NAMED;
    return step(`${subjects.slice(0, MAX_NAMED).join(", ")}${more > 0 ? ` and ${more} more` : ""}`);
  });
}

const MAX_NAMED = 3;

// ---- sentences

/** Less than this of the window recorded is worth a sentence. Chosen: a restart of the service is none. */
const MIN_RECORDED = 0.98;

/** The site's sentence, and how much of the window it rests on. */
function opening({ opening: sentence, recordedShare }: SiteEvidence): string[] {
  if (recordedShare >= MIN_RECORDED) return [sentence];
  return [
    sentence,
    `Only ${percent(recordedShare)} of this window was recorded; nothing is said of the rest.`,
  ];
}

/** Two lines for what is always so, two for what happened: kinds with many members as one line with a count. */
function openingLines(standing: readonly Condition[], events: readonly Event[]): string[] {
  const kinds = new Map<string, Condition[]>();
  for (const condition of standing) {
    const group = kinds.get(condition.kind);
    if (group === undefined) kinds.set(condition.kind, [condition]);
    else group.push(condition);
  }
  const always = [...kinds.values()].map((group) => {
    const [first] = group;
    if (first === undefined) return "";
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

function grouped(n: number): string {
  return n.toLocaleString("en-GB");
}

function count(n: number, one: string): string {
  return `${grouped(n)} ${n === 1 ? one : `${one}s`}`;
}

function round(value: number): number {
  return Math.round(value * 1000) / 1000;
}
