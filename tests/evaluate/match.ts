/**
 * When is a finding right, and when is a fault found? The rule of the evaluation, in one place.
 *
 * A **fault** is one injected cause at one node: an episode of the truth's `injected` and a node that it names. It counts
 * (is *observable*) when within its time it cost that node more than chance takes from a sound link: two counters in a row that were
 * lost to it (of a node that was heard eight times before its end), or three in all that are a tenth of what the node sent, or half of it when it sent no more than two; for a node that fell silent, restarted or rejoins, when nothing was heard for more
 * than 2.5 rhythms; for a shared address, when five frames and more of the second device were heard.
 * What was lost while nobody recorded does not count, nor a fault to which a node lost less than to other things meanwhile:
 * nothing can be asked of it. Nor does it where what was sent is the same, octet by octet, for another cause: a radio
 * that hangs and noise that drowns all channels, where no packet came of any kind and no restart ended it, at a site of one
 * gateway (`same-octets.test.ts`). What a finding calls it there is judged as ever. Where the site's conditions inject something too (a bench node that restarts), only the
 * case's own cause is a fault; naming the other is right.
 * Its **answer** is the cause of the dropouts of that node's addresses that overlap with it in time: right when one of
 * them names its cause (or one in `alsoTrue`); else the cause of the one that overlaps longest; `unexplained` when all
 * say so; none when there is no dropout. `unexplained` and none count as not found.
 *
 * A **finding** is one dropout of the Gaps view with a cause other than `unexplained`; strangers' are left out. It is
 * right when an injected cause of that name concerns that node in an overlapping time, or when at least half of the node's counters that were
 * lost between its ends had a fate that this cause stands for: a frame that a fade took without any event is rightly
 * called a weak link. It is wrong whatever else is true when nobody recorded: when fewer than half of the counters that it calls
 * missed were lost in recorded time, or all of what an injected cause shares with it was not recorded. Otherwise it is wrong. Several injected causes may overlap: naming any of them is right.
 * On a site without faults every finding that is wrong by this rule is a false finding.
 */
import type { DropoutRow } from "../../src/contract/gaps.ts";
import { subtract, type TimeRange, totalUs } from "../../src/model/time-range.ts";
import type { CounterFate, Truth, TruthEpisode } from "../../src/simulate/truth-schema.ts";
import type { Played } from "./play-case.ts";

/** One injected cause at one node, and what was said of it. */
export interface FaultResult {
  readonly cause: string;
  readonly node: string;
  /** A cause, `unexplained`, or null: no dropout at all. */
  readonly answer: string | null;
  readonly isFound: boolean;
  /** Share of what the node sent meanwhile that was lost to it; null where it sent nothing, or nothing was lost. */
  readonly lostShare: number | null;
}

/** One dropout that names a cause. */
export interface FindingResult {
  readonly cause: string;
  readonly confidence: number;
  readonly isRight: boolean;
  /** Right by an injected cause, not only by what became of the counters. */
  readonly isInjected: boolean;
  readonly node: string;
  readonly kind: string;
  readonly from: string;
  readonly to: string;
  readonly missed: number;
  readonly sentence: string;
  /** What it would have been: injected causes there, and fates of the counters lost. */
  readonly truth: string;
}

export interface Matched {
  readonly faults: readonly FaultResult[];
  readonly findings: readonly FindingResult[];
  readonly unexplained: number;
  /** Nodes times days. */
  readonly nodeDays: number;
}

const CAUSES_OF_FATE: Readonly<Record<CounterFate, readonly string[]>> = {
  heard: [],
  // Lost in bursts they are short outages.
  "datagram-lost": ["backhaul-loss", "gateway-unreachable"],
  "backhaul-outage": ["gateway-unreachable"],
  "in-flight": ["gateway-unreachable", "gateway-restarted"],
  "gateway-off": ["gateway-restarted", "gateway-unreachable"],
  "gateway-deaf": ["gateway-deaf"],
  "gateway-transmitting": ["gateway-transmitting"],
  "off-channel": ["channel-mismatch"],
  "no-demodulator": ["congestion"],
  collision: ["congestion"],
  noise: ["interference"],
  weakened: ["gateway-weakened", "weak-link"],
  weak: ["weak-link"],
};

const MIN_SILENCE_RHYTHMS = 2.5;
const MIN_SECOND_DEVICE_FRAMES = 5;

interface Lost {
  readonly atMs: number;
  readonly fate: CounterFate;
}

/** What the rule needs to know of a case. */
interface Known {
  readonly truth: Truth;
  readonly notRecorded: readonly TimeRange[];
  /** undefined: not known, as if there were some. */
  readonly signs: readonly TimeRange[] | undefined;
}

/**
 * Everything that a case says about the diagnosis. `rhythmSeconds`: of each node, as drawn; `cause`: the case's own (null:
 * a site without fault), undefined: every injected cause counts as a fault.
 */
