/** What is said of each way between a node and a gateway that heard it? Evidence from the store, judged by diagnosis. */

import type { LinkRate, LinkRow } from "../contract/link.ts";
import { linkShifts, linkTrend, offsetOf, standingFall } from "../diagnosis/link-changes.ts";
import {
  deliveryUnder,
  headroomOf,
  marginDistribution,
  type Outcome,
  whatIfs,
} from "../diagnosis/link-delivery.ts";
import { type LinkFrame, marginOf } from "../diagnosis/link-frame.ts";
import { geometryOf, PLACEMENT_CAUTION } from "../diagnosis/link-geometry.ts";
import { groupBy } from "../model/group-by.ts";
import { describeModulation } from "../model/modulation.ts";
import { fromTenths } from "../model/rounding.ts";
import { contains, dueTimes, type TimeRange } from "../model/time-range.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { type HeardFrame, type LinkHearing, linkHearings } from "../store/queries/frames.ts";
import type { GatewayRecord } from "../store/queries/gateways.ts";
import { firstHearings, type Gap } from "./node-figures.ts";
import type { Places, PowerOfRegion } from "./user-data.ts";
import type { AskedWindow } from "./window.ts";

/** Frames from before the window with which a step is judged: an hour alone does not show how a level wanders. */
const CONTEXT_US = 6 * 3_600_000_000;
/** Newest frames of a life that are read: two months at one a minute. */
const MAX_FRAMES = 90_000;
/** Newest counters of which delivery is shown. */
const MAX_COUNTERS = 20_000;

export interface LinkQuestion {
  readonly devAddr: string;
  readonly places: Places;
  /** Asked only where no EIRP is given. */
  readonly powerOf: (gatewayId: number) => PowerOfRegion;
  readonly lifeId: number;
  readonly window: AskedWindow;
  readonly frames: readonly HeardFrame[];
  readonly gaps: readonly Gap[];
  readonly gateways: readonly GatewayRecord[];
  readonly nameOf: (eui: string) => string | null;
  /** When a gateway was unreachable or not recorded, by row id. */
  readonly unheardAt: (gatewayId: number) => readonly TimeRange[];
}

/** One row a gateway that heard the life in the window. */
export function linkRows(store: Store, question: LinkQuestion): LinkRow[] {
  const { lifeId, window, frames, gaps, gateways, nameOf, unheardAt } = question;
  if (gateways.length === 0) return [];
  const wide = { fromUs: window.fromUs - CONTEXT_US, toUs: window.toUs };
  const byGateway = groupBy(linkHearings(store, lifeId, wide, MAX_FRAMES), (hearing) => hearing.gatewayId);
  const counters = countersOf(frames, gaps);
  return gateways.map((gateway) => {
    const hearings = bestOfEach(byGateway.get(gateway.id) ?? []);
    const first = hearings.findIndex(({ atUs }) => atUs >= window.fromUs);
    const own = first < 0 ? [] : hearings.slice(first);
    const all = hearings.map(frameOf);
    const within = first < 0 ? [] : all.slice(first);
    const newest = own.at(-1);
    const spreadingFactor = within.at(-1)?.spreadingFactor ?? null;
    const margin = marginDistribution(within);
    const { shifts, words } = linkShifts(all, window.fromUs);
    const repeats = own.reduce((sum, { repeat }) => sum + repeat, 0);
    const { delivery, whatIf } = whatIfs({
      outcomes: outcomesOf(counters, within, unheardAt(gateway.id)),
      spreadingFactor,
      repeatShare: own.length === 0 ? 0 : repeats / own.length,
    });
    return {
      gatewayEui: gateway.eui,
      gatewayName: nameOf(gateway.eui),
      dataRate: newest === undefined ? null : describeModulation(modulationFromCodes(newest.dataRate, 0)),
      margin,
      trend: linkTrend(within, shifts.length),
      shifts: [...shifts],
      fall: standingFall(all),
      shiftsWords: words,
      headroom: headroomOf(margin, spreadingFactor),
      delivery,
      byDataRate: ratesOf(
        own.map(({ dataRate }) => dataRate),
        within,
        counters,
        unheardAt(gateway.id),
      ),
      whatIf: [...whatIf],
      frequencyOffset: offsetOf(within),
      ...wayOf(question, gateway, within),
    };
  });
}

/** The figures of each data rate. `rates`: of the frames, in their order. */
function ratesOf(
  rates: readonly number[],
  frames: readonly LinkFrame[],
  counters: readonly DatedCounter[],
  unheard: readonly TimeRange[],
): LinkRate[] {
  return [...new Set(rates)]
    .map((rate): LinkRate => {
      const own = frames.filter((_, i) => rates[i] === rate);
      const { count, p10Db, medianDb, p90Db } = marginDistribution(own);
      const outcomes = outcomesOf(
        counters.filter(({ dataRate }) => dataRate === rate),
        own,
        unheard,
      );
      const { ratio, interval95 } = deliveryUnder(outcomes, 0);
      const dataRate = describeModulation(modulationFromCodes(rate, 0));
      return { dataRate, count, p10Db, medianDb, p90Db, delivery: { ratio, interval95 } };
    })
    .sort((a, b) => b.count - a.count || a.dataRate.localeCompare(b.dataRate));
}

