/** Do networks of strangers grow? Their airtime by week, at the one gateway with the longest record. */
import type { StrangerGrowth, StrangerWeek } from "../contract/others-on-air.ts";
import { growthWords, MIN_GROWTH_WEEKS } from "../diagnosis/others-sentences.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange, totalUs } from "../model/time-range.ts";
import { intervalT } from "../statistics/distributions.ts";
import { DAY_US, median } from "../statistics/robust.ts";
import { trendOf } from "../statistics/trend.ts";
import type { Store } from "../store/open.ts";
import { type AddressDay, airtimeByDay, hoursThere, newestReceptionsFromUs } from "../store/queries/air.ts";
import type { RecordedTime } from "../store/recorded-time.ts";

/** Receptions that the weeks are summed from, the newest. Chosen: some seconds at most. */
const MAX_RECEPTIONS = 1_000_000;
const WEEKS = 12;
/** Gateways of which the one with the longest record is sought: those that heard most of strangers. Chosen. */
const MAX_CANDIDATES = 8;
/** A day counts from so much of it recorded, a week from so many days. Chosen. */
const DAY_SHARE = 0.75;
const WEEK_DAYS = 4;
/** Growth counts below this chance, as every trend here. */
const MAX_P = 0.01;

export interface Owner {
  readonly network: string;
  readonly stranger: boolean;
}

// Growth by week, at one gateway.

interface StrangerDay {
  readonly day: number;
  /** Airtime, put up to a whole day. */
  readonly seconds: number;
}

export interface Growth {
  readonly gatewayId: number | null;
  /** Days recorded enough, oldest first; those without a packet of the network count as none. */
  readonly days: (network: string) => readonly StrangerDay[];
}

/** Monday of the week of a day; 1 January 1970 was a Thursday. */
function weekOf(day: number): number {
  return day - ((day + 3) % 7);
}

export function growthOf(
  store: Store,
  toUs: number,
  ownerOf: (devAddr: number) => Owner,
  sharesOf: (gatewayId: number, range: TimeRange) => Map<number, number>,
): Growth {
  const fromDay = weekOf(Math.floor((toUs - 1) / DAY_US)) - (WEEKS - 1) * 7;
  const asked = { fromUs: fromDay * DAY_US, toUs };
  const range = { fromUs: newestReceptionsFromUs(store, asked, MAX_RECEPTIONS), toUs };
  const rows = airtimeByDay(store, range, (devAddr) => ownerOf(devAddr).stranger);
  const spent = new Map<number, number>();
  for (const { gatewayId, airtimeUs } of rows) spent.set(gatewayId, (spent.get(gatewayId) ?? 0) + airtimeUs);
  const candidates = [...spent]
    .map(([gatewayId, airtimeUs]) => ({ gatewayId, airtimeUs }))
    .sort((a, b) => b.airtimeUs - a.airtimeUs || a.gatewayId - b.gatewayId)
    .slice(0, MAX_CANDIDATES)
    .map((one) => ({ ...one, shares: sharesOf(one.gatewayId, range) }));
  // The longest record first: a gateway that came later cannot show growth.
  candidates.sort((a, b) => b.shares.size - a.shares.size || b.airtimeUs - a.airtimeUs);
  const [best] = candidates;
  if (best === undefined) return { gatewayId: null, days: () => [] };
  const sums = sumsByNetwork(rows, best.gatewayId, ownerOf);
  return {
    gatewayId: best.gatewayId,
    days: (network) =>
      [...best.shares].map(([day, share]) => ({
        day,
        seconds: (sums.get(network)?.get(day) ?? 0) / 1e6 / share,
      })),
  };
}

function sumsByNetwork(rows: readonly AddressDay[], gatewayId: number, ownerOf: (devAddr: number) => Owner) {
  const sums = new Map<string, Map<number, number>>();
  for (const row of rows) {
    if (row.gatewayId !== gatewayId) continue;
    const { network } = ownerOf(row.devAddr);
    const own = sums.get(network) ?? new Map<number, number>();
    sums.set(network, own.set(row.day, (own.get(row.day) ?? 0) + row.airtimeUs));
  }
  return sums;
}

