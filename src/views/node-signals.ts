/**
 * A node's signal at a gateway over time, as far as a drawing can show it: of a long window each stretch is told by its
 * weakest, middle and strongest reception, which keep their own times and say for how many they stand.
 */
import type { SignalSeries } from "../contract/index.ts";
import type { TimeRange } from "../model/time-range.ts";
import type { LifeReception } from "../store/queries/frames.ts";
import type { GatewayRecord } from "../store/queries/gateways.ts";
import { marginDb, spreadingFactorOf } from "./node-figures.ts";

/** Points of all gateways together. Chosen: some for each pixel of a wide screen, and 40 kB as sent. */
const MAX_POINTS = 4_000;
const POINTS_A_STRETCH = 3;
/** Of one gateway no fewer than these, however many hear the node. */
const MIN_STRETCHES = 60;

/** One series for each gateway that heard it; `receptions` in order of time. */
export function signalSeries(
  gateways: readonly GatewayRecord[],
  nameOf: (eui: string) => string | null,
  receptions: readonly LifeReception[],
  window: TimeRange,
): SignalSeries[] {
  const stretches = Math.max(
    MIN_STRETCHES,
    Math.floor(MAX_POINTS / POINTS_A_STRETCH / Math.max(1, gateways.length)),
  );
  const isCut = receptions.length > MAX_POINTS;
  return gateways.map(({ id, eui }) => {
    const own = receptions.filter(({ gatewayId }) => gatewayId === id);
    const points = isCut ? thinned(own, window, stretches) : own.map((one) => ({ one, count: 1 }));
    return {
      gatewayEui: eui,
      gatewayName: nameOf(eui),
      atMs: points.map(({ one }) => one.atUs / 1000),
      rssiDbm: points.map(({ one }) => tenth(one.rssiTenths)),
      snrDb: points.map(({ one }) => tenth(one.snrTenths)),
      spreadingFactor: points.map(({ one }) => spreadingFactorOf(one.dataRate)),
      marginDb: points.map(({ one }) => marginDb(one.snrTenths, one.dataRate)),
      receptions: points.map(({ count }) => count),
    };
  });
}

interface Point {
  readonly one: LifeReception;
  /** Receptions that it stands for. */
  readonly count: number;
}

function thinned(own: readonly LifeReception[], { fromUs, toUs }: TimeRange, stretches: number): Point[] {
  const stretchUs = (toUs - fromUs) / stretches;
  const points: Point[] = [];
  for (let from = 0; from < own.length; ) {
    const stretch = Math.floor(((own[from]?.atUs ?? 0) - fromUs) / stretchUs);
    let to = from + 1;
    while (to < own.length && Math.floor(((own[to]?.atUs ?? 0) - fromUs) / stretchUs) === stretch) to += 1;
    points.push(...told(own.slice(from, to)));
    from = to;
  }
  return points;
}

/** The weakest, the middle and the strongest, in order of time; all of three or fewer. */
function told(stretch: readonly LifeReception[]): Point[] {
  const n = stretch.length;
  if (n <= POINTS_A_STRETCH) return stretch.map((one) => ({ one, count: 1 }));
  const byLevel = [...stretch].sort(
    (a, b) => level(a.snrTenths) - level(b.snrTenths) || level(a.rssiTenths) - level(b.rssiTenths),
  );
  const chosen = [byLevel[0], byLevel[n >> 1], byLevel[n - 1]].flatMap((one) => one ?? []);
  const each = Math.floor(n / POINTS_A_STRETCH);
  return chosen
    .map((one, i) => ({ one, count: i === 1 ? n - 2 * each : each }))
    .sort((a, b) => a.one.atUs - b.one.atUs);
}

/** What was not reported comes first. */
function level(tenths: number | null): number {
  return tenths ?? Number.NEGATIVE_INFINITY;
}

function tenth(value: number | null): number | null {
  return value === null ? null : value / 10;
}
