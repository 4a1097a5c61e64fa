/**
 * Which receptions are one transmission? Those of the same content, frequency and data rate whose times lie
 * close together, unless one antenna heard it twice: then its own counter shows two transmissions.
 *
 * Pure and indifferent to the order of its input, so that late and doubled datagrams change nothing.
 */

/** What the grouping looks at, of one reception. All given share content, frequency and data rate. */
export interface Hearing {
  readonly id: number;
  readonly gatewayId: number;
  readonly antenna: number;
  readonly atUs: number;
  /** Concentrator counter, or a negative stand-in where none was given. */
  readonly tmstKey: number;
}

/**
 * Receptions of one transmission arrive within this time of the first one. Back-haul spreads them; a node
 * repeats no sooner than its second receive window, 2 s after the end of the first transmission
 * (LoRaWAN regional parameters, RECEIVE_DELAY2 default), so 2 s cannot join two transmissions.
 */
export const GROUPING_WINDOW_US = 2_000_000;

/** Two hearings by one antenna further apart than this on its own counter are two transmissions. Chosen: far under any airtime plus receive window, far over any counter jitter. */
const SAME_COUNTER_US = 100_000;

/** The concentrator's counter has 32 bits. */
const COUNTER_WRAP_US = 4_294_967_296;

/** Groups hearings into transmissions, each sorted by time; the groups are sorted by their first hearing. */
export function clusterHearings(hearings: readonly Hearing[]): Hearing[][] {
  const clusters: Hearing[][] = [];
  for (const hearing of [...hearings].sort(inOrder)) {
    const home = clusters.find((cluster) => belongs(hearing, cluster));
    if (home === undefined) clusters.push([hearing]);
    else home.push(hearing);
  }
  return clusters;
}

function belongs(hearing: Hearing, cluster: readonly Hearing[]): boolean {
  const first = cluster[0];
  if (first === undefined || hearing.atUs - first.atUs > GROUPING_WINDOW_US) return false;
  return cluster.every((other) => !contradicts(hearing, other));
}

function contradicts(a: Hearing, b: Hearing): boolean {
  if (a.gatewayId !== b.gatewayId || a.tmstKey < 0 || b.tmstKey < 0) return false;
  const apart = Math.abs(a.tmstKey - b.tmstKey);
  return Math.min(apart, COUNTER_WRAP_US - apart) > SAME_COUNTER_US;
}

function inOrder(a: Hearing, b: Hearing): number {
  return a.atUs - b.atUs || a.gatewayId - b.gatewayId || a.antenna - b.antenna || a.tmstKey - b.tmstKey;
}
