/**
 * When was a gateway unreachable? One rule for every view, finding and row: it sent nothing, in time that was recorded,
 * for longer than three of its usual intervals and than 30 s.
 */
import type { TimeRange } from "../model/time-range.ts";

/** Intervals without a datagram that make an outage. UDP forwarding practice: the downlink path counts as lost then. */
export const OUTAGE_INTERVALS = 3;
/** and no less than this: the least time for which a downlink path is held valid. */
export const MIN_OUTAGE_US = 30_000_000;

/** Returns the longest silence that is no outage; null where the gateway's interval is not known, so nothing is judged. */
export function outageLimitUs(intervalUs: number | null): number | null {
  return intervalUs === null ? null : Math.max(MIN_OUTAGE_US, OUTAGE_INTERVALS * intervalUs);
}

/** Returns the outages within a silence: its recorded parts that are longer than the limit. */
export function outagesInSilence(recorded: readonly TimeRange[], limitUs: number | null): TimeRange[] {
  return limitUs === null ? [] : recorded.filter(({ fromUs, toUs }) => toUs - fromUs > limitUs);
}
