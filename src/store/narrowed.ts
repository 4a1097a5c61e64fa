/**
 * One site of a store, through a reading connection of its own: every question that is asked over it is answered as if
 * the store held this site's gateways alone. Temporary views stand before the tables (SQLite looks for a name there
 * first: sqlite.org/lang_naming.html), so that no query has to know. The condition is never led by an index: a question
 * is answered in the order of the unnarrowed one, and reads no more rows than that.
 *
 * A site's gateways are those that a person gave its name. Its nodes are those whose address one of them ever heard;
 * a frame is its own where one of them heard it. A node that gateways of two sites hear belongs to both.
 */
import type { Store } from "./open.ts";
import { forgetPrepared, prepared } from "./queries/statement.ts";
import { StoreUnusable } from "./store-error.ts";

const IDS = "(SELECT id FROM temp.narrowed_gateway)";
const EUIS = "(SELECT eui FROM temp.narrowed_gateway)";
const ADDRESSES = `(SELECT dev_addr FROM main.gateway_address WHERE gateway_id IN ${IDS})`;

/** Tables by the condition that their rows of a site meet. */
const CONDITIONS: Readonly<Record<string, string>> = {
  gateway: `+id IN ${IDS}`,
  frame: `EXISTS (SELECT 1 FROM main.reception AS hearing WHERE hearing.frame_id = frame.id
    AND +hearing.gateway_id IN ${IDS})`,
  life: `+dev_addr IN ${ADDRESSES}`,
  // What is attributed to a gateway of another site is a gap there.
  gap: `+dev_addr IN ${ADDRESSES} AND (gateway_id IS NULL OR gateway_id IN ${IDS})`,
  // The service records all that may be heard.
  recorded_range: `source = 'service' OR EXISTS (SELECT 1 FROM main.recorded_gateway AS heard
    WHERE heard.range_id = recorded_range.id AND heard.gateway_id IN ${IDS})`,
  placement: `+gateway_eui IN ${EUIS}`,
  // A mark about neither is about the place, and no word says which.
  mark: `(gateway_eui IS NULL OR +gateway_eui IN ${EUIS})
    AND (dev_addr IS NULL OR dev_addr IN (SELECT printf('%08X', dev_addr) FROM main.gateway_address
      WHERE gateway_id IN ${IDS}))`,
  position: `CASE kind WHEN 'gateway' THEN id IN ${EUIS} ELSE id IN (SELECT printf('%08X', dev_addr)
    FROM main.gateway_address WHERE gateway_id IN ${IDS}) END`,
};

/** The rest is asked for gateway by gateway. */
const BY_GATEWAY = ["reception", "downlink", "gateway_outage", "recorded_gateway", "refusal"] as const;

/** Indexes that queries name: a view has none, so that each stands as a view of its own. */
const INDEXES: Readonly<Record<string, string>> = {
  reception_by_time: "reception",
  reception_by_gateway: "reception",
  frame_join: "frame",
  frame_by_time: "frame",
  frame_by_address: "frame",
  downlink_by_time: "downlink",
};

const NAMED_INDEX = /\b(?:reception|frame|downlink)( (?!INDEXED\b)\w+)? INDEXED BY (\w+)/g;

function conditionOf(table: string): string {
  return CONDITIONS[table] ?? `+gateway_id IN ${IDS}`;
}

/** Names of the sites that gateways belong to, in order. */
export function siteNames(store: Store): string[] {
  return prepared(
    store,
    "SELECT DISTINCT site FROM label WHERE kind = 'gateway' AND site IS NOT NULL ORDER BY site",
  )
    .pluck()
    .all() as string[];
}

interface Narrowing {
  site: string | null;
  ids: ReadonlySet<number>;
}

const narrowings = new WeakMap<Store, Narrowing>();

/**
 * Narrows a reading connection to a site (null: to the gateways that belong to none). From then on it answers for no
 * more than one site, but may be narrowed to another. Throws NoSuchSite when no gateway bears the name.
 */
export function narrowToSite(store: Store, site: string | null): void {
  const known = narrowings.get(store);
  const members = store
    .prepare(
      `SELECT g.id, g.eui FROM main.gateway g LEFT JOIN main.label l ON l.kind = 'gateway' AND l.id = g.eui
       WHERE l.site IS ? ORDER BY g.id`,
    )
    .all(site) as { id: number; eui: string }[];
  if (site !== null && members.length === 0 && !siteNames(store).includes(site))
    throw new NoSuchSite(site, siteNames(store));
  const ids = new Set(members.map(({ id }) => id));
  if (known?.site === site && known.ids.size === ids.size && [...ids].every((id) => known.ids.has(id)))
    return;
  const isQueryOnly = store.pragma("query_only", { simple: true }) === 1;
  store.pragma("query_only = OFF");
  try {
    if (known === undefined) install(store);
    store.exec("DELETE FROM temp.narrowed_gateway");
    // A change is counted also where no gateway comes or goes: what was remembered of the store is no more true.
    store.exec("UPDATE temp.narrowing SET turns = turns + 1");
    const add = store.prepare("INSERT INTO temp.narrowed_gateway (id, eui) VALUES (?, ?)");
    for (const { id, eui } of members) add.run(id, eui);
  } finally {
    if (isQueryOnly) store.pragma("query_only = ON");
  }
  narrowings.set(store, { site, ids });
}

function install(store: Store): void {
  store.exec(`CREATE TEMP TABLE narrowed_gateway (id INTEGER PRIMARY KEY, eui TEXT NOT NULL);
    CREATE TEMP TABLE narrowing (turns INTEGER NOT NULL);
    INSERT INTO temp.narrowing VALUES (0);`);
  for (const table of [...BY_GATEWAY, ...Object.keys(CONDITIONS)])
    store.exec(`CREATE TEMP VIEW ${table} AS SELECT * FROM main.${table} WHERE ${conditionOf(table)}`);
  for (const [index, table] of Object.entries(INDEXES))
    store.exec(
      `CREATE TEMP VIEW ${index} AS SELECT * FROM main.${table} INDEXED BY ${index} WHERE ${conditionOf(table)}`,
    );
  // Statements from before name indexes of the tables.
  forgetPrepared(store);
  const prepare = store.prepare.bind(store);
  store.prepare = (sql: string) => prepare(sql.replace(NAMED_INDEX, "temp.$2$1"));
}

/** Row ids of the gateways that a connection is narrowed to; null: it is not. */
export function narrowedGateways(store: Store): ReadonlySet<number> | null {
  return narrowings.get(store)?.ids ?? null;
}

/** The name of the site that a connection is narrowed to; null: it is not, or to those without one. */
export function narrowedSite(store: Store): string | null {
  return narrowings.get(store)?.site ?? null;
}

/** The one further connection that answers for single sites, opened with the first question. */
export class SiteReader {
  readonly #open: () => Store;
  #store: Store | null = null;

  constructor(open: () => Store) {
    this.#open = open;
  }

  /** The connection, narrowed to a site. Throws NoSuchSite. */
  of(site: string): Store {
    this.#store ??= this.#open();
    narrowToSite(this.#store, site);
    return this.#store;
  }

  close(): void {
    this.#store?.close();
    this.#store = null;
  }
}

/** No gateway belongs to a site of this name. */
export class NoSuchSite extends StoreUnusable {
  constructor(site: string, names: readonly string[]) {
    super(
      `No gateway belongs to a site "${site}".`,
      names.length === 0
        ? "No site is named yet: name one where gateways are named, or with 'mastlog sites set'."
        : `The sites are ${names.join(", ")}.`,
    );
    this.name = "NoSuchSite";
  }
}