/** How much of each day was recorded of a gateway, days with too little, or in which it was away, left out. */
export function dayShares(
  store: Store,
  recorded: RecordedTime,
  gatewayId: number,
  range: TimeRange,
): Map<number, number> {
  const { fromUs, toUs } = range;
  const there = hoursThere(store, gatewayId, range);
  const shares = new Map<number, number>();
  for (let day = Math.floor(fromUs / DAY_US); day * DAY_US < toUs; day += 1) {
    const within = { fromUs: Math.max(fromUs, day * DAY_US), toUs: Math.min(toUs, (day + 1) * DAY_US) };
    const recordedShare = totalUs(recorded.ranges(within, [gatewayId])) / DAY_US;
    const share = there === null ? recordedShare : Math.min(recordedShare, (there.get(day) ?? 0) / 24);
    if (share >= DAY_SHARE) shares.set(day, share);
  }
  return shares;
}

/** Every week from the first to the last, with those that were recorded too little. */
export function weeksOf(days: readonly StrangerDay[]): StrangerWeek[] {
  const [first, last] = [days[0], days.at(-1)];
  if (first === undefined || last === undefined) return [];
  const weeks: StrangerWeek[] = [];
  for (let week = weekOf(first.day); week <= last.day; week += 7) {
    const values = days.filter(({ day }) => weekOf(day) === week).map(({ seconds }) => seconds);
    const enough = values.length >= WEEK_DAYS;
    const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
    const variance =
      values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / Math.max(1, values.length - 1);
    const half = enough ? intervalT(0.95, values.length - 1) * Math.sqrt(variance / values.length) : 0;
    weeks.push({
      from: isoTime(week * DAY_US),
      days: values.length,
      enough,
      secondsPerDay: enough ? rounded(mean, 3) : null,
      interval95: enough ? [rounded(Math.max(0, mean - half), 3), rounded(mean + half, 3)] : null,
    });
  }
  return weeks;
}

export function judgeGrowth(days: readonly StrangerDay[], weeks: readonly StrangerWeek[]): StrangerGrowth {
  const counted = new Set(weeks.flatMap(({ from, enough }) => (enough ? [Date.parse(from)] : [])));
  const own = days.filter(({ day }) => counted.has((weekOf(day) * DAY_US) / 1000));
  const trend = trendOf(own.map(({ day, seconds }) => ({ tUs: day * DAY_US, value: seconds })));
  const { slopePerDay, slopeLow, slopeHigh, p, points, effectivePoints } = trend;
  const nothing = { secondsPerDayPerWeek: null, interval95: null, sharePerWeek: null, p: null };
  if (counted.size < MIN_GROWTH_WEEKS || slopePerDay === null || slopeLow === null || slopeHigh === null) {
    const growth = { verdict: "not enough" as const, ...nothing };
    return { ...growth, words: growthWords(growth, counted.size) };
  }
  const widened = Math.sqrt(points / Math.max(1, effectivePoints ?? points));
  const at = (edge: number) => 7 * (slopePerDay + widened * (edge - slopePerDay));
  const interval95: [number, number] = [rounded(at(slopeLow), 3), rounded(at(slopeHigh), 3)];
  const middle = median(own.map(({ seconds }) => seconds)) ?? 0;
  const counts = (p ?? 1) < MAX_P && (interval95[0] > 0 || interval95[1] < 0);
  const growth = {
    verdict: counts ? (slopePerDay > 0 ? ("grows" as const) : ("shrinks" as const)) : ("steady" as const),
    secondsPerDayPerWeek: rounded(7 * slopePerDay, 3),
    interval95,
    sharePerWeek: middle > 0 ? rounded((7 * slopePerDay) / middle, 3) : null,
    p,
  };
  return { ...growth, words: growthWords(growth, counted.size) };
}
