/** How much airtime did each node spend in each sub-band, against the limits of its region? */
import type { AirtimeOfNode } from "../contract/index.ts";
import { judgeAirtime, judgeDwell } from "../diagnosis/status.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { type BandUse, bandUses, LimitTable, type LocatedTransmission } from "../radio/airtime-limits.ts";
import { dutyCycleOf } from "../radio/occupancy.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { SentFrame } from "./air-evidence.ts";

/** Counters that a delivery ratio needs before airtime is put up by it. */
const MIN_EXPECTED = 10;

export interface NodeSent {
  readonly devAddr: number;
  readonly name: string | null;
  readonly network: string;
  readonly stranger: boolean;
  readonly frames: readonly SentFrame[];
}

/** Rows of one node, one a sub-band; a node heard in two regions has rows of both. None where no plan was recognised. */
export function airtimeOf(
  node: NodeSent,
  limitsAt: (gatewayId: number) => LimitTable | null,
  stretch: TimeRange,
): AirtimeOfNode[] {
  const byRegion = new Map<LimitTable, LocatedTransmission[]>();
  for (const { gatewayId, frequencyHz, dataRate, startUs, airtimeUs } of node.frames) {
    const limits = limitsAt(gatewayId);
    if (limits === null || frequencyHz === null) continue;
    const modulation = modulationFromCodes(dataRate, 0);
    const bandwidthHz = modulation.kind === "lora" ? modulation.bandwidthHz : null;
    const own = byRegion.get(limits) ?? [];
    if (own.length === 0) byRegion.set(limits, own);
    own.push({ startUs, airtimeUs, frequencyHz, bandwidthHz });
  }
  const deliveryRatio = deliveryOf(node.frames);
  return [...byRegion].flatMap(([limits, transmissions]) =>
    bandUses(transmissions, limits).map((use) => rowOf(node, limits.plan.name, use, deliveryRatio, stretch)),
  );
}

/** Nearest to its limit first, frames that break a dwell limit before all. */
export function byUrgency(a: AirtimeOfNode, b: AirtimeOfNode): number {
  const dwell = (row: AirtimeOfNode) => (row.dwell?.standing === "bad" ? 1 : 0);
  const used = (row: AirtimeOfNode) =>
    row.limit === null ? 0 : Math.max(row.atLeast, row.estimate ?? 0) / row.limit;
  return (
    dwell(b) - dwell(a) ||
    used(b) - used(a) ||
    b.atLeast - a.atLeast ||
    a.devAddr.localeCompare(b.devAddr) ||
    (a.fromHz ?? 0) - (b.fromHz ?? 0)
  );
}

function rowOf(
  node: NodeSent,
  region: string,
  use: BandUse,
  deliveryRatio: number | null,
  stretch: TimeRange,
): AirtimeOfNode {
  const { atLeast, estimate } = dutyCycleOf(use.fullestHourUs, deliveryRatio);
  const seconds = (stretch.toUs - stretch.fromUs) / 1e6;
  return {
    devAddr: formatDevAddr(node.devAddr),
    name: node.name,
    network: node.network,
    stranger: node.stranger,
    region,
    subBand: use.subBand,
    fromHz: use.fromHz,
    toHz: use.toHz,
    limit: use.limit,
    frames: use.frames,
    airtimeSeconds: use.airtimeUs / 1e6,
    atLeast,
    estimate,
    deliveryRatio,
    fullestHourTo: isoTime(use.fullestUntilUs),
    ...judgeAirtime({ atLeast, estimate, limit: use.limit, seconds }),
    source: use.source,
    dwell: dwellRow(use),
  };
}

function dwellRow({ dwell, frames }: BandUse): AirtimeOfNode["dwell"] {
  if (dwell === null) return null;
  const { frameLimitUs, longestFrameUs, framesOver, inPeriod, source } = dwell;
  const figures = {
    frameLimitMs: frameLimitUs / 1000,
    longestFrameMs: longestFrameUs / 1000,
    framesOver,
    inPeriod:
      inPeriod === null
        ? null
        : {
            seconds: inPeriod.periodUs / 1e6,
            limitMs: inPeriod.limitUs / 1000,
            mostMs: inPeriod.mostUs / 1000,
          },
  };
  return { ...figures, ...judgeDwell({ ...figures, frames }), source };
}

/** Distinct counters heard over counters that must have been sent, life by life; null with too few. */
function deliveryOf(frames: readonly SentFrame[]): number | null {
  const lives = new Map<number, Set<number>>();
  for (const { lifeId, counter } of frames) {
    if (counter === null) continue;
    const own = lives.get(lifeId) ?? new Set();
    lives.set(lifeId, own.add(counter));
  }
  let heard = 0;
  let expected = 0;
  for (const counters of lives.values()) {
    let [first, last] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
    for (const counter of counters) {
      first = Math.min(first, counter);
      last = Math.max(last, counter);
    }
    heard += counters.size;
    expected += last - first + 1;
  }
  return expected < MIN_EXPECTED ? null : heard / expected;
}

const MAX_AIRTIME_ROWS = 50;

/**
 * Gateways of one region share a table. One that heard too little to be recognised is taken to stand in the region of
 * the others, when they agree.
 */
export function limitTables(
  plans: ReadonlyMap<number, RegionPlan | null>,
): (gatewayId: number) => LimitTable | null {
  const tables = new Map<RegionPlan, LimitTable>();
  for (const plan of plans.values()) if (plan !== null) tables.set(plan, new LimitTable(plan));
  const [only] = tables.size === 1 ? tables.values() : [];
  return (gatewayId) => {
    const plan = plans.get(gatewayId) ?? null;
    return (plan === null ? only : tables.get(plan)) ?? null;
  };
}

export function airtimeRows(
  nodes: readonly NodeSent[],
  limitsAt: (gatewayId: number) => LimitTable | null,
  over: TimeRange,
): AirtimeOfNode[] {
  return nodes
    .flatMap((node) => airtimeOf(node, limitsAt, over))
    .sort(byUrgency)
    .slice(0, MAX_AIRTIME_ROWS);
}
