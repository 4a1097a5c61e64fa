/**
 * Which rows does the score of a site have, which events run through which of them, and what does each row say of one
 * moment? Gateways, loud channels, nodes that need a look: all over the window of the view.
 */
import type { Standing } from "../contract/common.ts";
import type { GatewayRow } from "../contract/gateways.ts";
import type { NodeRow } from "../contract/nodes.ts";
import type { MarginLane, NoiseLane, SiteView } from "../contract/site.ts";
import { CAUSE_LABELS } from "../words/causes.ts";
import { counted, dbm, decibel, megahertz, signedDb } from "../words/format.ts";

interface Common {
  readonly key: string;
  readonly title: string;
  readonly standing: Standing | null;
  /** What is said of the whole window. */
  readonly note: string;
  /** Where the row leads. */
  readonly path: string;
  /** CSS pixels of its drawing. */
  readonly height: number;
}

export type ScoreRow = Common &
  (
    | { readonly kind: "gateway"; readonly gateway: GatewayRow }
    | { readonly kind: "noise"; readonly lane: NoiseLane }
    | { readonly kind: "node"; readonly node: NodeRow; readonly margins: MarginLane | null }
  );

type Shown = Pick<SiteView, "gateways" | "attention" | "score" | "events">;

const GATEWAY_PX = 64;
const NOISE_PX = 48;
const NODE_PX = 52;
/** Of many gateways the first are drawn; all stand in the table and beneath. */
const MAX_GATEWAYS = 8;

/** What a gateway is called: its name, else a short form of its identifier. */
export type NameOfGateway = (name: string | null, eui: string) => string;

/** The rows from top to bottom. */
export function scoreRows({ gateways, attention, score }: Shown, nameOf: NameOfGateway): ScoreRow[] {
  const margins = new Map(score.margins.map((lane) => [`${lane.devAddr}/${lane.life}`, lane]));
  return [
    ...gateways.slice(0, MAX_GATEWAYS).map((gateway): ScoreRow => {
      const { eui, name, standing, clause } = gateway;
      return {
        kind: "gateway",
        key: eui,
        title: nameOf(name, eui),
        standing,
        note: clause,
        path: `/bench/${eui}`,
        height: GATEWAY_PX,
        gateway,
      };
    }),
    ...score.noise.map((lane): ScoreRow => {
      const { gatewayEui, gatewayName, frequencyHz, loud } = lane;
      return {
        kind: "noise",
        key: `${gatewayEui} ${frequencyHz}`,
        title: megahertz(frequencyHz),
        standing: null,
        note: `${signedDb(loud.riseDb)} at ${nameOf(gatewayName, gatewayEui)}`,
        path: `/air?gateway=${gatewayEui}`,
        height: NOISE_PX,
        lane,
      };
    }),
    ...attention.map((node): ScoreRow => {
      const key = `${node.devAddr}/${node.life}`;
      return {
        kind: "node",
        key,
        title: node.name ?? node.devAddr,
        standing: node.standing,
        note: node.clause,
        path: `/nodes/${key}`,
        height: NODE_PX,
        node,
        margins: margins.get(key) ?? null,
      };
    }),
  ];
}

/** Something that happened, as a column through the rows that show it. */
export interface ScoreColumn {
  readonly fromMs: number;
  readonly toMs: number;
  /** Goes on. */
  readonly open: boolean;
  readonly word: string;
  /** Keys of rows. */
  readonly struck: ReadonlySet<string>;
}

