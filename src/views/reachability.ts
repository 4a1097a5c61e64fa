/**
 * When was a gateway out of reach, and when was the whole site? Judged from the silences between datagrams: a
 * healthy gateway sends keepalives without pause, so what was missed while none came may have been heard on the air.
 */
import type { TimeWindow } from "../model/window.ts";
import type { Store } from "../store/open.ts";
import {
  datagramsAround,
  type GatewayRecord,
  keepaliveUs,
  silencesUs,
  statusSpacingUs,
} from "../store/queries/gateways.ts";

export interface Stretch {
  readonly fromUs: number;
  readonly toUs: number;
}

export interface Reach {
  readonly gateway: GatewayRecord;
  /** Keepalive interval, microseconds; null when it sends none. */
  readonly keepaliveUs: number | null;
  /** Silences longer than the limit, not clipped: they may begin before the window and end after it. */
  readonly outages: readonly Stretch[];
  /** Out of reach at the end of the window. */
  readonly isOut: boolean;
  /** Last datagram before the end of the window; null before the first one ever. */
  readonly lastUs: number | null;
  /** Before its first datagram ever a gateway is not there: no outage of its own, but no help to the site either. */
  readonly absentUntilUs: number;
}

/** Three keepalives without a datagram are an outage. UDP forwarding practice: the downlink path counts as lost then. */
const INTERVALS = 3;
/** and no less than this: the least time for which a downlink path is held valid. */
const LEAST_US = 30_000_000;
/** A short window is widened to this for the interval's sake: ten seconds hold no three keepalives. Chosen. */
const LEAST_LOOKBACK_US = 600_000_000;

/** `endUs`: what is known ends here (now when live, else the end of what is stored). */
export function reachOf(store: Store, gateway: GatewayRecord, window: TimeWindow, endUs: number): Reach {
  const around = lookBack(window);
  const keepalive = keepaliveUs(store, gateway.id, around);
  const { firstUs, lastUs } = datagramsAround(store, gateway.id, window);
  const interval =
    keepalive ?? statusSpacingUs(store, gateway.id, around) ?? earlierIntervalUs(store, gateway.id, window);
  if (interval === null) {
    // Of such a gateway no silence can be judged; one that sent nothing at all is no help to the site.
    const isSilentThroughout = lastUs === null || lastUs < window.fromUs;
    const absentUntilUs = firstUs === null || isSilentThroughout ? window.toUs : firstUs;
    return { gateway, keepaliveUs: null, outages: [], isOut: false, lastUs, absentUntilUs };
  }
  const limitUs = Math.max(LEAST_US, INTERVALS * interval);
  const outages: Stretch[] = silencesUs(store, gateway.id, window, limitUs);
  const knownEndUs = Math.min(window.toUs, endUs);
  const isOut = lastUs !== null && knownEndUs - lastUs > limitUs;
  if (isOut && outages.at(-1)?.fromUs !== lastUs) outages.push({ fromUs: lastUs, toUs: knownEndUs });
  return { gateway, keepaliveUs: keepalive, outages, isOut, lastUs, absentUntilUs: firstUs ?? window.toUs };
}

/** The stretch from which a gateway's interval is told. */
export function lookBack({ fromUs, toUs }: TimeWindow): TimeWindow {
  return { fromUs: Math.min(fromUs, toUs - LEAST_LOOKBACK_US), toUs };
}

/** A gateway that fell silent before the window began is judged by how it used to report. */
function earlierIntervalUs(store: Store, gatewayId: number, window: TimeWindow): number | null {
  const before = { fromUs: 0, toUs: window.toUs };
  return keepaliveUs(store, gatewayId, before) ?? statusSpacingUs(store, gatewayId, before);
}

/** When no gateway at all was within reach: what was missed then was not necessarily missed on the air. */
export function siteOutages(reaches: readonly Reach[], window: TimeWindow): Stretch[] {
  let common: Stretch[] | null = null;
  for (const { outages, absentUntilUs } of reaches) {
    const out = [...outages];
    if (absentUntilUs > window.fromUs) out.unshift({ fromUs: window.fromUs, toUs: absentUntilUs });
    common = common === null ? out : intersect(common, out);
  }
  return common ?? [];
}

/** The stretches that lie in both lists; each list in order and without overlaps of its own. */
export function intersect(a: readonly Stretch[], b: readonly Stretch[]): Stretch[] {
  const both: Stretch[] = [];
  let i = 0;
  let j = 0;
  for (;;) {
    const one = a[i];
    const other = b[j];
    if (one === undefined || other === undefined) return both;
    const fromUs = Math.max(one.fromUs, other.fromUs);
    const toUs = Math.min(one.toUs, other.toUs);
    if (fromUs < toUs) both.push({ fromUs, toUs });
    if (one.toUs < other.toUs) i += 1;
    else j += 1;
  }
}

export function isWithin(stretches: readonly Stretch[], atUs: number): boolean {
  return stretches.some(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs);
}
