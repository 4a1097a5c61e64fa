/** The scene of one stored gap, read afresh for who wants to look at it. */
import type { Scene } from "../../model/scene.ts";
import type { Store } from "../open.ts";
import type { StoredGap } from "../queries/gaps.ts";
import { recordedTimeOf } from "../recorded-time.ts";
import { OutageBook } from "./outage-book.ts";
import { SceneBlocks } from "./scene-blocks.ts";
import { SceneReader } from "./scene-reader.ts";

/** null: its life is there no more. */
export function sceneOfGap(store: Store, gap: StoredGap): Scene | null {
  const newestUs = store.prepare("SELECT max(last_at_us) FROM gateway").pluck().get() as number | null;
  if (newestUs === null) return null;
  const reader = new SceneReader(store, new SceneBlocks(store), new OutageBook(store, recordedTimeOf(store)));
  return reader.read({ ...gap, open: gap.open === 1, expectedByRhythm: gap.expected }, newestUs, newestUs);
}
