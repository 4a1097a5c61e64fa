/**
 * Takes another store into this one: its datagrams, put together again, through the recorder as if they arrived, each
 * known by the digest that it came with, so that one which both hold is one; and what else it holds, as it is. In small
 * transactions, between which live traffic gets its turn. Taking it in twice changes nothing.
 */
import type { Arrival, Endpoint } from "../model/datagram.ts";
import { type MergedWords, mergeKeys, mergeRoundTrips, mergeWords, recordedRanges } from "../store/merge.ts";
import type { Store } from "../store/open.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { type RebuiltDatagram, rebuiltDatagrams } from "../store/rebuilt/datagrams.ts";
import { nothingRecorded, type Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder } from "../store/recorder.ts";
import { type Removed, removedOf } from "../store/retention.ts";
import { addTo, onceFree, recordBatch, workOffGaps } from "./record-batch.ts";

export interface StoreMergeOptions {
  readonly recorder: Pick<Recorder, "record" | "write" | "workOnGaps" | "newestUs" | "adopt" | "takeUp">;
  /** Take the keys of nodes over as well. */
  readonly withKeys: boolean;
  /** Lets other work of the thread run; throws to stop. */
  readonly pause: () => Promise<void>;
  readonly waitMs: (ms: number) => Promise<void>;
  /** Share done, 0 to 1. */
  readonly onProgress: (share: number) => void;
}

export interface StoreMergeOutcome extends MergedWords {
  readonly recorded: Recorded;
  /** Sets of keys; null: not asked for. */
  readonly keySets: number | null;
  /** What the other store had removed by its rule: nothing of it comes. */
  readonly removed: Removed | null;
}

/** Datagrams in one transaction: as of a capture. */
const DATAGRAMS_A_COMMIT = 100;

/** Takes in `other`, which is read in one state and not changed. */
export async function mergeStore(other: Store, options: StoreMergeOptions): Promise<StoreMergeOutcome> {
  const { recorder, pause, waitMs, onProgress } = options;
  const write = <T>(work: (db: Store) => T) => onceFree(() => recorder.write(work), waitMs);
  other.exec("BEGIN");
  try {
    const span = storedSpanUs(other);
    const removed = removedOf(other);
    const recorded = nothingRecorded();
    if (span !== null) {
      // Of what was removed there, single rows are left that would tell nothing but silence.
      const window = { fromUs: Math.max(span.fromUs, removed?.beforeUs ?? span.fromUs), toUs: span.toUs + 1 };
      for (const items of batches(rebuiltDatagrams(other, { window }))) {
        await record(recorder, items, recorded, waitMs);
        const atUs = items.at(-1)?.arrival.atUs ?? window.fromUs;
        onProgress(Math.min(0.95, (atUs - window.fromUs) / (window.toUs - window.fromUs)));
        await pause();
      }
    }
    const words = await write((db) => mergeWords(db, other));
    const keySets = options.withKeys ? await write((db) => mergeKeys(db, other)) : null;
    await write((db) => mergeRoundTrips(db, other));
    const ranges = await write((db) => recordedRanges(db, other));
    await onceFree(() => recorder.adopt(ranges), waitMs);
    if (keySets !== null && keySets > 0) await onceFree(() => recorder.takeUp(), waitMs);
    await workOffGaps({ recorder, pause, waitMs });
    return { ...words, keySets, recorded, removed };
  } finally {
    other.exec("COMMIT");
  }
}

async function record(
  recorder: StoreMergeOptions["recorder"],
  items: readonly (DecodedArrival | DownlinkArrival)[],
  total: Recorded,
  waitMs: (ms: number) => Promise<void>,
): Promise<void> {
  let left = items;
  await onceFree(() => {
    const { recorded, done, trouble } = recordBatch(recorder, left, { deferSettling: true, isMerged: true });
    addTo(total, recorded);
    left = left.slice(done);
    if (trouble !== null) throw trouble;
  }, waitMs);
}

function* batches(datagrams: Iterable<RebuiltDatagram>): Generator<(DecodedArrival | DownlinkArrival)[]> {
  let batch: (DecodedArrival | DownlinkArrival)[] = [];
  for (const datagram of datagrams) {
    const item = itemOf(datagram);
    if (item === null) continue;
    batch.push(item);
    if (batch.length < DATAGRAMS_A_COMMIT) continue;
    yield batch;
    batch = [];
  }
  if (batch.length > 0) yield batch;
}

const NOBODY: Endpoint = { address: "192.0.2.1", port: 1700 };

/** null: counted otherwise (acknowledgements), or of a version that kept no digest. */
function itemOf(rebuilt: RebuiltDatagram): DecodedArrival | DownlinkArrival | null {
  if (rebuilt.kind === "answer" || rebuilt.digest === null) return null;
  const arrival: Omit<Arrival, "from" | "to"> = {
    // The digest stands for octets that are not kept.
    bytes: new Uint8Array(0),
    atUs: rebuilt.atUs,
    door: "capture",
    digest: rebuilt.digest,
  };
  if (rebuilt.kind === "downlink") {
    const to = endpointOf(rebuilt.to);
    const downlink = { ok: true, datagram: rebuilt.datagram, oddities: [] } as const;
    return { arrival: { ...arrival, from: NOBODY, to }, downlink, gatewayEui: rebuilt.gatewayEui };
  }
  const decoding = { ok: true, datagram: rebuilt.datagram, oddities: [] } as const;
  return { arrival: { ...arrival, from: endpointOf(rebuilt.from), to: NOBODY }, decoding };
}

function endpointOf(text: string | null): Endpoint {
  const [address, port] = text?.split(" ") ?? [];
  return address === undefined || port === undefined ? NOBODY : { address, port: Number(port) };
}
