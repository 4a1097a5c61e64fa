/**
 * Which dropouts were known at a moment, and what was said of them? The stored rows are the newest knowledge: a dropout
 * may have ended, grown or turned out as something else since. What was over by then keeps its row and its finding; the
 * lives that went on are gone through again up to that moment, by the same watch, and judged by the same scene.
 */
import {
  type GapDraft,
  type HeardCounter,
  type LifeWatch,
  newLifeWatch,
  openSilence,
  watchCounter,
} from "../../ledger/gaps/gap-detector.ts";
import type { JudgeGap } from "../../model/gap.ts";
import { groupBy } from "../../model/group-by.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { heardCountersByLife } from "../hours/read-frames.ts";
import type { Store } from "../open.ts";
import { gapsKnownSince, type KeptGap, type StoredGap } from "../queries/gaps.ts";
import { allLives, type LifeRecord } from "../queries/lives.ts";
import { prepared } from "../queries/statement.ts";
import { readRecordedTime } from "../recorded-time.ts";
import { removedToUs } from "../retention.ts";
import { SceneBlocks } from "./context-cache.ts";
import { SceneReader } from "./gap-context.ts";
import { contextOf, findingText, gapRowOf } from "./gap-rows.ts";
import { type OutageRow, OutageWriter } from "./outages.ts";

export interface KnownGaps {
  /** Newest first. */
  readonly gaps: readonly StoredGap[];
  readonly outages: readonly OutageRow[];
}

/**
 * Returns the dropouts and outages that touch a range as they were known at `knownUs`, the moment of the newest datagram
 * then. Two devices on one address are distinguished by all their frames: their row only ends at `knownUs`.
 */
export function gapsAsKnown(store: Store, range: TimeRange, knownUs: number, judge: JudgeGap): KnownGaps {
  const recorded = readRecordedTime(store, { untilUs: knownUs });
  const removedUs = removedToUs(store);
  const outages = new OutageWriter(store, () => recorded, knownUs);
  const scenes = new SceneReader(store, new SceneBlocks(store), outages);
  const stored = new Map(gapsKnownSince(store, range, knownUs).map((gap) => [gap.id, gap]));
  const rows = new Map<string, Dropout>();
  for (const gap of stored.values()) {
    const known = endedBy(gap, knownUs);
    if (known !== null) rows.set(gap.id, known);
  }
  const ofLives = groupBy([...stored.values()], ({ devAddr, life }) => keyOf(devAddr, life));
  const followed = allLives(store).flatMap((life): Followed[] => {
    if (life.firstAtUs > knownUs) return [];
    const wentOn = life.lastAtUs > knownUs;
    const own = ofLives.get(keyOf(life.devAddr, life.number)) ?? [];
    // A silence that goes on in no row of today did not go on then.
    if (!wentOn && !own.some(({ open, toUs }) => open === 1 || toUs > knownUs)) return [];
    const watch = wentOn ? watchAt(store, life, knownUs) : newestWatch(store, life);
    if (wentOn) {
      for (const gap of own) if (isOfWatch(gap) && gap.toUs > watch.lastAtUs) rows.delete(gap.id);
    }
    return [{ life, watch }];
  });
  const counters = countersOf(store, followed, removedUs, knownUs);
  for (const one of followed)
    for (const gap of dropoutsOf(store, one, counters.get(one.life.id) ?? [], outages, knownUs))
      rows.set(gap.id, gap);
  const gaps = [...rows.values()]
    .filter(({ fromUs, toUs }) => fromUs < range.toUs && toUs > range.fromUs)
    .flatMap((gap) => judged(gap, stored.get(gap.id), scenes, knownUs, removedUs, judge))
    .sort((a, b) => b.fromUs - a.fromUs || (a.id < b.id ? -1 : 1));
  const touching = outages
    .all()
    .filter(({ fromUs, toUs }) => fromUs < range.toUs && (toUs ?? range.toUs) > range.fromUs)
    .sort((a, b) => a.fromUs - b.fromUs || a.gatewayId - b.gatewayId);
  return { gaps, outages: touching };
}

type Dropout = Omit<StoredGap, "cause" | "confidence" | "scope" | "gatewayId" | "endedUs" | "finding">;

function isOfWatch({ tag }: KeptGap): boolean {
  return tag === "run" || tag === "episode";
}

/** A stored row as it was known: null where it had not ended. */
function endedBy(gap: KeptGap, knownUs: number): Dropout | null {
  if (gap.tag === "shared") return { ...gap, toUs: Math.min(gap.toUs, knownUs) };
  // A steady loss goes on; its row of today says what was known when its newest frame had come.
  return (gap.open === 0 || gap.tag === "episode") && gap.toUs <= knownUs ? gap : null;
}

