/** Which facts does the service's own thread read? A few rows each: no question of a view can hold them up. */
import { statSync } from "node:fs";
import { siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { firstMinuteUs, storedSpanUs } from "../store/queries/lives.ts";
import { receptionCount } from "../store/queries/receptions.ts";
import { watchSettings } from "../store/settings.ts";
import {
  captureRows,
  identifierNotices,
  keptView,
  refusalRows,
  refusalSampleRows,
  siteName,
} from "../views/bookkeeping.ts";
import type { Facts } from "./views.ts";

/** The service page shows notices of the last hour. */
const NOTICE_US = 3_600_000_000;
/** A live window starts at the first datagram while that is not longer ago. */
const RECENT_US = 3_600_000_000;

/** `store`: a reading connection (openReader) that stays the caller's to close, after the service. */
export function storeFacts(store: Store): Facts {
  const within = <T>(read: () => T): T => store.transaction(read)();
  return {
    stored: () =>
      within(() => {
        const span = storedSpanUs(store);
        return {
          siteName: siteName(store),
          sites: siteNames(store),
          bytes: storeBytes(store),
          receptions: receptionCount(store),
          fromUs: span?.fromUs ?? null,
          toUs: span?.toUs ?? null,
        };
      }),
    recentFromUs: (nowUs) => within(() => firstMinuteUs(store, nowUs - RECENT_US)),
    captures: (progressOf) => within(() => captureRows(store, progressOf)),
    kept: () => within(() => keptView(store)),
    notices: (nowUs) => within(() => identifierNotices(store, { fromUs: nowUs - NOTICE_US, toUs: nowUs })),
    watchSettings: () => within(() => watchSettings(store)),
    refusals: () => within(() => ({ refusals: refusalRows(store), samples: refusalSampleRows(store) })),
  };
}

/**
 * A number that changes with each commit of another connection (sqlite.org/pragma.html#pragma_data_version): while it
 * stays, every question has the answer that it had.
 */
export function storeState(store: Store): number {
  return Number(store.pragma("data_version", { simple: true }));
}

/** Octets of the store's file and of what is not yet merged into it. */
function storeBytes(store: Store): number {
  const pages = Number(store.pragma("page_count", { simple: true }));
  const pageSize = Number(store.pragma("page_size", { simple: true }));
  return pages * pageSize + (statSync(`${store.name}-wal`, { throwIfNoEntry: false })?.size ?? 0);
}
