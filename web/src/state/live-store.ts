/**
 * What does a subscription know after the next message? Pure: a snapshot replaces, a delta changes, a hole in
 * the numbering asks for a new snapshot and changes nothing until it comes.
 */
import type { ServerMessage } from "../../../src/contract/live.ts";

export type View = Readonly<Record<string, unknown>>;

export interface Subscribed {
  /** Number of the last message taken; null before the first snapshot. */
  readonly seq: number | null;
  readonly view: View | null;
  /** True from the moment a hole was found until the snapshot that fills it. */
  readonly holed: boolean;
  readonly trouble: string | null;
}

export interface Step {
  readonly next: Subscribed;
  /** Whether `resync` must be sent now. Once a hole, however many messages follow it. */
  readonly resync: boolean;
}

export const UNBORN: Subscribed = { seq: null, view: null, holed: false, trouble: null };

/** Applies one message of this subscription. */
export function applyMessage(state: Subscribed, message: ServerMessage): Step {
  switch (message.type) {
    case "snapshot":
      return {
        next: {
          seq: message.seq,
          view: isRecord(message.view) ? message.view : {},
          holed: false,
          trouble: null,
        },
        resync: false,
      };
    case "trouble":
      return { next: { ...state, trouble: message.sentence }, resync: false };
    case "delta": {
      if (state.seq === null || state.view === null || message.seq !== state.seq + 1)
        return { next: { ...state, holed: true }, resync: !state.holed };
      // A hole further back is not mended by a number that happens to fit.
      if (state.holed) return { next: state, resync: false };
      let view: View = { ...state.view, ...message.set };
      if (message.rows !== undefined) view = changeRows(view, message.rows);
      return { next: { seq: message.seq, view, holed: false, trouble: null }, resync: false };
    }
  }
}

interface RowChange {
  readonly list: string;
  readonly upsert: readonly unknown[];
  readonly remove: readonly string[];
}

/** Rows known by key are replaced in place; new ones follow at the end, except that receptions arrive newest first. */
function changeRows(view: View, change: RowChange): View {
  const before = view[change.list];
  const rows = Array.isArray(before) ? before.filter(isRecord) : [];
  const fresh = new Map(change.upsert.filter(isRecord).map((row) => [rowKey(change.list, row), row]));
  const gone = new Set(change.remove);
  const kept: View[] = [];
  for (const row of rows) {
    const key = rowKey(change.list, row);
    if (gone.has(key)) continue;
    kept.push(fresh.get(key) ?? row);
    fresh.delete(key);
  }
  const added = [...fresh.values()];
  const all = change.list === "receptions" ? [...added, ...kept] : [...kept, ...added];
  return { ...view, [change.list]: all };
}

/**
 * The key of a row. Said a second time here because the contract's own function would bring its schema library
 * into the page; a test holds the two equal.
 */
export function rowKey(list: string, row: View): string {
  if (list === "nodes" || list === "attention") return `${String(row.devAddr)}/${String(row.life)}`;
  if (list === "gateways") return String(row.eui);
  return String(row.id);
}

function isRecord(value: unknown): value is View {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}