/** Where the search stood in a life at the last kept state before a moment: what had ended by then has not changed since. */
function watchAt(store: Store, { devAddr, number }: LifeRecord, knownUs: number): LifeWatch {
  const state = prepared(
    store,
    `SELECT state FROM gap_watch_past WHERE dev_addr = ? AND life = ? AND at_us <= ?
     ORDER BY at_us DESC LIMIT 1`,
  )
    .pluck()
    .get(devAddr, number, knownUs) as string | undefined;
  return state === undefined ? newLifeWatch() : (JSON.parse(state) as LifeWatch);
}

/** Where the search stands in a life today. */
function newestWatch(store: Store, { devAddr, number }: LifeRecord): LifeWatch {
  // Where none is stored yet, from where it was held when receptions were removed.
  const state = prepared(
    store,
    `SELECT state FROM gap_watch WHERE dev_addr = @addr AND life = @life
     UNION ALL SELECT state FROM (SELECT state FROM gap_watch_past WHERE dev_addr = @addr AND life = @life
       AND at_us < (SELECT removed_to_us FROM removal WHERE id = 1) ORDER BY at_us DESC LIMIT 1)`,
  )
    .pluck()
    .get({ addr: devAddr, life: number }) as string | undefined;
  return state === undefined ? newLifeWatch() : (JSON.parse(state) as LifeWatch);
}

/** A life that is gone through, and where its search stood before that. */
interface Followed {
  readonly life: LifeRecord;
  readonly watch: LifeWatch;
}

function keyOf(devAddr: number, life: number): string {
  return `${devAddr}/${life}`;
}

/** The counters of each life above those that its watch has gone through, up to a moment; by row id. */
function countersOf(
  store: Store,
  followed: readonly Followed[],
  removedUs: number,
  knownUs: number,
): ReadonlyMap<number, readonly HeardCounter[]> {
  const above = new Map(followed.map(({ life, watch }) => [life.id, watch.lastCounter]));
  const fromUs = followed.reduce((first, { life }) => Math.min(first, life.firstAtUs), knownUs);
  return heardCountersByLife(store, { fromUs: Math.max(fromUs, removedUs), toUs: knownUs + 1 }, above);
}

/** Goes through a life up to a moment: its dropouts since the watch's state, and the silence that went on then. */
function dropoutsOf(
  store: Store,
  { life: { devAddr, number }, watch }: Followed,
  counters: readonly HeardCounter[],
  outages: OutageWriter,
  knownUs: number,
): Dropout[] {
  const found = new Map<string, Dropout>();
  const put = (draft: GapDraft) => {
    const gap = gapRowOf(devAddr, number, draft, draft.tag);
    found.set(gap.id, gap);
  };
  for (const heard of counters)
    for (const draft of watchCounter(watch, heard, outages.outOfReach, outages.notRecorded)) put(draft);
  const silence = watch.lastCounter < 0 ? null : openSilence(watch, knownUs, outages.notRecorded);
  if (silence !== null && !isOver(store, devAddr, number, watch.lastAtUs, knownUs)) put(silence);
  return [...found.values()];
}

/** Whether a later life had taken its place. */
function isOver(store: Store, devAddr: number, life: number, lastAtUs: number, knownUs: number): boolean {
  const row = prepared(
    store,
    `SELECT 1 FROM gap WHERE dev_addr = @addr AND life <= @life AND tag = 'end' AND from_us <= @at AND to_us > @at
     AND to_us <= @known`,
  ).get({ addr: devAddr, life, at: lastAtUs, known: knownUs });
  return row !== undefined;
}

/** With its finding; none where chance explains it. What was settled by then keeps the finding that is stored. */
function judged(
  gap: Dropout,
  stored: KeptGap | undefined,
  scenes: SceneReader,
  knownUs: number,
  removedUs: number,
  judge: JudgeGap,
): StoredGap[] {
  if (
    stored !== undefined &&
    isSame(gap, stored) &&
    contextOf(gap).toUs <= knownUs &&
    stored.finding !== null
  )
    return stored.shown === 1 ? [stored] : [];
  // Its evidence was removed: what was found while it was there.
  if (stored?.finding != null && contextOf(gap).fromUs < removedUs) return stored.shown === 1 ? [stored] : [];
  const scene = scenes.read(
    { ...gap, open: gap.open === 1, expectedByRhythm: gap.expected },
    knownUs,
    knownUs,
  );
  if (scene === null) return [];
  const judgement = judge(scene);
  if (judgement.isChance) return [];
  const { cause, confidence, scope, gatewayId } = judgement;
  return [
    {
      ...gap,
      cause,
      confidence,
      scope,
      gatewayId,
      endedUs: cause === "node-restarted" && gap.open === 1 ? (scene.successor?.firstAtUs ?? null) : null,
      finding: findingText(gap, judgement),
    },
  ];
}

function isSame(gap: Dropout, stored: KeptGap): boolean {
  return (
    gap.kind === stored.kind &&
    gap.open === stored.open &&
    gap.toUs === stored.toUs &&
    gap.missed === stored.missed &&
    gap.heard === stored.heard
  );
}
