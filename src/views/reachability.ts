/**
 * When was a gateway unreachable, and when was the whole site? The rule is the ledger's (src/ledger/gaps/intervals.ts): a
 * healthy gateway sends keepalives without pause, so what was missed while none came may have been heard on the air.
 * Time that nobody recorded is neither.
 */
import { outageLimitUs } from "../ledger/gaps/intervals.ts";
import { intersect, subtract, type TimeRange, unite } from "../model/time-range.ts";
import { outagesBetween } from "../store/gaps/outages.ts";
import { UsualInterval } from "../store/gaps/usual-interval.ts";
import type { Store } from "../store/open.ts";
import {
  allGateways,
  datagramsAround,
  type GatewayRecord,
  gatewaysOfPeople,
  keepaliveOfHoursUs,
  keepaliveUs,
  statusSpacingUs,
} from "../store/queries/gateways.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { type RecordedTime, readRecordedTime } from "../store/recorded-time.ts";
import { removedToUs } from "../store/retention.ts";
import { type AskedWindow, knownUntilUs } from "./window.ts";

export interface Reach {
  readonly gateway: GatewayRecord;
  /** Keepalive interval, microseconds; null when it sends none. */
  readonly keepaliveUs: number | null;
  /** Silences longer than the limit, not clipped: they may begin before the window and end after it. */
  readonly outages: readonly TimeRange[];
  /** Unreachable at the end of the window. */
  readonly isOut: boolean;
  /** For how long, microseconds, of recorded time. */
  readonly outForUs: number;
  /** Last datagram before the end of the window; null before the first one ever. */
  readonly lastUs: number | null;
  /** Before its first datagram ever a gateway is not there: no outage of its own, but no help to the site either. */
  readonly absentUntilUs: number;
  /** Within the window, where nothing was recorded of it. */
  readonly notRecorded: readonly TimeRange[];
  /** Its outages can be known: it sends something by the clock. */
  readonly isJudged: boolean;
}

/** A short window is widened to this for the interval's sake: ten seconds hold no three keepalives. Chosen. */
const MIN_LOOKBACK_US = 600_000_000;

/** `endUs`: what is known ends here (now when live, else the end of what is stored). */
export function reachOf(
  store: Store,
  gateway: GatewayRecord,
  window: TimeRange,
  endUs: number,
  recorded: RecordedTime = onceAnAnswer(store, window, "recorded throughout", () => readRecordedTime(store)),
): Reach {
  const key = `reach ${gateway.id} ${gateway.lastAtUs} ${endUs} ${recorded.untilUs}`;
  return onceAnAnswer(store, window, key, () => findReach(store, gateway, window, endUs, recorded));
}

function findReach(
  store: Store,
  gateway: GatewayRecord,
  window: TimeRange,
  endUs: number,
  recorded: RecordedTime,
): Reach {
  const around = lookBack(window);
  const keepalive = keepaliveUs(store, gateway.id, around);
  const { firstUs, lastUs } = datagramsAround(store, gateway.id, window);
  const interval =
    keepalive ??
    statusSpacingUs(store, gateway.id, around) ??
    (lastUs === null ? null : new UsualInterval(store, gateway.id).before(lastUs));
  const span = { fromUs: window.fromUs, toUs: Math.min(window.toUs, endUs) };
  const notRecorded = span.fromUs < span.toUs ? recorded.missing(span, [gateway.id]) : [];
  const shared = {
    gateway,
    keepaliveUs: keepalive ?? keepaliveOfHoursUs(store, gateway.id, window),
    lastUs,
    notRecorded,
  };
  // In removed time no interval can be read any more; its outages were found while it could.
  if (interval === null && window.toUs > removedToUs(store)) {
    // Of such a gateway no silence can be judged; one that sent nothing at all is no help to the site.
    const isSilentThroughout = lastUs === null || lastUs < window.fromUs;
    const absentUntilUs = firstUs === null || isSilentThroughout ? window.toUs : firstUs;
    return { ...shared, outages: [], isOut: false, outForUs: 0, absentUntilUs, isJudged: false };
  }
  // Silences near the usual spacing are none: an interval that was twice as short for an hour is the exception.
  const leapUs = interval === null ? 0 : (outageLimitUs(interval) ?? 0) / 2;
  const outages = outagesBetween(store, recorded, gateway.id, window, { endUs, leapUs });
  const out = outages.find(({ fromUs, toUs }) => fromUs < span.toUs && toUs >= span.toUs);
  return {
    ...shared,
    outages: outages.map(({ fromUs, toUs }) => ({ fromUs, toUs })),
    isOut: out !== undefined,
    outForUs: out === undefined ? 0 : span.toUs - out.fromUs,
    absentUntilUs: firstUs ?? window.toUs,
    isJudged: true,
  };
}

