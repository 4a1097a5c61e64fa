/**
 * Everything that a person enters, as one union: marks, placements and their photos, positions, names, the bench's
 * reference, keys. One function writes each of them, in the transaction of its caller.
 */
import { readNodeKeysFile } from "../ledger/keys/file.ts";
import type { Picture } from "../wire/picture/plain-picture.ts";
import type { KeptRule } from "../words/format.ts";
import { addKeys, removeKeys } from "./keys.ts";
import type { Store } from "./open.ts";
import { changePlacements, type PlacementWork, writePlacementPhoto } from "./placements.ts";
import {
  type BenchRecordChangeRow,
  type BenchReferenceRow,
  writeBenchRecord,
  writeBenchReference,
  writeKeptRule,
  writeServiceSetting,
} from "./settings.ts";
import {
  changeMarks,
  type LabelChangeRow,
  type MarkWork,
  type PositionRequest,
  writeLabel,
  writePosition,
  writeSiteName,
} from "./user-data.ts";
import { notWritten, type Written, written } from "./written.ts";

export type UserChange =
  | { readonly entity: "mark"; readonly work: MarkWork }
  | { readonly entity: "placement"; readonly work: PlacementWork }
  /** null takes the photo away. */
  | { readonly entity: "photo"; readonly placementId: number; readonly picture: Picture | null }
  | { readonly entity: "position"; readonly request: PositionRequest }
  | { readonly entity: "label"; readonly change: LabelChangeRow }
  /** null takes the name back. */
  | { readonly entity: "site-name"; readonly name: string | null }
  /** null: the bench measures against no other gateway. */
  | { readonly entity: "bench-reference"; readonly reference: BenchReferenceRow | null }
  /** A serial number, or the signing off of a gateway on the bench. */
  | { readonly entity: "bench-record"; readonly change: BenchRecordChangeRow }
  /** What is watched, JSON. */
  | { readonly entity: "watch-rules"; readonly rules: string }
  /** What was reported of it, JSON. */
  | { readonly entity: "watch-state"; readonly state: string }
  /** What could not be delivered yet, JSON. */
  | { readonly entity: "watch-waiting"; readonly waiting: string }
  /** How far publishing to an MQTT broker has come, JSON. */
  | { readonly entity: "publish-place"; readonly place: string }
  /** What is kept; the removal follows by itself. */
  | { readonly entity: "kept-rule"; readonly rule: KeptRule }
  | { readonly entity: "keys"; readonly work: KeyWork };

export type KeyWork =
  /** The text of a key file. */
  | { readonly kind: "add"; readonly fileText: string }
  /** A device address (8 hex digits) or a DevEUI (16 hex digits). */
  | { readonly kind: "remove"; readonly id: string };

/** Writes what a person entered, or returns why not. Throws only what the store itself throws. */
export function writeUserChange(db: Store, change: UserChange): Written {
  switch (change.entity) {
    case "mark":
      return changeMarks(db, change.work);
    case "placement":
      return changePlacements(db, change.work);
    case "photo":
      return writePlacementPhoto(db, change.placementId, change.picture);
    case "position":
      return writePosition(db, change.request);
    case "label":
      return writeLabel(db, change.change);
    case "site-name":
      return writeSiteName(db, change.name);
    case "bench-reference":
      return writeBenchReference(db, change.reference);
    case "bench-record":
      return writeBenchRecord(db, change.change);
    case "watch-rules":
      return writeServiceSetting(db, "watch-rules", change.rules);
    case "watch-state":
      return writeServiceSetting(db, "watch-state", change.state);
    case "watch-waiting":
      return writeServiceSetting(db, "watch-waiting", change.waiting);
    case "publish-place":
      return writeServiceSetting(db, "publish-place", change.place);
    case "kept-rule":
      return writeKeptRule(db, change.rule);
    case "keys":
      return changeKeys(db, change.work);
  }
}

/** The count is the nodes of the file, or the sets that were removed. No fault shows a key. */
function changeKeys(db: Store, work: KeyWork): Written {
  if (work.kind === "add") {
    const reading = readNodeKeysFile(work.fileText);
    if (!reading.ok) return notWritten("key-file-unreadable", reading.sentence);
    addKeys(db, reading.nodes);
    return written(reading.nodes.length);
  }
  const { id } = work;
  const removed = removeKeys(db, id.length === 8 ? { devAddr: id } : { devEui: id });
  return removed === 0 ? notWritten("no-such-keys") : written(removed);
}
