/**
 * What changed between two answers of a view? Fields and elements at any depth, so that a moving window costs its new
 * cells and not the whole map. Applying the edit to the older answer, as src/contract/live.ts says, gives the newer one.
 *
 * No library: a JSON Patch (RFC 6902) names a whole path for each cell and knows no shift of a list, a JSON Merge Patch
 * (RFC 7396) sends lists whole.
 */
import type { Edit } from "../contract/live.ts";

/** Fields by which a row is known again, the surest first; the others help where those do not tell all rows apart. */
const IDENTITY = [
  ["id", "key", "eui"],
  ["gatewayEui", "devAddr", "devEui", "life", "frequencyHz", "subBand", "dataRate", "network"],
  ["kind", "name"],
  ["at", "from"],
];

/** Cells by which a grid may have moved on between two answers. Chosen: a view is asked for again within 10 s. */
const MAX_SHIFT = 8;

type Fields = Readonly<Record<string, unknown>>;

/** The edit that makes the newer value from the older, both of JSON; null when they are equal. */
export function editOf(before: Fields, after: Fields): Edit | null {
  const change = changeBetween(before, after);
  return change === "whole" ? allOf(before, after) : change;
}

/** "whole": to send the newer value is no more than to tell the change. */
function changeBetween(before: unknown, after: unknown): Edit | "whole" | null {
  if (before === after) return null;
  if (Array.isArray(before) && Array.isArray(after)) return listChange(before, after);
  if (isFields(before) && isFields(after)) return fieldsChange(before, after);
  return "whole";
}

function fieldsChange(before: Fields, after: Fields): Edit | "whole" | null {
  const changes = new Changes();
  let kept = 0;
  for (const [name, value] of Object.entries(after)) {
    // What JSON leaves out is not there.
    if (value === undefined) continue;
    const isHeld = before[name] !== undefined && changes.add(name, before[name], value);
    if (isHeld) kept += 1;
    else changes.set[name] = value;
  }
  const gone = Object.keys(before).filter((name) => before[name] !== undefined && after[name] === undefined);
  if (kept === 0 && (gone.length > 0 || !isEmpty(changes.set))) return "whole";
  return changes.edit(gone.length === 0 ? {} : { gone });
}

function listChange(before: readonly unknown[], after: readonly unknown[]): Edit | "whole" | null {
  const from = sources(before, after);
  const changes = new Changes();
  let kept = 0;
  for (const [index, source] of from.entries()) {
    if (source === null) continue;
    if (changes.add(String(index), before[source], after[index])) kept += 1;
    else changes.set[index] = after[index];
  }
  // An element that is replaced costs its index too.
  if (2 * kept < after.length) return "whole";
  const isInPlace = after.length === before.length && from.every((source, index) => source === index);
  return changes.edit(isInPlace ? {} : { list: parts(from, after) });
}

/** Changes of fields or elements, gathered. */
class Changes {
  readonly set: Record<string, unknown> = {};
  readonly #edits: Record<string, Edit> = {};

  /** Notes what changed inside; false when the value is to be sent whole. */
  add(name: string, before: unknown, after: unknown): boolean {
    const change = changeBetween(before, after);
    if (change === "whole") return false;
    if (change !== null) this.#edits[name] = change;
    return true;
  }

  edit(more: Pick<Edit, "list" | "gone">): Edit | null {
    const edit: Edit = {
      ...more,
      ...(isEmpty(this.set) ? {} : { set: this.set }),
      ...(isEmpty(this.#edits) ? {} : { edit: this.#edits }),
    };
    return isEmpty(edit) ? null : edit;
  }
}

/** For each newer element the index of the older one that it comes from; null: it is new. */
function sources(before: readonly unknown[], after: readonly unknown[]): (number | null)[] {
  for (let tiers = 1; tiers <= IDENTITY.length; tiers++) {
    const names = IDENTITY.slice(0, tiers).flat();
    const known = byIdentity(before, names);
    const wanted = known === null ? null : byIdentity(after, names);
    if (known !== null && wanted !== null) return [...wanted.keys()].map((key) => known.get(key) ?? null);
  }
  const shift = shiftBetween(before, after);
  return after.map((_, index) => (index + shift < before.length ? index + shift : null));
}

/** Index of each row by what it is known by; null when the rows are not distinguished by that. */
function byIdentity(list: readonly unknown[], names: readonly string[]): Map<string, number> | null {
  const rows = new Map<string, number>();
  for (const [index, row] of list.entries()) {
    if (!isFields(row)) return null;
    const key = JSON.stringify(names.map((name) => row[name]));
    if (rows.has(key)) return null;
    rows.set(key, index);
  }
  return rows;
}

/** How many elements the older list has lost at its front, judged by plain values that fit then. */
function shiftBetween(before: readonly unknown[], after: readonly unknown[]): number {
  let best = { shift: 0, fits: -1 };
  for (let shift = 0; shift <= Math.min(MAX_SHIFT, before.length); shift++) {
    let fits = 0;
    for (let index = 0; index < after.length; index++) if (before[index + shift] === after[index]) fits += 1;
    if (fits > best.fits) best = { shift, fits };
    if (fits === after.length) break;
  }
  return best.shift;
}

/** The newer list put together: runs of the older one, and what is new. */
function parts(from: readonly (number | null)[], after: readonly unknown[]): NonNullable<Edit["list"]> {
  const made: ([number, number] | { add: unknown[] })[] = [];
  for (const [index, source] of from.entries()) {
    const last = made.at(-1);
    if (source === null) {
      if (last !== undefined && "add" in last) last.add.push(after[index]);
      else made.push({ add: [after[index]] });
    } else if (last !== undefined && !("add" in last) && last[0] + last[1] === source) last[1] += 1;
    else made.push([source, 1]);
  }
  return made;
}

/** Of the answer itself, which has no place in another: every field. */
function allOf(before: Fields, after: Fields): Edit {
  const gone = Object.keys(before).filter((name) => before[name] !== undefined && after[name] === undefined);
  const set = Object.fromEntries(Object.entries(after).filter(([, value]) => value !== undefined));
  return { set, ...(gone.length === 0 ? {} : { gone }) };
}

function isFields(value: unknown): value is Fields {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

function isEmpty(fields: object): boolean {
  return Object.keys(fields).length === 0;
}
