/** What should a person know of the identifiers that are heard: too many of them, or two sources under one? */

import { capSentence, rivalSentence } from "../diagnosis/notices.ts";
import type { TimeRange } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import { gatewayCount, refusals, rivals } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { MAX_GATEWAYS } from "../store/recorder/gateways.ts";

/** Pairs that are told; a stranger can make any number of them. */
const MAX_TOLD = 5;

/** Sentences about the window, of one gateway or of all; none when nothing is to be told. */
export function identifierNotices(store: Store, window: TimeRange, eui?: string): string[] {
  const names = labels(store, "gateway");
  const pairs = rivals(store, window).filter((pair) => eui === undefined || pair.eui === eui);
  const told = pairs
    .slice(0, MAX_TOLD)
    .map(({ eui: own, source, rival }) =>
      rivalSentence({ name: names.get(own)?.name ?? own, source, rival }),
    );
  const more = pairs.length - told.length;
  if (more > 0) told.push(`So it is with ${more} more ${more === 1 ? "gateway" : "gateways"}.`);
  const touching = refusals(store).filter(({ lastAtUs }) => lastAtUs >= window.fromUs);
  const countOf = (asked: string) =>
    touching.reduce((sum, { reason, count }) => sum + (reason === asked ? count : 0), 0);
  const cap = capSentence({
    most: MAX_GATEWAYS,
    there: gatewayCount(store),
    refused: countOf("cap"),
    gaveWay: countOf("gave_way"),
  });
  return cap === null ? told : [cap, ...told];
}