export function match(
  { truth, view, notRecorded = [], signs }: Omit<Played, "notRecorded" | "signs"> & Partial<Played>,
  rhythmSeconds: ReadonlyMap<string, number>,
  cause?: string | null,
): Matched {
  const known = { truth, notRecorded, signs };
  const rows = view.gaps.filter(({ stranger }) => !stranger);
  const own = truth.nodes.filter(({ stranger }) => !stranger);
  const findings = rows.filter(({ finding }) => finding.cause !== "unexplained");
  const days = (Date.parse(truth.to) - Date.parse(truth.from)) / 86_400_000;
  return {
    faults: truth.injected
      .filter((episode) => cause === undefined || isOf(episode, cause))
      .filter((episode) => !isLikeAnother(episode, known))
      .flatMap((episode) => faultsOf(episode, known, rows, rhythmSeconds)),
    findings: findings.map((row) => findingResult(row, known)),
    unexplained: rows.length - findings.length,
    nodeDays: new Set(own.map(({ name }) => name)).size * days,
  };
}

function isOf(episode: TruthEpisode, cause: string | null): boolean {
  return cause !== null && isNamed(cause, episode);
}

/** Whether what was sent is the same for another cause; see above. */
function isLikeAnother({ cause, ...episode }: TruthEpisode, { truth, signs }: Known): boolean {
  if (signs === undefined || truth.gateways.length !== 1) return false;
  const fromUs = (Date.parse(episode.from) + ON_THE_AIR_MS) * 1000;
  const toUs = Date.parse(episode.to) * 1000;
  if (signs.some((sign) => sign.fromUs >= fromUs && sign.toUs <= toUs)) return false;
  const goesOn = episode.to === truth.to;
  if (cause === "interference") return true;
  return (
    cause === "gateway-deaf" &&
    truth.events.some(
      (event) =>
        event.event === cause && (goesOn || (event.restartSeconds === 0 && event.counterStands === false)),
    )
  );
}

function faultsOf(
  episode: TruthEpisode,
  known: Known,
  rows: readonly DropoutRow[],
  rhythms: ReadonlyMap<string, number>,
): FaultResult[] {
  const nodes = episode.cause === "shared-address" ? episode.nodes.slice(0, 1) : episode.nodes;
  return nodes.flatMap(({ name, devAddrs }) => {
    const cost = costOf(episode, name, known, (rhythms.get(name) ?? 600) * 1000);
    if (cost === null) return [];
    const overlapping = rows
      .filter((row) => devAddrs.includes(row.devAddr) && overlapMs(row, episode) > 0)
      .sort((a, b) => overlapMs(b, episode) - overlapMs(a, episode));
    const right = overlapping.find(({ finding }) => isNamed(finding.cause, episode));
    const named = overlapping.find(({ finding }) => finding.cause !== "unexplained");
    const answer = (right ?? named ?? overlapping[0])?.finding.cause ?? null;
    const isFound = right !== undefined;
    return [{ cause: episode.cause, node: name, answer: isFound ? episode.cause : answer, isFound, ...cost }];
  });
}

function isNamed(cause: string, episode: TruthEpisode): boolean {
  return cause === episode.cause || episode.alsoTrue.includes(cause);
}

/** A frame that is on the air as an episode of a moment happens ends after it: the longest airtime there is. */
const ON_THE_AIR_MS = 3000;

/** The time that a dropout and an episode share; an episode of a moment shares what a frame on the air takes. */
function sharedTime(row: { from: string; to: string }, episode: TruthEpisode): Span {
  return {
    fromMs: Math.max(Date.parse(row.from), Date.parse(episode.from)),
    toMs: Math.min(
      Date.parse(row.to),
      Math.max(Date.parse(episode.to), Date.parse(episode.from) + ON_THE_AIR_MS),
    ),
  };
}

function overlapMs(row: { from: string; to: string }, episode: TruthEpisode): number {
  const { fromMs, toMs } = sharedTime(row, episode);
  return toMs - fromMs;
}

const IN_SILENCE: ReadonlySet<string> = new Set(["node-silent", "node-restarted", "rejoin-loop"]);

/** A node that was heard less before the episode's end is not known well enough to be missed. */
const MIN_KNOWN_FRAMES = 8;
const MIN_LOST = 3;
const MIN_LOST_SHARE = 0.1;
/** A node that loses more to other things meanwhile tells of those. */
const MIN_OF_ITS_LOSSES = 0.5;