/** Events of the view and loud times of channels, in order of time. */
export function scoreColumns({ events, score }: Shown, rows: readonly ScoreRow[]): ScoreColumn[] {
  const columns = events.map((event): ScoreColumn => {
    const fromMs = Date.parse(event.from);
    const toMs = Date.parse(event.to);
    const isStruck = (row: ScoreRow) => {
      if (event.devAddr !== null) return row.kind === "node" && row.node.devAddr === event.devAddr;
      if (row.kind === "gateway") return row.key === event.gateway;
      return row.kind === "node" && missedBetween(row.node, fromMs, toMs, windowFromMs(rows)) > 0;
    };
    return {
      fromMs,
      toMs,
      open: event.open,
      word: CAUSE_LABELS[event.cause],
      struck: new Set(rows.filter(isStruck).map(({ key }) => key)),
    };
  });
  const byTime = new Map<string, ScoreColumn & { struck: Set<string> }>();
  for (const { gatewayEui, frequencyHz, loud } of score.noise) {
    const key = `${gatewayEui} ${frequencyHz}`;
    const [fromMs, toMs] = [Date.parse(loud.from), Date.parse(loud.to)];
    const known = byTime.get(String(frequencyHz));
    // Two gateways hear the same: one column over both.
    if (known !== undefined && fromMs < known.toMs && toMs > known.fromMs) known.struck.add(key);
    else
      byTime.set(String(frequencyHz), {
        fromMs,
        toMs,
        open: !loud.endSeen,
        word: `${megahertz(frequencyHz)} louder`,
        struck: new Set([key]),
      });
  }
  return [...columns, ...byTime.values()].sort((a, b) => a.fromMs - b.fromMs);
}

function windowFromMs(rows: readonly ScoreRow[]): number {
  for (const row of rows) if (row.kind === "node" && row.margins !== null) return row.margins.fromMs;
  return 0;
}

/** Missed counters of a node dated between two moments, as far as its strip tells. */
function missedBetween({ strip }: NodeRow, fromMs: number, toMs: number, windowFrom: number): number {
  const binMs = strip.binSeconds * 1000;
  let missed = 0;
  strip.missed.forEach((count, bin) => {
    const at = windowFrom + bin * binMs;
    if (at + binMs > fromMs && at < toMs) missed += count;
  });
  return missed;
}

/** What a row says of one moment: "12 receptions", "−101 dBm", "1 missed, margin 2.1 dB". */
export function readingAt(row: ScoreRow, ms: number, windowFrom: number): string {
  switch (row.kind) {
    case "gateway":
      return gatewayReading(row.gateway, ms);
    case "noise": {
      const { dbm: values, binSeconds, fromMs } = row.lane;
      const value = values[Math.floor((ms - fromMs) / 1000 / binSeconds)] ?? null;
      return value === null ? "no weak frame" : dbm(value);
    }
    case "node":
      return nodeReading(row.node, row.margins, ms, windowFrom);
  }
}

function gatewayReading({ heartbeat, outages, notRecorded }: GatewayRow, ms: number): string {
  const within = ({ from, to }: { from: string; to: string }) =>
    ms >= Date.parse(from) && ms < Date.parse(to);
  if (outages.some(within)) return "unreachable";
  if (notRecorded.some(within)) return "not recorded";
  const cell = Math.floor((ms - Date.parse(heartbeat.from)) / 1000 / heartbeat.cellSeconds);
  const bad = heartbeat.crcBad[cell] ?? 0;
  return `${counted(heartbeat.receptions[cell] ?? 0, "reception")}${bad === 0 ? "" : `, ${bad} with a wrong CRC`}`;
}

function nodeReading({ strip }: NodeRow, margins: MarginLane | null, ms: number, windowFrom: number): string {
  const bin = Math.floor((ms - windowFrom) / 1000 / strip.binSeconds);
  const [heard, missed] = [strip.heard[bin] ?? 0, strip.missed[bin] ?? 0];
  const parts = [
    ...(heard > 0 ? [`${heard} heard`] : []),
    ...(missed > 0 ? [`${missed} missed`] : []),
    ...(heard + missed === 0 ? ["nothing due or heard"] : []),
  ];
  const margin = margins === null ? null : nearestMargin(margins, ms, strip.binSeconds);
  return `${parts.join(", ")}${margin === null ? "" : `, margin ${decibel(margin)}`}`;
}

/** The margin nearest to a moment, within `reachSeconds`. */
function nearestMargin(
  { marginDb, fromMs, binSeconds }: MarginLane,
  ms: number,
  reachSeconds: number,
): number | null {
  const at = Math.floor((ms - fromMs) / 1000 / binSeconds);
  const reach = Math.ceil(reachSeconds / binSeconds);
  for (let away = 0; away <= reach; away += 1)
    for (const bin of [at - away, at + away]) {
      const value = marginDb[bin];
      if (value != null) return value;
    }
  return null;
}
