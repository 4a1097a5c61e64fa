/**
 * What the parts of one answer ask for more than once is found once: it is kept with the window of the question, an object
 * of its own for each, and forgotten with it. Only while nothing is written; a writer's open transaction keeps nothing,
 * for a rollback takes rows back without a change of version.
 */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { isWriting, storeVersion } from "./statement.ts";

interface Found {
  readonly version: string;
  readonly values: Map<string, unknown>;
}

const found = new WeakMap<TimeRange, WeakMap<Store, Found>>();

/** `key`: names the question, with all that its answer depends on beside store and window. */
export function onceAnAnswer<T>(store: Store, window: TimeRange, key: string, find: () => T): T {
  if (isWriting(store)) return find();
  const version = storeVersion(store);
  let ofWindow = found.get(window);
  if (ofWindow === undefined) {
    ofWindow = new WeakMap();
    found.set(window, ofWindow);
  }
  let known = ofWindow.get(store);
  if (known?.version !== version) {
    known = { version, values: new Map() };
    ofWindow.set(store, known);
  }
  // One key has one type: it is written where it is asked for.
  if (known.values.has(key)) return known.values.get(key) as T;
  const value = find();
  known.values.set(key, value);
  return value;
}
