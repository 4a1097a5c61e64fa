/** The downlink path of one gateway: round trips to the server, what was asked for and what came of it, and its own airtime. */

import type { GatewayDownlinks, RoundTrip, TransmitBudget } from "../contract/index.ts";
import {
  judgeWayBack,
  outcomeOf,
  outcomeWords,
  roundTripMeaning,
  windowWords,
} from "../diagnosis/relay-sentences.ts";
import {
  ASKED_BOTH_SIDES,
  ASKED_IN_LINE,
  ASKED_ONE_SIDED,
  classMs,
  DEADLINE_US,
  lateness,
  quantileMs,
} from "../ledger/downlink-timing.ts";
import { rounded } from "../model/rounding.ts";
import { minuteOf, type TimeRange } from "../model/time-range.ts";
import { DUTY_CYCLE_PERIOD_US, peakHour } from "../radio/occupancy.ts";
import { dutyCycleLimitFor, LIMITS_CAUTION } from "../radio/regions/limits.ts";
import { median, quantile } from "../statistics/robust.ts";
import type { Store } from "../store/open.ts";
import { answerDelaysUs } from "../store/queries/bench.ts";
import {
  type DownlinkRecord,
  downlinksOfGateway,
  downlinkTotals,
  type GatewayTransmission,
  gatewayTransmissions,
  newestRoundTrips,
  type RoundTripCount,
  roundTrips,
} from "../store/queries/downlinks.ts";
import { duration } from "../words/format.ts";

/** Downlinks that outcomes, windows and leads are known from: the newest. */
const MAX_DOWNLINKS = 5_000;
/** The reference daemon waits two times 50 ms for an acknowledgement (protocol reference, 1.2). */
const PATIENCE_MS = 100;
/** Unanswered for this many minutes with asking in the newest, the server is called silent. */
const SILENT_MINUTES = 2;
/** The radio needs about a millisecond to change over. Common practice, no source. */
const SWITCH_US = 1_000;
const PUSH = 0;
const PULL = 2;

/** `region`: the recognised plan's name; null when none is. null: nothing of a server was ever seen for this gateway. */
export function gatewayDownlinks(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  region: string | null,
): GatewayDownlinks | null {
  const trips = roundTrips(store, gatewayId, window);
  const downlinks = downlinksOfGateway(store, gatewayId, window, MAX_DOWNLINKS);
  const isInLine = trips.some((one) => one.class === ASKED_IN_LINE);
  const isAnswered = trips.some((one) => one.class >= 0);
  if (downlinks.length === 0 && !isInLine && !isAnswered) return null;

  const totals = downlinkTotals(store, gatewayId, window);
  const server = serverOf(store, gatewayId, window, isInLine || isAnswered);
  const push = roundTripOf(trips, PUSH);
  const pull = roundTripOf(trips, PULL);
  const fates = downlinks.map(lateness).filter((fate) => fate !== null);
  const late = fates.filter((fate) => fate === "late").length;
  const transmissions = gatewayTransmissions(store, gatewayId, window);
  // A gateway that never confirms (protocol version 1) is taken at what it was asked for; said to be so.
  const isConfirming = transmissions.some(({ isConfirmed }) => isConfirmed);
  const sent = isConfirming ? transmissions.filter(({ isConfirmed }) => isConfirmed) : transmissions;
  const transmitUs = airtimeOf(sent);
  const budgets = region === null ? [] : budgetsOf(sent, region);
  const windowUs = window.toUs - window.fromUs;
  return {
    ...judgeWayBack({
      server: server.state,
      ...totals,
      late,
      timed: fates.length,
      lost: push.lost,
      askedPush: push.asked,
      fullestBudget: fullestOf(budgets),
    }),
    server,
    push,
    pull,
    tripMeaning: meaningOf(store, gatewayId, window, trips, push),
    oneSided: countOf(trips, ASKED_ONE_SIDED),
    asked: totals.asked,
    outcomes: outcomesOf(downlinks),
    windows: windowsOf(downlinks),
    timed: fates.length,
    late,
    lateShare: fates.length === 0 ? null : late / fates.length,
    lead: leadOf(downlinks),
    transmitBasis: isConfirming ? "confirmed" : "asked",
    transmitSeconds: transmitUs / 1e6,
    unconfirmedSeconds: (airtimeOf(transmissions) - transmitUs) / 1e6,
    transmitShare: windowUs > 0 ? transmitUs / windowUs : 0,
    deafSeconds: (transmitUs + sent.length * SWITCH_US) / 1e6,
    budgets,
    caution: LIMITS_CAUTION,
  };
}

function airtimeOf(transmissions: readonly GatewayTransmission[]): number {
  return transmissions.reduce((sum, { airtimeUs }) => sum + airtimeUs, 0);
}

function serverOf(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  isSeen: boolean,
): GatewayDownlinks["server"] {
  if (!isSeen) return { state: "unknown", words: "acknowledgements were not to be seen here" };
  const { askedMinute, answeredMinute } = newestRoundTrips(store, gatewayId, window);
  const ended = Math.min(askedMinute ?? minuteOf(window.toUs), minuteOf(window.toUs));
  const silentMinutes = ended - (answeredMinute ?? Number.NEGATIVE_INFINITY);
  if (silentMinutes < SILENT_MINUTES) return { state: "answering", words: "the server answers" };
  return {
    state: "silent",
    words:
      answeredMinute === null
        ? "the server never answered in this window"
        : `the server has not answered for ${duration(60 * silentMinutes)}`,
  };
}

