/** What is known of the time around a gap? Gathers the scene that its finding is judged from. */

import type { Statement } from "better-sqlite3";
import type {
  NextLife,
  Scene,
  SceneGap,
  SceneGateway,
  SceneReception,
  SharedAddress,
  Successor,
} from "../../model/gap.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { restartedBetween } from "../../radio/clock.ts";
import { median } from "../../statistics/robust.ts";
import type { Store } from "../open.ts";
import type { StoredGap } from "../queries/gaps.ts";
import { keepaliveUs, restartsUs } from "../queries/gateways.ts";
import { OF_LIFE } from "../queries/statement.ts";
import { recordedTimeOf } from "../recorded-time.ts";
import { type Block, SceneBlocks } from "./context-cache.ts";
import { findSuccessor } from "./find-successor.ts";
import { contextOf } from "./gap-rows.ts";
import { OutageWriter } from "./outages.ts";

/** Receptions looked at for one finding, about: before, within and after. */
const ROWS_BEFORE = 3_000;
const ROWS_WITHIN = 4_000;
const ROWS_AFTER = 1_000;
const MIN_LOOK_US = 900_000_000;
/** Share of the most frames that counts as about as many. Chosen. */
const NEARLY_AS_MANY = 0.85;
/** How far beside a gap a silence of all gateways is looked for. Chosen: several keepalives. */
const AROUND_US = 120_000_000;
/** Keepalive intervals without a datagram of any gateway from which one of each is missing. */
const ONE_MISSING = 1.5;
/** A counter reading this long before or after an outage still tells whether it restarted. */
const READING_REACH_US = 86_400_000_000;

/** Of these gateways; null: of all. */
const COMPANY = "(@ids IS NULL OR g.id IN (SELECT value FROM json_each(@ids)))";

export interface GapRecord extends Omit<SceneGap, "lifeId"> {
  readonly id: string;
}

export class SceneReader {
  readonly #db: Store;
  readonly #blocks: SceneBlocks;
  readonly #outages: OutageWriter;
  readonly #packets: Statement;
  readonly #begun: Statement;
  readonly #isSiteNamed: Statement;
  readonly #company: Statement;
  readonly #life: Statement;
  readonly #nextLife: Statement;
  readonly #shared: Statement;
  readonly #gateway: Statement;
  readonly #readingBefore: Statement;
  readonly #readingAfter: Statement;

