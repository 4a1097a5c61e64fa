/**
 * Which lanes does the evidence of a gap have, how tall is each, and does it speak for the finding or against it?
 * All stand over one time axis, so that the gap is one column through them all.
 */
import type { EvidenceLane, Finding, GapPage } from "../contract/gaps.ts";
import { counted, figure, megahertz, percent, withUnit } from "../words/format.ts";
import type { NameOfGateway } from "./site.ts";

/** What a lane says of the finding: the heavier side, where sentences of both rest on it. */
export type Stance = "for" | "against" | null;

export interface Lane {
  readonly key: string;
  readonly lane: EvidenceLane | "marks";
  /** Index into the page's list of this lane: which gateway. */
  readonly index: number;
  readonly title: string;
  readonly note: string;
  /** CSS pixels. */
  readonly height: number;
  readonly stance: Stance;
}

export const NEIGHBOUR_PX = 16;
export const CHANNEL_PX = 14;
export const TITLE_PX = 22;
/** Neighbours beyond these stand in the table only. */
const MAX_NEIGHBOURS = 8;

/** The heavier side of what rests on a lane; with a gateway, on that gateway's own lane of the kind. */
export function stanceOf(
  { evidence, against }: Pick<Finding, "evidence" | "against">,
  lane: EvidenceLane,
  gatewayEui: string | null = null,
): Stance {
  const concerns = (one: Finding["evidence"][number]) =>
    one.lane === lane && (gatewayEui === null || (one.receptionsQuery?.gateway ?? gatewayEui) === gatewayEui);
  const [ownFor, ownAgainst] = [evidence.filter(concerns), against.filter(concerns)];
  const sum = (side: Finding["evidence"]) => side.reduce((total, one) => total + Math.abs(one.weight), 0);
  if (ownFor.length + ownAgainst.length === 0) return null;
  if (sum(ownFor) === sum(ownAgainst)) return ownFor.length > 0 ? "for" : "against";
  return sum(ownFor) > sum(ownAgainst) ? "for" : "against";
}

/** The neighbours that are drawn: those of whom most was to be expected. */
export function drawnNeighbours(page: GapPage): GapPage["neighbours"] {
  return [...page.neighbours].sort((a, b) => b.expected - a.expected).slice(0, MAX_NEIGHBOURS);
}

/** The channels on which the node was heard, lowest first. */
export function channelsOf(page: GapPage): number[] {
  const heard = new Set<number>();
  for (const { frequencyHz } of page.margin) for (const hz of frequencyHz) if (hz !== null) heard.add(hz);
  return [...heard].sort((a, b) => a - b);
}

/** The lanes from top to bottom, with gateways as `nameOf` calls them; one without any data is left out unless a sentence rests on it. */
export function lanesOf(page: GapPage, nameOf: NameOfGateway): Lane[] {
  const { finding } = page.gap;
  const lanes: Lane[] = [];
  const add = (
    lane: EvidenceLane,
    part: { title: string; note?: string; height: number; index?: number; gateway?: string },
  ) => {
    const { title, note = "", height, index = 0, gateway = null } = part;
    lanes.push({
      key: `${lane} ${index}`,
      lane,
      index,
      title,
      note,
      height,
      stance: stanceOf(finding, lane, gateway),
    });
  };
  const asked = (lane: EvidenceLane) => stanceOf(finding, lane) !== null;

  if (page.marks.length > 0)
    lanes.push({ key: "marks", lane: "marks", index: 0, title: "Marks", note: "", height: 22, stance: null });
  const missed = page.counters.filter(({ fate }) => fate === "missed").length;
  add("counters", {
    title: "This node",
    note: `${figure(page.counters.length - missed)} heard, ${figure(missed)} missed`,
    height: 52,
  });
  const neighbours = drawnNeighbours(page);
  if (neighbours.length > 0 || asked("neighbours"))
    add("neighbours", {
      title: "Neighbours",
      note: neighbourWords(page),
      height: 2 * TITLE_PX + neighbours.length * NEIGHBOUR_PX,
    });
  page.heartbeat.forEach((beat, index) => {
    const gateway = beat.gatewayEui;
    add("heartbeat", {
      title: nameOf(beat.gatewayName, beat.gatewayEui),
      note: "heartbeat",
      height: 52,
      index,
      gateway,
    });
  });
  if (page.noiseDbm.some(({ values }) => values.some((value) => value !== null)) || asked("noise"))
    add("noise", {
      title: "Noise",
      note: rangeWords(
        page.noiseDbm.flatMap(({ values }) => values),
        "dBm",
      ),
      height: 52,
    });
  if (page.load.some(({ values }) => values.some((value) => value !== null)) || asked("load"))
    add("load", { title: "Load", note: loadWords(page), height: 48 });
  add("margin", {
    title: "Margin",
    note: rangeWords(
      page.margin.flatMap(({ marginDb }) => marginDb),
      "dB",
    ),
    height: 92,
  });
  const channels = channelsOf(page);
  if (asked("channels") && channels.length > 0)
    add("channels", {
      title: "Channels",
      note: `${megahertz(channels[0])} and up`,
      height: TITLE_PX * 2 + Math.max(0, channels.length * CHANNEL_PX - TITLE_PX),
    });
  if (page.transmissions.length > 0 || asked("transmissions"))
    add("transmissions", {
      title: "Gateway sends",
      note: counted(page.transmissions.length, "time"),
      height: 44,
    });
  if (page.joins.length > 0 || asked("joins"))
    add("joins", { title: "Joins", note: counted(page.joins.length, "request"), height: 44 });
  return lanes;
}

