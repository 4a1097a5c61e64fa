/** The story of a node's link over the window: data rates, commands, status; with keys also what was encrypted. */

import type { LinkEventRow } from "../contract/index.ts";
import { type LinkFrame, linkEvents } from "../ledger/link/events.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { keysById } from "../store/keys.ts";
import type { Store } from "../store/open.ts";
import { downlinksToAddress } from "../store/queries/downlinks.ts";
import { type LinkFrameRecord, linkFrames } from "../store/queries/frames.ts";
import type { LifeRecord } from "../store/queries/lives.ts";
import { explainPayload } from "../wire/lorawan/explain-payload.ts";
import type { LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { decodePhyPayload } from "../wire/lorawan/phy-payload.ts";

/** Frames read for a story: about half a second of work at the most. */
const MAX_FRAMES = 5_000;
const MAX_EVENTS = 200;
/** An answer to a life's last uplink passes this long after it at the latest: RX2 opens after 16 s. */
const AFTER_LAST_US = 17_000_000;

export interface LinkStory {
  readonly story: LinkEventRow[];
  readonly storyCut: boolean;
}

/** A life's frames over the window as its story reads them, and the downlinks to it that passed, in order of time. */
export function linkFramesOf(
  store: Store,
  life: Pick<LifeRecord, "id" | "devAddr" | "firstAtUs" | "lastAtUs">,
  window: TimeRange,
): { readonly frames: readonly LinkFrame[]; readonly cut: boolean } {
  const records = linkFrames(store, life.id, window, MAX_FRAMES);
  const keysOf = new Map<number, LorawanKeys>();
  const frames = records.flatMap((record) => {
    const { keyId } = record;
    if (keyId !== null && !keysOf.has(keyId)) keysOf.set(keyId, keysById(store, keyId)?.keys ?? {});
    const frame = linkFrameOf(record, keyId === null ? {} : (keysOf.get(keyId) ?? {}));
    return frame === null ? [] : [frame];
  });
  const keyId = records.findLast((record) => record.keyId !== null)?.keyId ?? null;
  const span = {
    fromUs: Math.max(window.fromUs, life.firstAtUs),
    toUs: Math.min(window.toUs, life.lastAtUs + AFTER_LAST_US),
  };
  const down = downlinksToAddress(store, life.devAddr, span, MAX_FRAMES).flatMap((record) => {
    // A counter of its own that nothing here reconstructs: its upper half is taken for 0.
    const asFrame = { ...record, keyId, counter: record.fcnt, repeat: 0 };
    const frame = linkFrameOf(asFrame, keyId === null ? {} : (keysOf.get(keyId) ?? {}));
    return frame === null ? [] : [frame];
  });
  return {
    frames: [...frames, ...down].sort((a, b) => a.atUs - b.atUs),
    cut: records.length === MAX_FRAMES,
  };
}

/** `frames` and `cut` of linkFramesOf. */
export function linkStory({ frames, cut }: ReturnType<typeof linkFramesOf>): LinkStory {
  const events = linkEvents(frames);
  return {
    story: events.slice(-MAX_EVENTS).map(({ atUs, counter, kind, sentence, certainty, times }) => ({
      at: isoTime(atUs),
      counter,
      kind,
      sentence,
      certainty,
      times,
    })),
    storyCut: events.length > MAX_EVENTS || cut,
  };
}

function linkFrameOf(record: LinkFrameRecord, keys: LorawanKeys): LinkFrame | null {
  const decoded = decodePhyPayload(record.payload);
  if (!decoded.ok || !("fCnt" in decoded.value)) return null;
  const frame = decoded.value;
  return {
    atUs: record.atUs,
    counter: record.counter,
    messageType: frame.messageType,
    fCtrl: frame.fCtrl.raw,
    ...commandOctets(record, keys, frame.fOpts, frame.fPort === 0),
    modulation: modulationFromCodes(record.dataRate, 0),
    frequencyHz: record.frequencyHz,
    fPort: frame.fPort,
    repeat: record.repeat === 1,
  };
}

/** Where the commands of a frame stand, in clear if the keys allow it. */
function commandOctets(
  record: LinkFrameRecord,
  keys: LorawanKeys,
  fOpts: Uint8Array,
  isPort0: boolean,
): Pick<LinkFrame, "fOpts" | "fOptsAre"> {
  const nothing = new Uint8Array(0);
  if (fOpts.length === 0 && !isPort0) return { fOpts: nothing, fOptsAre: "assumed 1.0 clear text" };
  if (Object.keys(keys).length === 0 || record.counter === null) {
    return isPort0
      ? { fOpts: nothing, fOptsAre: "encrypted" }
      : { fOpts, fOptsAre: "assumed 1.0 clear text" };
  }
  const answer = explainPayload({
    bytes: record.payload,
    keys,
    facts: { fCntHigh: Math.floor(record.counter / 65_536) },
  });
  const clearHex = isPort0 ? answer.decryptedHex : answer.fOptsDecryptedHex;
  if (clearHex !== undefined) return { fOpts: Buffer.from(clearHex, "hex"), fOptsAre: "decrypted" };
  if (!isPort0 && answer.micValid === true && answer.lorawanVersion === "1.0") {
    return { fOpts, fOptsAre: "1.0 clear text" };
  }
  return { fOpts: nothing, fOptsAre: "encrypted" };
}
