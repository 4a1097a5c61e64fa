/**
 * What is always so at this site? Conditions that hold over most of the recorded time, each once, with its size: a weak link, a noisy
 * or a quiet channel, a gateway that hears little, a plan that is departed from.
 */

import type { DropoutRow } from "../contract/gaps.ts";
import type { StandingCondition } from "../contract/site.ts";
import { groupBy } from "../model/group-by.ts";
import { demodulationFloorDb } from "../radio/margin.ts";
import { median } from "../statistics/robust.ts";
import { decibel, figure, megahertz, percentInWords, plural } from "../words/format.ts";
import { THRESHOLDS } from "./status.ts";

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

/** A condition with what the summary needs of it. */
export type Condition = StandingCondition & {
  readonly gapIds: readonly string[];
  /** Whom the step names. */
  readonly subject: string;
  /** What to do; conditions that share a step are named in one line. */
  readonly step: (subjects: string) => string;
};

/** Of a condition that says otherwise of nothing. */
const OF_NOBODY = {
  devAddr: null,
  life: null,
  gateway: null,
  frequencyHz: null,
  gaps: 0,
  gapIds: [],
} as const;

export interface ConditionEvidence {
  readonly nodes: readonly NodeStanding[];
  readonly channels: readonly ChannelStanding[];
  readonly gateways: readonly HearingStanding[];
  /** Of your nodes, with the episode that each belongs to. */
  readonly gaps: readonly DropoutRow[];
}

/** The standing conditions: weak links first, in the order of the nodes. */
export function standingConditions(evidence: ConditionEvidence): Condition[] {
  return [
    ...evidence.nodes.flatMap((node) => weakLink(node, evidence.gaps) ?? []),
    ...noisyChannels(evidence.channels),
    ...quietChannels(evidence.channels),
    ...deafGateways(evidence),
    ...wrongPlans(evidence),
  ];
}

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
      : ` ${own.length === 1 ? "One gap belongs" : `${plural(own.length, "gap")} belong`} to it.`;
  return {
    ...OF_NOBODY,
    kind: "weak-link",
    devAddr: node.devAddr,
    life: node.life,
    figure: round(marginDb),
    unit: "dB",
    gaps: own.length,
    sentence: `${title}: median margin ${decibel(marginDb)}${at}, ${percentInWords(missed / expected)} lost (${figure(missed)} of ${figure(expected)}).${with_}`,
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
  return `${title}: another place or antenna; a slower data rate alone does not give ${THRESHOLDS.lookMarginDb}\u202FdB of margin.`;
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
  const verdicts = new Map<number, { quiet: number; judged: number; frames: number; due: number }>();
  for (const own of byGateway(channels)) {
    for (const { frequencyHz, frames, due } of own) {
      if (due < MIN_DUE) continue;
      const sum = verdicts.get(frequencyHz) ?? { quiet: 0, judged: 0, frames: 0, due: 0 };
      // Poisson counts: the spread of what is due is its root.
      const isQuiet = frames < MAX_SHARE * due && (due - frames) / Math.sqrt(due) > MIN_Z;
      sum.judged += 1;
      sum.quiet += isQuiet ? 1 : 0;
      sum.frames += frames;
      sum.due += due;
      verdicts.set(frequencyHz, sum);
    }
  }
  return [...verdicts]
    .filter(([, { quiet, judged }]) => quiet * 2 > judged)
    .sort(([a], [b]) => a - b)
    .map(([frequencyHz, { frames, due }]) => ({
      ...ofChannel("quiet-channel", frequencyHz, round(frames / due), "share"),
      sentence: `${megahertz(frequencyHz)} brought ${figure(frames)} frames; ${figure(Math.round(due))} are due if the nodes use their channels equally.`,
      step: (channels) => `Compare the channel plan and the noise of ${channels} with the other channels.`,
    }));
}

function ofChannel(
  kind: "noisy-channel" | "quiet-channel",
  frequencyHz: number,
  figure: number,
  unit: "dB" | "share",
): Omit<Condition, "sentence" | "step"> {
  return { ...OF_NOBODY, kind, frequencyHz, figure, unit, subject: megahertz(frequencyHz) };
}

function byGateway(channels: readonly ChannelStanding[]): ChannelStanding[][] {
  return [...groupBy(channels, ({ gatewayEui }) => gatewayEui).values()];
}

/** A gateway that hears less than this share of what the best one hears is worth a line. Chosen. */
const MAX_HEARING = 0.1;
const MIN_BEST = 100;

function deafGateways({ gateways }: ConditionEvidence): Condition[] {
  const best = gateways.reduce<HearingStanding | null>(
    (a, b) => (a === null || b.heard > a.heard ? b : a),
    null,
  );
  if (best === null || best.heard < MIN_BEST) return [];
  return gateways
    .filter(({ heard }) => heard < MAX_HEARING * best.heard)
    .map(({ gatewayEui, title, heard }) => ({
      ...OF_NOBODY,
      kind: "deaf-gateway" as const,
      gateway: gatewayEui,
      figure: round(heard / best.heard),
      unit: "share" as const,
      subject: title,
      sentence: `${title} heard ${plural(heard, "frame")} of your nodes; ${best.title} heard ${figure(best.heard)}.`,
      step: (who: string) => `Where it stands near the nodes, check antenna, cable and connector: ${who}.`,
    }));
}

function wrongPlans({ gateways }: ConditionEvidence): Condition[] {
  return gateways.flatMap(({ gatewayEui, title, contradictions }) => {
    const [first] = contradictions;
    if (first === undefined) return [];
    return [
      {
        ...OF_NOBODY,
        kind: "wrong-plan" as const,
        gateway: gatewayEui,
        figure: contradictions.length,
        unit: "count" as const,
        subject: title,
        sentence: `${title}: ${first}`,
        step: (who: string) => `Compare the channels with the plan of your network: ${who}.`,
      },
    ];
  });
}

function round(value: number): number {
  return Math.round(value * 1000) / 1000;
}
