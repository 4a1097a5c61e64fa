/**
 * What changed between two states of a view? Fields by their text, the keyed list by its rows; so that applying the
 * change to the older state, as src/contract/live.ts says, gives the newer one exactly.
 */
import { rowKey } from "../contract/live.ts";

export type LiveAnswer = Readonly<Record<string, unknown>>;

/** A view at one moment, with the texts that later ones are compared with. */
export interface Frozen {
  readonly answer: LiveAnswer;
  /** JSON of each field but the keyed list. */
  readonly fields: ReadonlyMap<string, string>;
  /** JSON of each row by its key, in the list's order; null when the view has no list or a key twice. */
  readonly rows: ReadonlyMap<string, { readonly row: unknown; readonly text: string }> | null;
}

export interface Change {
  readonly set: Record<string, unknown>;
  readonly rows?: { readonly list: string; readonly upsert: unknown[]; readonly remove: string[] };
}

/** Keeps a view for comparison; `list` is the name of its keyed list. */
export function freeze(answer: LiveAnswer, list: string | null): Frozen {
  const fields = new Map<string, string>();
  for (const [name, value] of Object.entries(answer)) {
    if (name !== list) fields.set(name, JSON.stringify(value));
  }
  return { answer, fields, rows: list === null ? null : freezeRows(answer[list], list) };
}

/** The change from one state to the next; null when there is none, "whole" when only a new snapshot can tell it. */
export function changeBetween(before: Frozen, after: Frozen, list: string | null): Change | "whole" | null {
  const set: Record<string, unknown> = {};
  for (const [name, text] of after.fields) {
    if (before.fields.get(name) !== text) set[name] = after.answer[name];
  }
  // A delta can set a field, not take it away.
  for (const name of before.fields.keys()) if (!after.fields.has(name)) return "whole";
  if (list === null || !(list in after.answer)) return Object.keys(set).length === 0 ? null : { set };
  if (before.rows === null || after.rows === null) return { set: { ...set, [list]: after.answer[list] } };

  const upsert: unknown[] = [];
  const added: string[] = [];
  for (const [key, { row, text }] of after.rows) {
    const known = before.rows.get(key);
    if (known?.text === text) continue;
    upsert.push(row);
    if (known === undefined) added.push(key);
  }
  const kept = [...before.rows.keys()].filter((key) => after.rows?.has(key) === true);
  const remove = [...before.rows.keys()].filter((key) => after.rows?.has(key) !== true);
  const applied = list === "receptions" ? [...added, ...kept] : [...kept, ...added];
  const wanted = [...after.rows.keys()];
  // Rows cannot tell of a new order: then the list goes whole.
  if (applied.some((key, i) => key !== wanted[i])) return { set: { ...set, [list]: after.answer[list] } };
  if (upsert.length === 0 && remove.length === 0) return Object.keys(set).length === 0 ? null : { set };
  return { set, rows: { list, upsert, remove } };
}

function freezeRows(value: unknown, list: string): Frozen["rows"] {
  if (!Array.isArray(value)) return null;
  const rows = new Map<string, { row: unknown; text: string }>();
  for (const row of value as unknown[]) {
    if (typeof row !== "object" || row === null) return null;
    rows.set(rowKey(list, { ...row }), { row, text: JSON.stringify(row) });
  }
  return rows.size === value.length ? rows : null;
}
