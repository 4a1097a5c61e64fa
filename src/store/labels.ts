/** Which names did people give, and what did they call their own? Writes the `label` rows, and the site's name. */
import type { Store } from "./open.ts";

export interface LabelChangeRow {
  readonly kind: "gateway" | "node";
  readonly id: string;
  /** null takes the name back; undefined leaves it. */
  readonly name?: string | null | undefined;
  readonly own?: boolean | null | undefined;
  /** True: leave a name that is there. */
  readonly unlessNamed?: boolean | undefined;
}

export function writeLabel(db: Store, change: LabelChangeRow): 0 {
  db.prepare("INSERT OR IGNORE INTO label (kind, id) VALUES (?, ?)").run(change.kind, change.id);
  const isNamed = db
    .prepare("SELECT 1 FROM label WHERE kind = ? AND id = ? AND name IS NOT NULL")
    .pluck()
    .get(change.kind, change.id);
  if (change.name !== undefined && (change.unlessNamed !== true || isNamed === undefined)) {
    const name = change.name === null || change.name === "" ? null : change.name;
    db.prepare("UPDATE label SET name = ? WHERE kind = ? AND id = ?").run(name, change.kind, change.id);
  }
  if (change.own !== undefined) {
    const own = change.own === null ? null : Number(change.own);
    db.prepare("UPDATE label SET own = ? WHERE kind = ? AND id = ?").run(own, change.kind, change.id);
  }
  db.prepare("DELETE FROM label WHERE kind = ? AND id = ? AND name IS NULL AND own IS NULL").run(
    change.kind,
    change.id,
  );
  return 0;
}

/** What the site is called; null or nothing but spaces takes the name back. */
export function writeSiteName(db: Store, name: string | null): 0 {
  if (name === null || name.trim() === "") db.prepare("DELETE FROM setting WHERE key = 'site-name'").run();
  else db.prepare("INSERT OR REPLACE INTO setting (key, value) VALUES ('site-name', ?)").run(name.trim());
  return 0;
}