  constructor(db: Store, blocks: SceneBlocks, outages: OutageWriter) {
    this.#db = db;
    this.#blocks = blocks;
    this.#outages = outages;
    this.#packets = db
      .prepare(
        `SELECT coalesce(sum(crc_ok + crc_bad + crc_none), 0) FROM gateway g CROSS JOIN gateway_minute m ON m.gateway_id = g.id
         WHERE g.first_at_us < @to * 60000000 AND g.last_at_us >= @from * 60000000
           AND minute >= @from AND minute < @to AND ${COMPANY}`,
      )
      .pluck();
    this.#begun = db.prepare(`SELECT min(first_at_us) FROM gateway g WHERE ${COMPANY}`).pluck();
    this.#isSiteNamed = db.prepare("SELECT 1 FROM label WHERE kind = 'gateway' AND site IS NOT NULL LIMIT 1");
    const siteOf = "coalesce((SELECT site FROM label WHERE kind = 'gateway' AND id = g.eui), '')";
    this.#company = db
      .prepare(
        `SELECT json_group_array(id) FROM gateway g WHERE ${siteOf} IN (
           SELECT ${siteOf} FROM main.frame f CROSS JOIN reception r ON r.frame_id = f.id JOIN gateway g ON g.id = r.gateway_id
           WHERE ${OF_LIFE} AND f.at_us >= ? AND f.at_us <= ?)`,
      )
      .pluck();
    this.#life = db.prepare("SELECT id, dev_eui AS devEui FROM life WHERE dev_addr = ? AND number = ?");
    this.#nextLife = db.prepare(
      `SELECT number, begun_by AS begunBy, first_at_us AS firstAtUs, first_counter AS firstCounter
       FROM life WHERE dev_addr = ? AND number > ? AND first_at_us >= ? AND first_at_us <= ?
       ORDER BY first_at_us LIMIT 1`,
    );
    this.#shared = db.prepare(
      `SELECT from_us AS fromUs, to_us AS toUs, life FROM gap WHERE dev_addr = ? AND tag = 'shared'
       AND from_us < ? AND to_us > ? LIMIT 1`,
    );
    this.#gateway = db.prepare("SELECT id, eui FROM gateway WHERE id = ?");
    const reading = (bounds: string, order: string) =>
      db.prepare(
        `SELECT tmst_key AS tmstUs, at_us AS atUs FROM reception INDEXED BY reception_by_time
         WHERE ${bounds} AND gateway_id = ? AND tmst_key >= 0 AND ghost = 0 ORDER BY at_us ${order} LIMIT 1`,
      );
    this.#readingBefore = reading("at_us > ? AND at_us <= ?", "DESC");
    this.#readingAfter = reading("at_us >= ? AND at_us < ?", "ASC");
  }

  /**
   * null: the life is there no more. `goneThroughUs`: newest moment that has been gone through. Nothing counts that
   * came later than the gap's own context, so that a finding keeps once that is over.
   */
  read(gap: GapRecord, nowUs: number, goneThroughUs: number): Scene | null {
    const frontierUs = Math.min(goneThroughUs, contextOf(gap).toUs);
    const life = this.#life.get(gap.devAddr, gap.life) as { id: number; devEui: string | null } | undefined;
    if (life === undefined) return null;
    const company = this.#companyOf(life.id, gap, frontierUs);
    const { before, within, after } = this.#stretches(gap, frontierUs, company);
    const blocks = this.#blocks.over({ fromUs: before.fromUs, toUs: after.toUs }, frontierUs);
    const all = cut(
      blocks.flatMap(({ receptions }) => receptions),
      before.fromUs,
      after.toUs,
    );
    const homes = this.#homes(all, life.id, gap).map((id) =>
      this.#gatewayOf(id, blocks, { before, within, after }, frontierUs),
    );
    const { nobody, followed } = this.#silenceOfAll(blocks, within, frontierUs, company);
    const isHome = new Set(homes.map(({ id }) => id));
    const receptions = all.filter(({ gatewayId }) => isHome.has(gatewayId));
    const sceneGap: SceneGap = { ...gap, lifeId: life.id };
    return {
      gap: sceneGap,
      nowUs,
      within,
      before,
      after,
      nobody,
      followed,
      homes,
      receptions,
      nextLife:
        (this.#nextLife.get(gap.devAddr, gap.life, gap.fromUs, frontierUs) as NextLife | undefined) ?? null,
      shared: this.#sharedOf(gap, receptions),
      successor: this.#successorOf(sceneGap, receptions),
      devEui: life.devEui,
    };
  }

  /**
   * All gateways of the sites that heard the life in the gap's context, row ids as JSON; null: no site is named, all are
   * one. What another site hears says nothing of this one.
   */
  #companyOf(lifeId: number, gap: GapRecord, frontierUs: number): string | null {
    if (this.#isSiteNamed.get() === undefined) return null;
    const ids = this.#company.get(lifeId, lifeId, contextOf(gap).fromUs, frontierUs) as string;
    return ids === "[]" ? null : ids;
  }

  /** The parts looked at, shortened where there is more traffic than is needed. */
  #stretches(
    gap: GapRecord,
    frontierUs: number,
    ids: string | null,
  ): { before: TimeRange; within: TimeRange; after: TimeRange } {
    const context = contextOf(gap);
    const span = Math.max(MIN_LOOK_US, context.toUs - context.fromUs);
    const packets = this.#packets.get({
      from: Math.floor(context.fromUs / 60e6),
      to: Math.floor(Math.min(context.toUs, frontierUs) / 60e6),
      ids,
    }) as number;
    const perUs = packets / span;
    const room = (rows: number) =>
      perUs > 0 ? Math.max(MIN_LOOK_US, rows / perUs) : Number.MAX_SAFE_INTEGER;
    // Before the recording began there is nothing to compare with.
    const begunUs = Math.max(
      context.fromUs,
      Math.min(gap.fromUs, (this.#begun.get({ ids }) as number | null) ?? 0),
    );
    const beforeUs = Math.min(gap.fromUs - begunUs, room(ROWS_BEFORE));
    const withinUs = Math.min(gap.toUs - gap.fromUs, room(ROWS_WITHIN));
    const afterUs = Math.min(context.toUs - gap.toUs, room(ROWS_AFTER));
    const cutShort = withinUs < gap.toUs - gap.fromUs;
    const afterToUs = cutShort || gap.open ? gap.fromUs + withinUs : Math.min(gap.toUs + afterUs, frontierUs);
    return {
      before: { fromUs: gap.fromUs - beforeUs, toUs: gap.fromUs },
      within: { fromUs: gap.fromUs, toUs: gap.fromUs + withinUs },
      after: { fromUs: Math.min(afterToUs, gap.fromUs + withinUs), toUs: afterToUs },
    };
  }

  /**
   * Gateways that heard the node, of a fifth at least of what the best one heard: those with most of its frames first,
   * among those that heard about as many the one that heard them strongest.
   */
  #homes(receptions: readonly SceneReception[], lifeId: number, gap: GapRecord): number[] {
    const heard = new Map<number, { weight: number; snrDb: number; count: number }>();
    for (const one of receptions) {
      if (one.lifeId !== lifeId) continue;
      const sums = heard.get(one.gatewayId) ?? { weight: 0, snrDb: 0, count: 0 };
      // What it was heard by before counts; when nothing was before, all of it.
      sums.weight += one.atUs <= gap.fromUs ? 1 : 0.3;
      sums.snrDb += one.snrDb ?? 0;
      sums.count += 1;
      heard.set(one.gatewayId, sums);
    }
    const most = Math.max(0, ...[...heard.values()].map(({ weight }) => weight));
    return [...heard]
      .filter(([, { weight }]) => weight >= 0.2 * most)
      .map(([id, { weight, snrDb, count }]) => ({
        id,
        weight: weight >= NEARLY_AS_MANY * most ? most : weight,
        snrDb: snrDb / count,
      }))
      .sort((a, b) => b.weight - a.weight || b.snrDb - a.snrDb || a.id - b.id)
      .map(({ id }) => id);
  }

  #gatewayOf(
    id: number,
    blocks: readonly Block[],
    { before, within, after }: { before: TimeRange; within: TimeRange; after: TimeRange },
    frontierUs: number,
  ): SceneGateway {
    const { eui } = this.#gateway.get(id) as { eui: string };
    const span = { fromUs: before.fromUs, toUs: Math.max(after.toUs, within.toUs) };
    const mine = <T extends { readonly gatewayId: number }>(list: readonly T[]) =>
      list.filter(({ gatewayId }) => gatewayId === id);
    const inSpan = <T extends { readonly atUs: number }>(list: readonly T[]) =>
      cut(list, span.fromUs, span.toUs);
    return {
      id,
      eui,
      outages: this.#outages.touching(id, span).map(({ fromUs, toUs }) => {
        const endUs = (toUs ?? Number.POSITIVE_INFINITY) > frontierUs ? null : toUs;
        return {
          fromUs,
          toUs: endUs ?? Math.max(within.toUs, frontierUs),
          open: endUs === null,
          restarted: endUs === null ? null : this.#restarted(id, fromUs, endUs, frontierUs),
        };
      }),
      notRecorded: this.#outages.missing(id, span),
      restartsUs: restartsUs(this.#db, id, span),
      tellsCounter: this.#readingBefore.get(span.fromUs, span.toUs, id) !== undefined,
      keepaliveUs:
        keepaliveUs(this.#db, id, {
          fromUs: within.fromUs - 3_600_000_000,
          toUs: within.fromUs + 1,
        }) ?? keepaliveUs(this.#db, id, { fromUs: within.fromUs - 86_400_000_000, toUs: within.toUs }),
      keepalivesUs: inSpan(blocks.flatMap(({ keepalives }) => mine(keepalives))).map(({ atUs }) => atUs),
      reports: inSpan(blocks.flatMap(({ reports }) => mine(reports))),
      transmissions: blocks
        .flatMap(({ transmissions }) => mine(transmissions))
        .filter(({ fromUs }) => fromUs <= span.toUs),
    };
  }

  /** When no gateway sent anything for longer than the shortest interval of any of them allows. */
  #silenceOfAll(
    blocks: readonly Block[],
    within: TimeRange,
    frontierUs: number,
    ids: string | null,
  ): { nobody: TimeRange[]; followed: number } {
    const company = ids === null ? null : new Set(JSON.parse(ids) as number[]);
    const counts = ({ gatewayId }: { readonly gatewayId: number }) => company?.has(gatewayId) ?? true;
    const around = { fromUs: within.fromUs - AROUND_US, toUs: Math.min(within.toUs + AROUND_US, frontierUs) };
    const keepalives = new Map<number, number[]>();
    const times: number[] = [];
    for (const { receptions, keepalives: pulls, reports } of blocks) {
      for (const { gatewayId, atUs } of pulls.filter(counts)) {
        if (atUs < around.fromUs - AROUND_US || atUs > Math.min(around.toUs + AROUND_US, frontierUs))
          continue;
        const own = keepalives.get(gatewayId);
        if (own === undefined) keepalives.set(gatewayId, [atUs]);
        else own.push(atUs);
      }
      for (const { atUs } of [...pulls, ...reports, ...receptions].filter(counts))
        if (atUs >= around.fromUs && atUs <= around.toUs) times.push(atUs);
    }
    const intervals = [...keepalives.values()]
      .filter((own) => own.length > 2)
      .flatMap((own) => median(own.slice(1).map((atUs, i) => atUs - (own[i] ?? atUs))) ?? []);
    const followed = intervals.length;
    if (followed === 0) return { nobody: [], followed };
    const limitUs = ONE_MISSING * Math.min(...intervals);
    times.sort((a, b) => a - b);
    const nobody = times.flatMap((atUs, i) => {
      const before = times[i - 1];
      return before === undefined || atUs - before <= limitUs ? [] : [{ fromUs: before, toUs: atUs }];
    });
    return {
      nobody: nobody.filter((range) => this.#outages.isRecorded(range, [...keepalives.keys()])),
      followed,
    };
  }

  /** Whether the concentrator's counter restarted across an outage; null: no readings to tell. */
  #restarted(gatewayId: number, fromUs: number, toUs: number, frontierUs: number): boolean | null {
    const before = this.#readingBefore.get(fromUs - READING_REACH_US, fromUs, gatewayId) as
      | Reading
      | undefined;
    const after = this.#readingAfter.get(
      toUs - 1_000_000,
      Math.min(toUs + READING_REACH_US, frontierUs + 1),
      gatewayId,
    ) as Reading | undefined;
    if (before === undefined || after === undefined) return null;
    return restartedBetween(before, after);
  }

  #sharedOf(gap: GapRecord, receptions: readonly SceneReception[]): SharedAddress | null {
    // A silence may follow the time in which both were heard.
    const sinceUs = receptions[0]?.atUs ?? gap.fromUs;
    const row = this.#shared.get(gap.devAddr, gap.toUs, sinceUs) as
      | { fromUs: number; toUs: number; life: number }
      | undefined;
    if (row === undefined) return null;
    let alternations = 0;
    let last: number | null = null;
    for (const { devAddr, lifeId, atUs } of receptions) {
      if (devAddr !== gap.devAddr || lifeId === null || atUs < row.fromUs) continue;
      if (last !== null && lifeId !== last) alternations += 1;
      last = lifeId;
    }
    const otherLife = row.life === gap.life ? this.#numberOf(gap, receptions) : row.life;
    return { fromUs: row.fromUs, toUs: row.toUs, otherLife, alternations };
  }

  /** The newest other life of the address that is among these receptions, else its newest other. */
  #numberOf(gap: GapRecord, receptions: readonly SceneReception[]): number {
    const ids = new Set(receptions.map(({ lifeId }) => lifeId));
    const numbers = this.#db
      .prepare("SELECT id, number FROM life WHERE dev_addr = ? AND number <> ? ORDER BY number DESC")
      .all(gap.devAddr, gap.life) as { id: number; number: number }[];
    return (numbers.find(({ id }) => ids.has(id)) ?? numbers[0])?.number ?? gap.life;
  }

  #successorOf(gap: SceneGap, receptions: readonly SceneReception[]): Successor | null {
    return gap.open && gap.kind === "silence" ? findSuccessor(this.#db, gap, receptions) : null;
  }
}

interface Reading {
  tmstUs: number;
  atUs: number;
}

function cut<T extends { readonly atUs: number }>(list: readonly T[], fromUs: number, toUs: number): T[] {
  return list.filter(({ atUs }) => atUs >= fromUs && atUs <= toUs);
}

// The scene of one stored gap, read afresh for who wants to look at it.

/** null: its life is there no more. */
export function sceneOfGap(store: Store, gap: StoredGap): Scene | null {
  const newestUs = store.prepare("SELECT coalesce(max(last_at_us), 0) FROM gateway").pluck().get() as number;
  const reader = new SceneReader(
    store,
    new SceneBlocks(store),
    new OutageWriter(store, recordedTimeOf(store)),
  );
  return reader.read({ ...gap, open: gap.open === 1, expectedByRhythm: gap.expected }, newestUs, newestUs);
}