/** The stretch from which a gateway's interval is known. */
export function lookBack({ fromUs, toUs }: TimeRange): TimeRange {
  return { fromUs: Math.min(fromUs, toUs - MIN_LOOKBACK_US), toUs };
}

/**
 * When no gateway at all was reachable, in recorded time: what was missed then was not necessarily missed on the air.
 * A gateway of which nothing was recorded is no help.
 */
export function siteOutages(reaches: readonly Reach[], window: TimeRange): TimeRange[] {
  let common: TimeRange[] | null = null;
  for (const { outages, absentUntilUs, notRecorded } of reaches) {
    const out = [...outages, ...notRecorded];
    if (absentUntilUs > window.fromUs) out.push({ fromUs: window.fromUs, toUs: absentUntilUs });
    common = common === null ? unite(out) : intersect(common, unite(out));
  }
  return subtract(common ?? [], siteNotRecorded(reaches, window));
}

/** When nothing was recorded of any gateway, within the window. */
export function siteNotRecorded(reaches: readonly Reach[], window: TimeRange): TimeRange[] {
  let common: readonly TimeRange[] | null = null;
  for (const { notRecorded } of reaches)
    common = common === null ? notRecorded : intersect(common, notRecorded);
  return common === null ? [] : intersect(common, [window]);
}

/** When a gateway was unreachable, or not recorded, by row id. */
export function unheardAt(reaches: readonly Reach[], gatewayId: number): TimeRange[] {
  const reach = reaches.find(({ gateway }) => gateway.id === gatewayId);
  return reach === undefined ? [] : unite([...reach.outages, ...reach.notRecorded]);
}

// Which gateways do the lists show? All of an honest site; of thousands, as a stranger can invent them, those that a
// person named or placed and then those heard over the longest time. How many more there are is said.

/** Chosen: more than a site has, few enough to be worked out and read. */
export const MAX_GATEWAYS_SHOWN = 64;

interface ShownGateways {
  /** In order of their first datagram. */
  readonly shown: readonly GatewayRecord[];
  readonly more: number;
}

/** Those that may have been heard in the window; `live`: also those silent since before it. */
export function shownGateways(store: Store, window: AskedWindow, most = MAX_GATEWAYS_SHOWN): ShownGateways {
  const there = allGateways(store, knownUntilUs(window)).filter(
    ({ firstAtUs, lastAtUs }) => firstAtUs < window.toUs && (window.live || lastAtUs >= window.fromUs),
  );
  return cutGateways(store, there, most);
}

/** The same cut of any gateways. */
export function cutGateways(
  store: Store,
  gateways: readonly GatewayRecord[],
  most = MAX_GATEWAYS_SHOWN,
): ShownGateways {
  if (gateways.length <= most) return { shown: gateways, more: 0 };
  const ofPeople = gatewaysOfPeople(store);
  const heardUs = ({ firstAtUs, lastAtUs }: GatewayRecord) => lastAtUs - firstAtUs;
  const chosen = new Set(
    [...gateways]
      .sort(
        (a, b) =>
          Number(ofPeople.has(b.eui)) - Number(ofPeople.has(a.eui)) ||
          heardUs(b) - heardUs(a) ||
          a.eui.localeCompare(b.eui),
      )
      .slice(0, most),
  );
  return { shown: gateways.filter((one) => chosen.has(one)), more: gateways.length - most };
}
