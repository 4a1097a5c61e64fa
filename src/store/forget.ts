/**
 * How does a gateway or a node leave the store, with all that was kept of it? In bounded steps, each a part of a
 * transaction, so that what arrives meanwhile is recorded. Its own row goes last: a stop in between is taken up
 * again. What follows from the rest is due to be worked out anew.
 */
import { type DevAddr, type Eui, parseDevAddr } from "../model/identifiers.ts";
import { MINUTE_US, minuteOf } from "../model/time-range.ts";
import type { Store } from "./open.ts";
import { ChannelWriter } from "./recorder/channels.ts";
import { forgetInRemovedHours } from "./removed-rows.ts";
import { notWritten, type Written, written } from "./written.ts";

export type Forgettable =
  | { readonly kind: "gateway"; readonly id: Eui }
  | { readonly kind: "node"; readonly id: DevAddr };

/** What goes with a gateway or a node. */
export interface Forgotten {
  readonly datagrams: number;
  readonly receptions: number;
  /** Frames that nobody else heard. */
  readonly frames: number;
  readonly placements: number;
  readonly marks: number;
  readonly keys: number;
}

/** What forgetting it would take away; null when nothing of it is stored. */
export function toBeForgotten(store: Store, { kind, id }: Forgettable): Forgotten | null {
  const count = (sql: string, ...values: unknown[]): number =>
    store
      .prepare(sql)
      .pluck()
      .get(...values) as number;
  if (kind === "gateway") {
    const row = gatewayId(store, id);
    if (row === null) return null;
    return {
      datagrams: count("SELECT count(*) FROM datagram WHERE gateway_id = ?", row),
      receptions: count("SELECT count(*) FROM reception WHERE gateway_id = ?", row),
      frames: count(
        `SELECT count(DISTINCT frame_id) FROM reception r WHERE gateway_id = @id AND frame_id IS NOT NULL AND NOT EXISTS
           (SELECT 1 FROM reception o WHERE o.frame_id = r.frame_id AND o.gateway_id <> @id)`,
        { id: row },
      ),
      placements: count("SELECT count(*) FROM placement WHERE gateway_eui = ?", id),
      marks: count("SELECT count(*) FROM mark WHERE gateway_eui = ?", id),
      keys: 0,
    };
  }
  const address = parseDevAddr(id);
  const frames = count("SELECT count(*) FROM frame WHERE dev_addr = ?", address);
  const lives = count("SELECT count(*) FROM life WHERE dev_addr = ?", address);
  if (frames + lives === 0) return null;
  return {
    datagrams: 0,
    receptions: count(
      "SELECT count(*) FROM reception WHERE frame_id IN (SELECT id FROM frame WHERE dev_addr = ?)",
      address,
    ),
    frames,
    placements: 0,
    marks: count("SELECT count(*) FROM mark WHERE dev_addr = ?", id),
    keys: count("SELECT count(*) FROM node_key WHERE dev_addr = ?", address),
  };
}

/** Queues a gateway or a node to be forgotten step by step. Fails when nothing of it is stored. */
export function beginForgetting(db: Store, { kind, id }: Forgettable): Written {
  const isThere =
    kind === "gateway"
      ? gatewayId(db, id) !== null
      : db
          .prepare("SELECT 1 FROM frame WHERE dev_addr = @a UNION SELECT 1 FROM life WHERE dev_addr = @a")
          .get({
            a: parseDevAddr(id),
          }) !== undefined;
  if (!isThere) return notWritten(kind === "gateway" ? "no-such-gateway" : "no-such-node");
  db.prepare("INSERT OR IGNORE INTO forgetting (kind, id) VALUES (?, ?)").run(kind, id);
  return written(1);
}

/** True while something waits to be forgotten. */
export function isForgetting(store: Store): boolean {
  return store.prepare("SELECT 1 FROM forgetting LIMIT 1").get() !== undefined;
}

/** Takes away about `most` rows of what is to be forgotten. True: there is more. To be called in a transaction. */
export function forgetStep(db: Store, most: number): boolean {
  const thing = db.prepare("SELECT kind, id FROM forgetting LIMIT 1").get() as Forgettable | undefined;
  if (thing === undefined) return false;
  const isGone =
    thing.kind === "gateway" ? stepOfGateway(db, thing.id, most) : stepOfNode(db, thing.id, most);
  if (!isGone) return true;
  db.prepare("DELETE FROM forgetting WHERE kind = ? AND id = ?").run(thing.kind, thing.id);
  return isForgetting(db);
}