/** What the way costs, or why that is not known. */
function wayOf(
  { devAddr, places, powerOf }: LinkQuestion,
  gateway: GatewayRecord,
  frames: readonly LinkFrame[],
): Pick<LinkRow, "geometry" | "geometryWords"> {
  const distanceM = places.distanceM(devAddr, gateway.eui);
  if (distanceM === null) {
    const missing = [
      ...(places.of("node", devAddr) === null ? ["this node"] : []),
      ...(places.of("gateway", gateway.eui) === null ? ["this gateway"] : []),
    ];
    const words =
      missing.length === 0
        ? "One is given in degrees and the other in metres: give one thing in both."
        : `No position is known for ${missing.join(" and ")}.`;
    return { geometry: null, geometryWords: words };
  }
  const eirpDbm = places.of("node", devAddr)?.eirpDbm ?? null;
  const region = eirpDbm === null ? powerOf(gateway.id) : null;
  const geometry = geometryOf({
    frames,
    distanceM,
    eirpDbm,
    regionEirpDbm: region?.eirpDbm ?? null,
    regionName: region?.name ?? null,
    antennaGainDbi: places.of("gateway", gateway.eui)?.antennaGainDbi ?? null,
  });
  return { geometry, geometryWords: geometry === null ? "Both stand in one place." : PLACEMENT_CAUTION };
}

/** The best antenna's hearing of each transmission. Hearings of one gateway in order of time. */
function bestOfEach(hearings: readonly LinkHearing[]): LinkHearing[] {
  const best = new Map<number, LinkHearing>();
  for (const hearing of hearings) {
    const known = best.get(hearing.frameId);
    if (known === undefined || (hearing.snrTenths ?? -1e9) > (known.snrTenths ?? -1e9))
      best.set(hearing.frameId, hearing);
  }
  return [...best.values()];
}

function frameOf(hearing: LinkHearing): LinkFrame {
  const modulation = modulationFromCodes(hearing.dataRate, 0);
  const isLora = modulation.kind === "lora";
  return {
    atUs: hearing.atUs,
    counter: hearing.counter,
    spreadingFactor: isLora ? modulation.spreadingFactor : null,
    bandwidthHz: isLora ? modulation.bandwidthHz : null,
    frequencyHz: hearing.frequencyHz,
    snrDb: fromTenths(hearing.snrTenths),
    rssiDbm: fromTenths(hearing.rssiTenths),
    signalRssiDbm: fromTenths(hearing.signalRssiTenths),
    frequencyOffsetHz: hearing.frequencyOffsetHz,
  };
}

interface DatedCounter {
  readonly counter: number;
  readonly atUs: number;
  /** As stored; of a missed one that of both frames around it, null where they differ. */
  readonly dataRate: number | null;
}

/** The newest counters of the site, heard or missed, each with the moment at which it was sent or presumably sent. */
function countersOf(frames: readonly HeardFrame[], gaps: readonly Gap[]): DatedCounter[] {
  const counters: DatedCounter[] = firstHearings(frames).map(({ counter, atUs, dataRate }) => ({
    counter,
    atUs,
    dataRate,
  }));
  const rates = new Map(counters.map(({ counter, dataRate }) => [counter, dataRate]));
  for (const gap of gaps) {
    const [before, after] = [rates.get(gap.firstCounter - 1), rates.get(gap.firstCounter + gap.missed)];
    const dataRate = before === undefined || before !== after ? null : before;
    let counter = gap.firstCounter;
    const skip = Math.max(0, gap.missed - MAX_COUNTERS);
    for (const atUs of dueTimes(gap)) {
      if (counter - gap.firstCounter >= skip) counters.push({ counter, atUs, dataRate });
      counter += 1;
    }
  }
  return counters.sort((a, b) => a.counter - b.counter).slice(-MAX_COUNTERS);
}

/** What became of each counter at this gateway, those left out that were sent while it was unreachable. */
function outcomesOf(
  counters: readonly DatedCounter[],
  frames: readonly LinkFrame[],
  unheard: readonly TimeRange[],
): Outcome[] {
  const heard = new Map<number, number>();
  const unknown = new Set<number>();
  for (const frame of frames) {
    const margin = marginOf(frame);
    if (margin === null) unknown.add(frame.counter);
    else heard.set(frame.counter, Math.max(margin, heard.get(frame.counter) ?? Number.NEGATIVE_INFINITY));
  }
  return counters.flatMap(({ counter, atUs }) => {
    const margin = heard.get(counter);
    if (margin !== undefined) return [margin];
    return unknown.has(counter) || contains(unheard, atUs) ? [] : [null];
  });
}