/** What an episode cost a node, when that is enough to ask why; else null. */
function costOf(
  episode: TruthEpisode,
  name: string,
  { truth, notRecorded }: Known,
  rhythmMs: number,
): { readonly lostShare: number | null } | null {
  const from = Date.parse(episode.from);
  const to = Date.parse(episode.to);
  const lives = truth.nodes.filter((life) => life.name === name || life.name.startsWith(`${name}, second`));
  const counters = lives.flatMap(({ counters: all, name: of }) =>
    all
      .map(({ at, fate }) => ({ atMs: Date.parse(at), fate, of }))
      .filter(({ atMs }) => !isWithin(notRecorded, atMs)),
  );
  if (episode.cause === "shared-address") {
    const second = counters.filter(({ fate, of }) => fate === "heard" && of !== name).length;
    return second >= MIN_SECOND_DEVICE_FRAMES ? { lostShare: null } : null;
  }
  if (IN_SILENCE.has(episode.cause)) {
    const heard = counters.filter(({ fate }) => fate === "heard").map(({ atMs }) => atMs);
    const before = Math.max(...heard.filter((at) => at <= from));
    const end = Math.min(Date.parse(truth.to), ...heard.filter((at) => at > from));
    const isLong =
      Number.isFinite(before) &&
      recordedMs({ fromMs: before, toMs: end }, notRecorded) > MIN_SILENCE_RHYTHMS * rhythmMs;
    // Of a restart that was not seen to its end nobody can tell more than the silence.
    if (episode.cause === "node-restarted" && !heard.some((at) => at > from)) return null;
    return isLong ? { lostShare: null } : null;
  }
  const within = counters.filter(({ atMs }) => atMs >= from && atMs <= to);
  const heardUntil = counters.filter(({ atMs, fate }) => fate === "heard" && atMs <= to).length;
  if (heardUntil < MIN_KNOWN_FRAMES) return null;
  const isLost = within.map(({ fate }) => CAUSES_OF_FATE[fate].some((cause) => isNamed(cause, episode)));
  const lost = isLost.filter(Boolean).length;
  const lostShare = lost / Math.max(1, within.length);
  const isEnough =
    isLost.some((one, index) => one && isLost[index + 1] === true) ||
    (lost >= MIN_LOST && lostShare >= MIN_LOST_SHARE) ||
    (lost > 0 && within.length <= 2);
  const lostAtAll = within.filter(({ fate }) => fate !== "heard").length;
  return isEnough && lost >= MIN_OF_ITS_LOSSES * lostAtAll ? { lostShare } : null;
}

function isWithin(ranges: readonly TimeRange[], atMs: number): boolean {
  return ranges.some(({ fromUs, toUs }) => atMs * 1000 >= fromUs && atMs * 1000 < toUs);
}

interface Span {
  readonly fromMs: number;
  readonly toMs: number;
}

const spanOf = ({ from, to }: { readonly from: string; readonly to: string }): Span => ({
  fromMs: Date.parse(from),
  toMs: Date.parse(to),
});
const lengthMs = ({ fromMs, toMs }: Span): number => Math.max(0, toMs - fromMs);

function recordedMs({ fromMs, toMs }: Span, notRecorded: readonly TimeRange[]): number {
  return toMs <= fromMs
    ? 0
    : totalUs(subtract([{ fromUs: fromMs * 1000, toUs: toMs * 1000 }], notRecorded)) / 1000;
}

function findingResult(row: DropoutRow, { truth, notRecorded }: Known): FindingResult {
  const { finding } = row;
  const concerned = truth.injected.filter(
    (episode) =>
      episode.nodes.some(({ devAddrs }) => devAddrs.includes(row.devAddr)) &&
      overlapMs(row, episode) > 0 &&
      recordedMs(sharedTime(row, episode), notRecorded) > 0,
  );
  const lost = lostIn(row, truth).filter(({ atMs }) => !isWithin(notRecorded, atMs));
  const isOfRecorded =
    row.missedCounters === 0 ||
    lost.length >= row.missedCounters / 2 ||
    recordedMs(spanOf(row), notRecorded) === lengthMs(spanOf(row));
  const backed = lost.filter(({ fate }) => CAUSES_OF_FATE[fate].includes(finding.cause)).length;
  const isInjected = concerned.some(
    (episode) =>
      isNamed(finding.cause, episode) ||
      // A node that restarts for hours is silent as long as it has not come back.
      (row.open && episode.cause === "node-restarted" && finding.cause === "node-silent"),
  );
  return {
    cause: finding.cause,
    confidence: finding.confidence,
    isRight: isOfRecorded && (isInjected || (lost.length > 0 && backed >= lost.length / 2)),
    isInjected,
    node: truth.nodes.find(({ devAddr }) => devAddr === row.devAddr)?.name ?? row.devAddr,
    kind: row.kind,
    from: row.from,
    to: row.to,
    missed: row.missedCounters,
    sentence: finding.sentence,
    truth: isOfRecorded ? truthWords(concerned, lost) : "nobody recorded when most of it was sent",
  };
}

function lostIn({ devAddr, from, to }: DropoutRow, truth: Truth): Lost[] {
  return truth.nodes
    .filter((life) => life.devAddr === devAddr)
    .flatMap(({ counters }) => counters.map(({ at, fate }) => ({ atMs: Date.parse(at), fate })))
    .filter(({ atMs, fate }) => fate !== "heard" && atMs >= Date.parse(from) && atMs <= Date.parse(to));
}

function truthWords(episodes: readonly TruthEpisode[], lost: readonly Lost[]): string {
  const counts = new Map<string, number>();
  for (const { fate } of lost) counts.set(fate, (counts.get(fate) ?? 0) + 1);
  const fates = [...counts].sort((a, b) => b[1] - a[1]).map(([fate, count]) => `${count} ${fate}`);
  return [...episodes.map(({ cause }) => `injected ${cause}`), ...fates].join(", ") || "nothing was lost";
}
