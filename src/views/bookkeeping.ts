/** What is the site called, what was read from files, and what was rejected? */
import type { CaptureRow, KeptView, KeyRow, Refusal, RefusalSample } from "../contract/index.ts";
import { capSentence, refusalWords, rivalSentence } from "../diagnosis/notices.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { listKeys } from "../store/keys.ts";
import { narrowedSite, siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { gatewayCount, refusalSamples, refusals, rivals } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { captures } from "../store/queries/receptions.ts";
import { MAX_GATEWAYS } from "../store/recorder/gateways.ts";
import { givesBack, removedOf } from "../store/retention.ts";
import { keptRule, setting } from "../store/settings.ts";

const MAX_SAMPLES = 60;
const HEX_OCTETS = 512;

export function siteName(store: Store): string {
  return narrowedSite(store) ?? setting(store, "site-name") ?? "This site";
}

/** The sites that are named, each with its gateways, heard or not. */
export function siteRows(store: Store): { name: string; gateways: { eui: string; name: string | null }[] }[] {
  const gateways = [...labels(store, "gateway").values()];
  return siteNames(store).map((site) => ({
    name: site,
    gateways: gateways
      .filter((one) => one.site === site)
      .map(({ id, name }) => ({ eui: id, name }))
      .sort((a, b) => a.eui.localeCompare(b.eui)),
  }));
}

/** `progressOf`: share read of a capture that is being read, 0 to 1. */
export function captureRows(store: Store, progressOf: (id: number) => number | null): CaptureRow[] {
  return captures(store).map(({ startedAtUs, finishedAtUs, fromUs, toUs, ...rest }) => ({
    ...rest,
    progress: rest.state === "reading" ? progressOf(rest.id) : null,
    startedAt: isoTime(startedAtUs),
    finishedAt: finishedAtUs === null ? null : isoTime(finishedAtUs),
    from: fromUs === null ? null : isoTime(fromUs),
    to: toUs === null ? null : isoTime(toUs),
  }));
}

export function keptView(store: Store): KeptView {
  const removed = removedOf(store);
  return {
    ...keptRule(store),
    removed: removed === null ? null : { before: isoTime(removed.beforeUs), rule: removed.rule },
    givesBack: givesBack(store),
  };
}

/** Whose keys are held: their names, never a key. */
export function keyRows(store: Store): KeyRow[] {
  return listKeys(store).map(({ devAddr, devEui, holds, counterBits, origin, note }) => ({
    id: devAddr ?? devEui ?? "",
    devAddr,
    devEui,
    held: [...holds],
    counterBits,
    origin,
    note,
  }));
}

/** Counts by reason, over all gateways. */
export function refusalRows(store: Store): Refusal[] {
  const byReason = new Map<string, Refusal>();
  for (const { reason, refused, count, firstAtUs, lastAtUs } of refusals(store)) {
    const known = byReason.get(reason);
    const firstAt = isoTime(firstAtUs);
    const lastAt = isoTime(lastAtUs);
    byReason.set(reason, {
      reason,
      refused: refused === 1 || (known?.refused ?? false),
      count: count + (known?.count ?? 0),
      firstAt: known !== undefined && known.firstAt < firstAt ? known.firstAt : firstAt,
      lastAt: known !== undefined && known.lastAt > lastAt ? known.lastAt : lastAt,
      words: refusalWords(reason),
    });
  }
  return [...byReason.values()].sort((a, b) => b.count - a.count || a.reason.localeCompare(b.reason));
}

export function refusalSampleRows(store: Store): RefusalSample[] {
  return refusalSamples(store, MAX_SAMPLES).map(({ reason, atUs, source, sentence, size, bytes }) => ({
    reason,
    at: isoTime(atUs),
    source,
    sentence,
    size,
    hex: Buffer.from(bytes.subarray(0, HEX_OCTETS)).toString("hex").toUpperCase(),
  }));
}

// What should a person know of the identifiers that are heard: too many of them, or two sources under one?

/** Pairs that are shown; a stranger can make any number of them. */
const MAX_TOLD = 5;

/** Sentences about the window, of one gateway or of all; none when nothing is to be shown. */
export function identifierNotices(store: Store, window: TimeRange, eui?: string): string[] {
  const names = labels(store, "gateway");
  const pairs = rivals(store, window).filter((pair) => eui === undefined || pair.eui === eui);
  const shown = pairs
    .slice(0, MAX_TOLD)
    .map(({ eui: own, source, rival }) =>
      rivalSentence({ name: names.get(own)?.name ?? own, source, rival }),
    );
  const more = pairs.length - shown.length;
  if (more > 0) shown.push(`So it is with ${more} more ${more === 1 ? "gateway" : "gateways"}.`);
  const touching = refusals(store).filter(({ lastAtUs }) => lastAtUs >= window.fromUs);
  const countOf = (asked: string) =>
    touching.reduce((sum, { reason, count }) => sum + (reason === asked ? count : 0), 0);
  const cap = capSentence({
    most: MAX_GATEWAYS,
    there: gatewayCount(store),
    refused: countOf("cap"),
    gaveWay: countOf("gave_way"),
  });
  return cap === null ? shown : [cap, ...shown];
}