function countOf(trips: readonly RoundTripCount[], one: number): number {
  return trips.reduce((total, trip) => total + (trip.class === one ? trip.count : 0), 0);
}

function meaningOf(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  trips: readonly RoundTripCount[],
  push: RoundTrip,
): string | null {
  const serverMs = push.medianMs;
  if (serverMs === null) return null;
  const gatewayUs = median(answerDelaysUs(store, gatewayId, window));
  return roundTripMeaning({
    inLine: countOf(trips, ASKED_IN_LINE) > 0,
    inCapture: countOf(trips, ASKED_BOTH_SIDES) > 0,
    serverMs,
    gatewayMs: gatewayUs === null ? null : gatewayUs / 1000,
  });
}

/** Round trips of one kind of datagram. What a one-sided capture holds is not asked: its answers passed elsewhere. */
export function roundTripOf(trips: readonly RoundTripCount[], kind: number): RoundTrip {
  const own = trips.filter((one) => one.kind === kind);
  const sum = (of: (one: RoundTripCount) => boolean) =>
    own.filter(of).reduce((total, { count }) => total + count, 0);
  const asked = sum((one) => one.class === ASKED_IN_LINE || one.class === ASKED_BOTH_SIDES);
  const answered = sum((one) => one.class >= 0);
  const counts = new Map(own.map((one) => [one.class, one.count]));
  const isSeen = asked > 0;
  return {
    asked,
    answered,
    lost: isSeen ? Math.max(0, asked - answered) : null,
    lostRatio: isSeen && asked > 0 ? Math.max(0, asked - answered) / asked : null,
    medianMs: rounded(quantileMs(counts, 0.5), 2),
    p99Ms: rounded(quantileMs(counts, 0.99), 2),
    overPatience: sum((one) => one.class >= 0 && classMs(one.class) > PATIENCE_MS),
  };
}

function outcomesOf(downlinks: readonly DownlinkRecord[]): GatewayDownlinks["outcomes"] {
  const counts = new Map<string, GatewayDownlinks["outcomes"][number]>();
  for (const { outcome: result, word } of downlinks) {
    const outcome = outcomeOf(result);
    const key = `${outcome} ${word ?? ""}`;
    const known = counts.get(key) ?? { outcome, word, words: outcomeWords(outcome, word), count: 0 };
    known.count += 1;
    counts.set(key, known);
  }
  return [...counts.values()].sort((a, b) => b.count - a.count || a.words.localeCompare(b.words));
}

function windowsOf(downlinks: readonly DownlinkRecord[]): GatewayDownlinks["windows"] {
  const counts = new Map<string, number>();
  for (const { window } of downlinks) if (window !== null) counts.set(window, (counts.get(window) ?? 0) + 1);
  return [...counts]
    .map(([window, count]) => ({ window, words: windowWords(window), count }))
    .sort((a, b) => b.count - a.count || a.window.localeCompare(b.window));
}

function leadOf(downlinks: readonly DownlinkRecord[]): GatewayDownlinks["lead"] {
  const leads = downlinks.flatMap(({ leadUs }) => (leadUs === null ? [] : [leadMs(leadUs)]));
  const median = quantile(leads, 0.5);
  const p10 = quantile(leads, 0.1);
  if (median === null || p10 === null) return null;
  const least = leads.reduce((smallest, one) => Math.min(smallest, one), Number.POSITIVE_INFINITY);
  return {
    medianMs: rounded(median, 1),
    p10Ms: rounded(p10, 1),
    leastMs: rounded(least, 1),
    count: leads.length,
  };
}

/** Milliseconds left before the last moment at which a gateway takes it. */
export function leadMs(leadUs: number): number {
  return (leadUs - DEADLINE_US) / 1000;
}

function budgetsOf(transmissions: readonly GatewayTransmission[], region: string): TransmitBudget[] {
  const bands = new Map<
    string,
    { limit: ReturnType<typeof dutyCycleLimitFor>; sent: GatewayTransmission[] }
  >();
  for (const one of transmissions) {
    if (one.frequencyHz === null) continue;
    const limit = dutyCycleLimitFor(one.frequencyHz, region);
    if (limit === null || limit.subBand === null) continue;
    const key = `${limit.fromHz}`;
    const band = bands.get(key) ?? { limit, sent: [] };
    band.sent.push(one);
    bands.set(key, band);
  }
  return [...bands.values()]
    .flatMap(({ limit, sent }) => {
      const peak = peakHour(sent);
      if (limit === null || peak === null || limit.fromHz === null || limit.toHz === null) return [];
      const share = peak.airtimeUs / DUTY_CYCLE_PERIOD_US;
      return [
        {
          subBand: limit.subBand ?? "",
          fromHz: limit.fromHz,
          toHz: limit.toHz,
          airtimeSeconds: peak.airtimeUs / 1e6,
          share,
          limit: limit.limit,
          text: limit.text,
          source: limit.source,
          standing: standingOf(share, limit.limit),
        },
      ];
    })
    .sort((a, b) => a.fromHz - b.fromHz);
}

function standingOf(share: number, limit: number | null): TransmitBudget["standing"] {
  if (limit === null) return "waiting";
  if (share > limit) return "bad";
  return share > 0.8 * limit ? "look" : "good";
}

function fullestOf(budgets: readonly TransmitBudget[]): number | null {
  const used = budgets.flatMap(({ share, limit }) => (limit === null || limit <= 0 ? [] : [share / limit]));
  return used.length === 0 ? null : Math.max(...used);
}
