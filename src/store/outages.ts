/** Reads a gateway's outages from its datagrams: the rule is in src/ledger/outages.ts. */
import { MIN_OUTAGE_US, outageLimitUs, outagesInSilence } from "../ledger/outages.ts";
import type { TimeRange } from "../model/time-range.ts";
import type { Store } from "./open.ts";
import { keepaliveUs, silencesUs, statusSpacingUs } from "./queries/gateways.ts";
import { prepared } from "./queries/statement.ts";
import type { RecordedTime } from "./recorded-time.ts";

/** A gateway's interval is read from so long before a silence; from longer where that holds too few. */
const LOOK_BACK_US = 3_600_000_000;
const FAR_BACK_US = 86_400_000_000;

/** A gateway sent nothing. `open`: it has not come back, and Mastlog still records. */
export interface Outage extends TimeRange {
  readonly open: boolean;
}

/** Returns the usual interval of a gateway's keepalives, or else of its reports, before a moment; null: too few of both. */
export function intervalBeforeUs(store: Store, gatewayId: number, atUs: number): number | null {
  for (const back of [LOOK_BACK_US, FAR_BACK_US]) {
    const window = { fromUs: atUs - back, toUs: atUs + 1 };
    const interval = keepaliveUs(store, gatewayId, window) ?? statusSpacingUs(store, gatewayId, window);
    if (interval !== null) return interval;
  }
  return null;
}

export interface OutageSearch {
  /** What is known ends here. */
  readonly endUs: number;
  /** Silences shorter than this are not looked at; no less than the shortest outage. */
  readonly leapUs?: number;
  /** True: what comes after the range is not known yet; a silence at its end goes on to `endUs`. */
  readonly cut?: boolean;
}

/** Returns the outages that touch a range, not clipped to it. What came later than the recorded time reaches is not known. */
export function outagesBetween(
  store: Store,
  recorded: RecordedTime,
  gatewayId: number,
  range: TimeRange,
  { endUs, leapUs = MIN_OUTAGE_US, cut = false }: OutageSearch,
): Outage[] {
  const silences = silencesUs(store, gatewayId, range, Math.max(MIN_OUTAGE_US, leapUs))
    .filter(({ toUs }) => (!cut || toUs < range.toUs) && toUs <= recorded.untilUs)
    .map((silence) => ({ ...silence, isLast: false }));
  const lastUs = prepared(store, "SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us < ?")
    .pluck()
    .get(gatewayId, range.toUs) as number | null;
  const lastEndUs = cut ? endUs : Math.min(range.toUs, endUs);
  if (lastUs !== null && lastEndUs - lastUs > MIN_OUTAGE_US && silences.at(-1)?.fromUs !== lastUs)
    silences.push({ fromUs: lastUs, toUs: lastEndUs, isLast: true });
  return silences.flatMap(({ isLast, ...silence }) => {
    const parts = recorded.ranges(silence, [gatewayId]);
    if (!parts.some(({ fromUs, toUs }) => toUs - fromUs > MIN_OUTAGE_US)) return [];
    const limitUs = outageLimitUs(intervalBeforeUs(store, gatewayId, silence.fromUs));
    return outagesInSilence(parts, limitUs)
      .filter(({ fromUs, toUs }) => fromUs < range.toUs && toUs > range.fromUs)
      .map((part) => ({ ...part, open: isLast && part.toUs >= lastEndUs }));
  });
}