/** Tables with rows of a gateway, each with the column by which they are taken away piece by piece. */
const BY_TIME: readonly (readonly [table: string, column: string])[] = [
  ["datagram", "at_us"],
  ["status_report", "at_us"],
  ["transmit_outcome", "at_us"],
  ["gateway_restart", "at_us"],
  ["gateway_minute", "minute"],
  ["channel_minute_packed", "hour"],
  ["round_trip_minute", "minute"],
  ["gateway_outage", "from_us"],
  ["downlink", "at_us"],
  ["recorded_gateway", "range_id"],
];

const NO_LIVES: ReadonlySet<number> = new Set();

/** True when the gateway is wholly gone. */
export function stepOfGateway(db: Store, eui: Eui, most: number): boolean {
  const id = gatewayId(db, eui);
  if (id === null) return true;
  if (takeReceptions(db, "WHERE gateway_id = @of ORDER BY at_us", id, most).length >= most) return false;
  for (const [table, column] of BY_TIME) {
    const { changes } = db
      .prepare(
        `DELETE FROM ${table} WHERE gateway_id = @id AND ${column} <= coalesce((SELECT ${column} FROM ${table}
           WHERE gateway_id = @id ORDER BY ${column} LIMIT 1 OFFSET @most), 9e18)`,
      )
      .run({ id, most });
    if (changes >= most) return false;
  }
  const channels = db
    .prepare(
      `DELETE FROM channel_minute WHERE (gateway_id, frequency_hz, minute) IN
         (SELECT gateway_id, frequency_hz, minute FROM channel_minute WHERE gateway_id = ? LIMIT ?)`,
    )
    .run(id, most);
  if (channels.changes >= most) return false;
  if (!forgetInRemovedHours(db, eui, { lifeIds: NO_LIVES, gatewayId: id })) return false;
  const run = (sql: string, ...values: unknown[]) => db.prepare(sql).run(...values);
  // What was rejected stays in the account, without a name.
  run(
    `INSERT INTO refusal (gateway_id, reason, refused, count, first_at_us, last_at_us)
     SELECT 0, reason, refused, count, first_at_us, last_at_us FROM refusal WHERE gateway_id = ?
     ON CONFLICT DO UPDATE SET count = count + excluded.count, refused = max(refused, excluded.refused),
       first_at_us = min(first_at_us, excluded.first_at_us), last_at_us = max(last_at_us, excluded.last_at_us)`,
    id,
  );
  run("DELETE FROM refusal WHERE gateway_id = ?", id);
  // Octets 4 to 11 of a datagram of a gateway name it (protocol reference, section 3.2).
  run("DELETE FROM refusal_sample WHERE substr(bytes, 5, 8) = ?", Buffer.from(eui, "hex"));
  for (const table of [
    "gap_disorder",
    "gateway_address",
    "gateway_hour",
    "packet_hour",
    "packet_day",
    "channel_hour",
  ])
    run(`DELETE FROM ${table} WHERE gateway_id = ?`, id);
  run("UPDATE gap SET gateway_id = NULL, judged_to_us = NULL WHERE gateway_id = ?", id);
  run("DELETE FROM label WHERE kind = 'gateway' AND id = ?", eui);
  run("DELETE FROM position WHERE kind = 'gateway' AND id = ?", eui);
  run("DELETE FROM placement WHERE gateway_eui = ?", eui);
  run("DELETE FROM mark WHERE gateway_eui = ?", eui);
  run("DELETE FROM bench_record WHERE gateway_eui = ?", eui);
  run("DELETE FROM setting WHERE key = 'bench-reference' AND json_extract(value, '$.eui') = ?", eui);
  run("DELETE FROM gateway WHERE id = ?", id);
  run(`INSERT INTO account_due (dev_addr) SELECT dev_addr FROM forgetting_address WHERE true
    ON CONFLICT DO UPDATE SET from_us = excluded.from_us`);
  run("DELETE FROM forgetting_address");
  return true;
}

