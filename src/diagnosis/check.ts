/**
 * Is the site well, for a scheduler that wants one word? Facts of recorded time in, one line out. "Cannot tell" is an
 * answer of its own: where nobody recorded, nothing was lost and nothing was well.
 */
import { duration, figure, percent, plural } from "../words/format.ts";
import { THRESHOLDS } from "./status.ts";

export interface GatewayHealth {
  readonly eui: string;
  readonly name: string | null;
  /** Since its newest datagram, in recorded time. */
  readonly silentSeconds: number;
  /** Silent for longer than its own interval allows. */
  readonly isOut: boolean;
}

export interface NodeHealth {
  readonly devAddr: string;
  readonly name: string | null;
  readonly isStranger: boolean;
  /** Since its newest frame, in recorded time. */
  readonly silentSeconds: number;
  /** Silent for longer than its rhythm allows. */
  readonly isOverdue: boolean;
  /** Counters of the window, all its lives together; without those that nobody recorded. */
  readonly expected: number;
  readonly missed: number;
  /** Of the missed, those due while no gateway was in reach. */
  readonly missedDuringOutage: number;
}

export interface SiteHealth {
  readonly recordedSeconds: number;
  /** Since the end of the newest recording; null: nothing was ever recorded. */
  readonly notRecordingSeconds: number | null;
  readonly gateways: readonly GatewayHealth[];
  readonly nodes: readonly NodeHealth[];
}

/** What is asked for. Nothing named: all gateways, and all nodes but strangers. */
export interface CheckQuestion {
  readonly gateways: readonly string[];
  readonly nodes: readonly string[];
  /** Share of counters, 0 to 1. */
  readonly maxLoss: number;
  /** Null: by each one's own interval. */
  readonly maxSilenceSeconds: number | null;
}

export type CheckState = "well" | "not-well" | "cannot-tell";

export interface CheckRow {
  readonly kind: "site" | "gateway" | "node";
  /** EUI or address; null of the site. */
  readonly id: string | null;
  readonly state: CheckState;
  readonly sentence: string;
}

export interface CheckAnswer {
  readonly state: CheckState;
  /** One line. */
  readonly sentence: string;
  readonly recordedSeconds: number;
  readonly rows: readonly CheckRow[];
}

/** Nobody listens when the newest recording is older. A running service notes every 2 s that it listens. Chosen. */
export const NOT_RECORDING_SECONDS = 60;
/** Reasons that the line names. */
const MAX_REASONS = 5;

/** Returns the answer: not well when anything is not, else "cannot tell" when anything is unknown, else well. */
export function judgeCheck(health: SiteHealth, question: CheckQuestion): CheckAnswer {
  const isOpen = question.gateways.length === 0 && question.nodes.length === 0;
  const gateways = isOpen ? health.gateways.map(({ eui }) => eui) : question.gateways;
  const own = health.nodes.filter((node) => !node.isStranger).map(({ devAddr }) => devAddr);
  const nodes = isOpen ? own : question.nodes;
  const rows = [
    ...siteRows(health, isOpen),
    ...gateways.map((eui) => gatewayRow(eui, health, question)),
    ...nodes.flatMap((devAddr) => nodeRow(devAddr, health, question, isOpen)),
  ];
  const of = (state: CheckState) => rows.filter((row) => row.state === state);
  const reasons = [...of("not-well"), ...of("cannot-tell")];
  const [first] = reasons;
  if (first === undefined) {
    const what = [
      ...(gateways.length > 0 ? [`${plural(gateways.length, "gateway")} in reach`] : []),
      ...(nodes.length > 0
        ? [`${plural(nodes.length, "node")} within ${percent(question.maxLoss, 0)} loss`]
        : []),
    ];
    const over = `over ${duration(health.recordedSeconds)} recorded`;
    return {
      state: "well",
      sentence: `Well: ${what.join(", ")}, ${over}.`,
      recordedSeconds: health.recordedSeconds,
      rows,
    };
  }
  const named = reasons.slice(0, MAX_REASONS).map(({ sentence }) => sentence);
  const more = reasons.length - named.length;
  const word = first.state === "not-well" ? "Not well" : "Cannot tell";
  return {
    state: first.state,
    sentence: `${word}: ${[...named, ...(more > 0 ? [`and ${more} more`] : [])].join("; ")}.`,
    recordedSeconds: health.recordedSeconds,
    rows,
  };
}

function siteRows(health: SiteHealth, isOpen: boolean): CheckRow[] {
  const unknown = (sentence: string): CheckRow[] => [
    { kind: "site", id: null, state: "cannot-tell", sentence },
  ];
  if (health.notRecordingSeconds === null) return unknown("nothing was ever recorded");
  if (health.notRecordingSeconds > NOT_RECORDING_SECONDS)
    return unknown(`nothing was recorded for ${duration(health.notRecordingSeconds)}`);
  if (isOpen && health.gateways.length === 0) return unknown("no gateway was heard yet");
  return [];
}

function gatewayRow(eui: string, { gateways }: SiteHealth, { maxSilenceSeconds }: CheckQuestion): CheckRow {
  const gateway = gateways.find((one) => one.eui === eui);
  const row = (state: CheckState, what: string): CheckRow => ({
    kind: "gateway",
    id: eui,
    state,
    sentence: `gateway ${gateway?.name ?? eui} ${what}`,
  });
  if (gateway === undefined) return row("cannot-tell", "was never heard");
  const { silentSeconds, isOut } = gateway;
  const isSilent = maxSilenceSeconds === null ? isOut : silentSeconds > maxSilenceSeconds;
  return isSilent
    ? row("not-well", `silent for ${duration(silentSeconds)}`)
    : row("well", `in reach, last datagram ${duration(silentSeconds)} ago`);
}

function nodeRow(
  devAddr: string,
  { nodes }: SiteHealth,
  { maxLoss, maxSilenceSeconds }: CheckQuestion,
  isOpen: boolean,
): CheckRow[] {
  const node = nodes.find((one) => one.devAddr === devAddr);
  const row = (state: CheckState, what: string): CheckRow => ({
    kind: "node",
    id: devAddr,
    state,
    sentence: `node ${node?.name ?? devAddr} ${what}`,
  });
  if (node === undefined) return [row("cannot-tell", "was never heard")];
  const { silentSeconds, isOverdue, expected, missed, missedDuringOutage } = node;
  if (maxSilenceSeconds === null ? isOverdue : silentSeconds > maxSilenceSeconds)
    return [row("not-well", `silent for ${duration(silentSeconds)}`)];
  if (expected < THRESHOLDS.leastExpected) {
    // Of all nodes, those that send rarely say nothing; one that was asked for by name is answered.
    return isOpen
      ? []
      : [row("cannot-tell", `sent too little: ${expected} of ${THRESHOLDS.leastExpected} counters`)];
  }
  const loss = missed / expected;
  const outage = missedDuringOutage > 0 ? `, ${missedDuringOutage} of them with no gateway in reach` : "";
  const figures = `lost ${percent(loss)} (${figure(missed)} of ${figure(expected)}${outage})`;
  return [row(loss > maxLoss ? "not-well" : "well", figures)];
}