function neighbourWords({ neighbours, neighboursCounted: { heard, expected, nodes } }: GapPage): string {
  if (neighbours.length === 0) return "none known";
  return nodes === 0 ? "too little known" : `${figure(heard)} of ${figure(expected)} due`;
}

/** Lowest and highest: "−119 to −115 dBm". */
export function rangeWords(values: readonly (number | null)[], unit: string): string {
  const known = values.filter((value) => value !== null);
  if (known.length === 0) return "not known";
  return `${figure(Math.min(...known))} to ${withUnit(Math.max(...known), 0, unit)}`;
}

function loadWords({ load }: GapPage): string {
  const known = load.flatMap(({ values }) => values).filter((value) => value !== null);
  return known.length === 0 ? "not known" : `up to ${percent(Math.max(...known), 0)}`;
}

/** The middle of a cell, epoch milliseconds. */
export function cellAt({ fromMs, cellSeconds }: GapPage["axis"], cell: number): number {
  return fromMs + (cell + 0.5) * cellSeconds * 1000;
}

/** One stretch of time in figures: what the table says in place of the score. */
export interface ScoreCell {
  readonly fromMs: number;
  readonly inGap: boolean;
  readonly heard: number;
  readonly missed: number;
  readonly neighboursHeard: number;
  readonly gateways: readonly {
    /** True: nothing was recorded of it in all of the cell; its counts say nothing then. */
    readonly notRecorded: boolean;
    readonly keepalives: number;
    readonly receptions: number;
    readonly crcBad: number;
    readonly noiseDbm: number | null;
    readonly load: number | null;
  }[];
}

/** The cells of the axis, oldest first; gateways in the order of the heartbeats. */
export function scoreCells(page: GapPage): ScoreCell[] {
  const { fromMs, cellSeconds, cells, gapFromMs, gapToMs } = page.axis;
  const cellMs = cellSeconds * 1000;
  const count = () => new Array<number>(cells).fill(0);
  const [heard, missed, neighbours] = [count(), count(), count()];
  const note = (into: number[], ms: number) => {
    const cell = Math.floor((ms - fromMs) / cellMs);
    if (cell >= 0 && cell < cells) into[cell] = (into[cell] ?? 0) + 1;
  };
  for (const { atMs, fate } of page.counters) note(fate === "heard" ? heard : missed, atMs);
  for (const { heardAtMs } of page.neighbours) for (const ms of heardAtMs) note(neighbours, ms);
  return heard.map((count, cell) => {
    const begin = fromMs + cell * cellMs;
    return {
      fromMs: begin,
      inGap: begin < gapToMs && begin + cellMs > gapFromMs,
      heard: count,
      missed: missed[cell] ?? 0,
      neighboursHeard: neighbours[cell] ?? 0,
      gateways: page.heartbeat.map((beat) => ({
        notRecorded: beat.notRecorded.some((range) => range.fromMs <= begin && range.toMs >= begin + cellMs),
        keepalives: beat.keepalives[cell] ?? 0,
        receptions: beat.receptions[cell] ?? 0,
        crcBad: beat.crcBad[cell] ?? 0,
        noiseDbm: page.noiseDbm.find((one) => one.gatewayEui === beat.gatewayEui)?.values[cell] ?? null,
        load: page.load.find((one) => one.gatewayEui === beat.gatewayEui)?.values[cell] ?? null,
      })),
    };
  });
}

const LANE_WORDS: Readonly<Record<EvidenceLane, string>> = {
  counters: "its counters",
  neighbours: "its neighbours",
  heartbeat: "a heartbeat",
  noise: "the noise",
  load: "the load",
  margin: "the margin",
  channels: "the channels",
  transmissions: "what gateways sent",
  joins: "joins",
};

/** Which lanes speak for the finding, which against it: the caption of the drawing. */
export function evidenceCaption(lanes: readonly Lane[]): string {
  const ofStance = (stance: "for" | "against") =>
    lanes
      .filter((lane) => lane.stance === stance && lane.lane !== "marks")
      .map(({ lane, title }) =>
        lane === "heartbeat" ? `the heartbeat of ${title}` : LANE_WORDS[lane as EvidenceLane],
      )
      .join(", ");
  const [speaksFor, speaksAgainst] = [ofStance("for"), ofStance("against")];
  if (speaksFor === "" && speaksAgainst === "") return "Evidence: no lane says anything of a cause";
  const parts = [
    ...(speaksFor === "" ? [] : [`for the finding: ${speaksFor}`]),
    ...(speaksAgainst === "" ? [] : [`against it: ${speaksAgainst}`]),
  ];
  return `Evidence: ${parts.join("; ")}`;
}