function stepOfNode(db: Store, devAddr: DevAddr, most: number): boolean {
  const address = parseDevAddr(devAddr);
  const ofNode = "WHERE frame_id IN (SELECT id FROM frame WHERE dev_addr = @of)";
  const taken = takeReceptions(db, ofNode, address, most);
  recountChannels(db, taken);
  if (taken.length >= most) return false;
  const run = (sql: string, ...values: unknown[]) => db.prepare(sql).run(...values);
  const downlinks = run(
    "DELETE FROM downlink WHERE id IN (SELECT id FROM downlink WHERE dev_addr = ? LIMIT ?)",
    address,
    most,
  );
  if (downlinks.changes >= most) return false;
  const lives = db.prepare("SELECT id FROM life WHERE dev_addr = ?").pluck().all(address) as number[];
  // A later life may get the number of one that goes.
  if (!forgetInRemovedHours(db, devAddr, { lifeIds: new Set(lives), gatewayId: null })) return false;
  const derived = ["gap", "gap_watch", "gap_watch_past", "gap_disorder", "gateway_address"];
  for (const table of ["frame", "life", "address_state", "account_due", ...derived])
    run(`DELETE FROM ${table} WHERE dev_addr = ?`, address);
  run("DELETE FROM forgetting_address WHERE dev_addr = ?", address);
  run("DELETE FROM node_key WHERE dev_addr = ?", address);
  run("DELETE FROM label WHERE kind = 'node' AND id = ?", devAddr);
  run("DELETE FROM position WHERE kind = 'node' AND id = ?", devAddr);
  run("DELETE FROM mark WHERE dev_addr = ?", devAddr);
  return true;
}

interface Taken {
  readonly id: number;
  readonly gatewayId: number;
  readonly frameId: number | null;
  readonly atUs: number;
  readonly frequencyHz: number | null;
  readonly crc: number;
  readonly ghost: number;
  readonly further: number;
}

/** Takes receptions away, with the frames that nobody else heard; which. */
function takeReceptions(db: Store, which: string, of: number, most: number): Taken[] {
  const rows = db
    .prepare(
      `SELECT id, gateway_id AS gatewayId, frame_id AS frameId, at_us AS atUs, frequency_hz AS frequencyHz, crc, ghost,
         further FROM reception ${which} LIMIT @most`,
    )
    .all({ of, most }) as Taken[];
  const remove = db.prepare("DELETE FROM reception WHERE id = ?");
  const uncount = db.prepare(
    `UPDATE gateway_minute SET crc_ok = crc_ok - (@crc = 0), crc_bad = crc_bad - (@crc = 1),
       crc_none = crc_none - (@crc > 1) WHERE gateway_id = @gatewayId AND minute = CAST(@atUs / ${MINUTE_US} AS INTEGER)`,
  );
  const frames = new Set<number>();
  for (const { id, gatewayId, frameId, atUs, crc, ghost, further } of rows) {
    remove.run(id);
    if (ghost === 0 && further === 0) uncount.run({ gatewayId, atUs, crc });
    if (frameId !== null) frames.add(frameId);
  }
  const first = db.prepare("SELECT min(at_us) FROM reception WHERE frame_id = ?").pluck();
  const note = db.prepare(
    "INSERT OR IGNORE INTO forgetting_address SELECT dev_addr FROM frame WHERE id = ? AND dev_addr IS NOT NULL",
  );
  const drop = db.prepare("DELETE FROM frame WHERE id = ?");
  const move = db.prepare("UPDATE frame SET at_us = ? WHERE id = ?");
  for (const id of frames) {
    note.run(id);
    const firstUs = first.get(id) as number | null;
    if (firstUs === null) drop.run(id);
    else move.run(firstUs, id);
  }
  return rows;
}

/** The load of channels at which packets of a node were heard. A gateway's own channels go as a whole. */
function recountChannels(db: Store, rows: readonly Taken[]): void {
  const channels = new ChannelWriter(db, true);
  const dropEmpty = db.prepare(
    "DELETE FROM channel_minute WHERE gateway_id = ? AND frequency_hz = ? AND receptions = 0 AND airtime_us = 0",
  );
  const done = new Set<string>();
  for (const { gatewayId, frequencyHz, atUs, ghost } of rows) {
    if (frequencyHz === null || ghost === 1) continue;
    const key = `${gatewayId}/${frequencyHz}/${minuteOf(atUs)}`;
    if (done.has(key)) continue;
    done.add(key);
    channels.recount(gatewayId, frequencyHz, atUs);
    dropEmpty.run(gatewayId, frequencyHz);
  }
}

function gatewayId(store: Store, eui: Eui): number | null {
  const id = store.prepare("SELECT id FROM gateway WHERE eui = ?").pluck().get(eui);
  return typeof id === "number" ? id : null;
}
