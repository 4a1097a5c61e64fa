/**
 * How is a capture file taken in? Through the same decoder and recorder as live traffic, with the capture's own
 * times, in small transactions between which live traffic gets its turn. Reading a file twice changes nothing.
 */
import { formatDistanceStrict } from "date-fns";
import { beginCapture, type CaptureFigures, endCapture, findReadCapture } from "../store/captures.ts";
import type { Store } from "../store/open.ts";
import { MAX_CAPTURE_PAUSE_US } from "../store/recorder/recorded-time-writer.ts";
import { nothingRecorded, type Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder } from "../store/recorder.ts";
import { type CaptureItem, isDownstream } from "../wire/capture/capture-decoder.ts";
import { decodeDownstream } from "../wire/forwarder/downstream.ts";
import { decodeUpstream } from "../wire/forwarder/upstream.ts";
import { figure } from "../words/format.ts";
import { type CaptureReading, digestCapture, openCapture } from "./capture-reader.ts";
import type { CaptureProgress } from "./handle.ts";
import { addTo, onceFree, recordBatch, workOffGaps } from "./record-batch.ts";

// Does the clock of a capture jump? Watches the times of its packets, in the order of the file.

/** Packets of several interfaces stand in a file in slightly wrong order; further back the clock was set. Chosen. */
const MAX_DISORDER_US = 60_000_000;
/** More steps back than this are disorder, not a clock. Chosen. */
const MAX_STEPS_BACK = 3;

export class CaptureClock {
  #packets = 0;
  #lastUs: number | null = null;
  #forward = 0;
  #back = 0;
  #first: { readonly byUs: number; readonly afterPacket: number } | null = null;

  /** The next packet of the file; null: its time is not known. */
  packet(atUs: number | null): void {
    this.#packets += 1;
    if (atUs === null) return;
    const byUs = this.#lastUs === null ? 0 : atUs - this.#lastUs;
    if (byUs > MAX_CAPTURE_PAUSE_US) this.#forward += 1;
    else if (byUs < -MAX_DISORDER_US) this.#back += 1;
    if (byUs > MAX_CAPTURE_PAUSE_US || byUs < -MAX_DISORDER_US)
      this.#first ??= { byUs, afterPacket: this.#packets - 1 };
    this.#lastUs = atUs;
  }

  /** Returns one sentence; null while nothing is wrong. */
  sentence(): string | null {
    if (this.#first === null) return null;
    const { byUs, afterPacket } = this.#first;
    if (this.#forward === 0 && this.#back > MAX_STEPS_BACK)
      return `The packets of this capture are not in order of time: ${figure(this.#back)} steps back.`;
    const size = formatDistanceStrict(0, Math.abs(byUs) / 1000);
    const more = this.#forward + this.#back - 1;
    const others = more === 0 ? "" : `, and ${more === 1 ? "once" : `${figure(more)} times`} more`;
    return `The clock of this capture jumps ${byUs < 0 ? "back " : ""}by ${size} after packet ${figure(afterPacket)}${others}.`;
  }
}

export interface CaptureImportOptions {
  readonly recorder: Pick<Recorder, "record" | "endCapture" | "write" | "workOnGaps" | "newestUs">;
  readonly nowUs: () => number;
  /** Lets other work of the thread run. */
  readonly pause: () => Promise<void>;
  /** Resolves after so long. */
  readonly waitMs: (ms: number) => Promise<void>;
  readonly onProgress: (progress: CaptureProgress) => void;
  readonly onRecorded: (recorded: Recorded) => void;
  /** UDP port of the server in the capture; recognised by what crosses it when not given. */
  readonly udpPort?: number | undefined;
  /** Asked again and again: true while nobody else records into the store. Absent: never. */
  readonly isAlone?: () => boolean;
}

/** What one reading brought. */
export interface CaptureOutcome {
  readonly captureId: number;
  /** The same content had been read to its end before: nothing was done. */
  readonly readBefore: boolean;
  readonly figures: CaptureFigures;
  /** What of the file itself could not be read, in a sentence; null when all could. */
  readonly damage: string | null;
}

/** Datagrams in one transaction: so that a keepalive of live traffic waits no more than some 10 ms. */
const DATAGRAMS_A_COMMIT = 100;
/** The same where no service records. Chosen: all that is read in one piece, which costs 7 % less. */
const DATAGRAMS_A_COMMIT_ALONE = 500;

export class CaptureImport {
  readonly #options: CaptureImportOptions;
  #stopped = false;

  constructor(options: CaptureImportOptions) {
    this.#options = options;
  }

  /** Ends running readings at their next commit; they are marked as failed and can be read again. */
  stop(): void {
    this.#stopped = true;
  }

  /**
   * Reads a capture to its end; `onBegun` hears the id of its row once that exists. Rejects with CaptureUnreadable
   * when the file is none, before anything is written; and with the store's error when that refuses.
   */
  async read(path: string, name: string, onBegun: (captureId: number) => void): Promise<CaptureOutcome> {
    const { recorder, udpPort, nowUs, waitMs } = this.#options;
    const write = <T>(work: (db: Store) => T) => onceFree(() => recorder.write(work), waitMs);
    const reading = await openCapture(path, { udpPort });
    const digest = await digestCapture(path);
    const before = await write((db) => findReadCapture(db, digest));
    if (before !== null) {
      onBegun(before);
      this.#options.onProgress({ captureId: before, progress: 1, state: "done" });
      return { captureId: before, readBefore: true, figures: figuresOf(nothingRecorded()), damage: null };
    }
    const size = reading.sizeOctets;
    const captureId = await write((db) => beginCapture(db, { name, digest, size, startedAtUs: nowUs() }));
    onBegun(captureId);
    const total = nothingRecorded();
    try {
      const damage = await this.#readItems(reading, captureId, total);
      await this.#end(captureId, "done", damage, total);
      return { captureId, readBefore: false, figures: figuresOf(total), damage };
    } catch (error) {
      // What was recorded stays: reading the file again finds it and goes on.
      await this.#end(captureId, "failed", error instanceof Error ? error.message : String(error), total);
      throw error;
    }
  }

  async #readItems(reading: CaptureReading, captureId: number, total: Recorded): Promise<string | null> {
    const { recorder, onProgress, pause, waitMs } = this.#options;
    const faults = new Map<string, number>();
    const clock = new CaptureClock();
    for await (const items of reading.items()) {
      const datagrams: (DecodedArrival | DownlinkArrival)[] = [];
      for (const item of items) {
        clock.packet(item.kind === "datagram" ? item.arrival.atUs : item.atUs);
        if (item.kind === "datagram") datagrams.push(decode(item, reading.serverPorts));
        else faults.set(item.fault.reason, (faults.get(item.fault.reason) ?? 0) + 1);
      }
      const most = this.#options.isAlone?.() === true ? DATAGRAMS_A_COMMIT_ALONE : DATAGRAMS_A_COMMIT;
      for (let i = 0; i < datagrams.length; i += most) {
        if (this.#stopped) throw new Error("the service ended while reading it");
        let batch = datagrams.slice(i, i + most);
        await onceFree(() => {
          const { recorded, done, trouble } = recordBatch(recorder, batch, {
            deferSettling: true,
            captureId,
          });
          this.#note(total, recorded);
          batch = batch.slice(done);
          if (trouble !== null) throw trouble;
        }, waitMs);
        await pause();
      }
      const progress = reading.sizeOctets === 0 ? 1 : reading.readOctets / reading.sizeOctets;
      onProgress({ captureId, progress: Math.min(0.99, progress), state: "reading" });
    }
    this.#note(total, await onceFree(() => recorder.endCapture(), waitMs));
    await workOffGaps({ recorder, pause, waitMs, isStopped: () => this.#stopped });
    const sentences = [clock.sentence(), describeDamage(faults)].filter((one) => one !== null);
    return sentences.length === 0 ? null : sentences.join(" ");
  }

  #note(total: Recorded, recorded: Recorded): void {
    addTo(total, recorded);
    this.#options.onRecorded(recorded);
  }

  async #end(
    captureId: number,
    state: "done" | "failed",
    trouble: string | null,
    total: Recorded,
  ): Promise<void> {
    const { recorder, nowUs, onProgress, waitMs } = this.#options;
    const figures = figuresOf(total);
    const row = { state, finishedAtUs: nowUs(), trouble, figures };
    await onceFree(() => recorder.write((db) => endCapture(db, captureId, row)), waitMs);
    onProgress({ captureId, progress: 1, state });
  }
}

/**
 * The paths in the order of their captures' first datagrams, so that what follows another is read after it. Files that
 * hold none, or cannot be read, come last.
 */
export async function inOrderOfTime(paths: readonly string[], udpPort?: number): Promise<string[]> {
  if (paths.length < 2) return [...paths];
  const begins: { path: string; atUs: number }[] = [];
  for (const path of paths) begins.push({ path, atUs: await firstDatagramUs(path, udpPort) });
  return begins.sort((a, b) => a.atUs - b.atUs).map(({ path }) => path);
}

async function firstDatagramUs(path: string, udpPort: number | undefined): Promise<number> {
  try {
    const reading = await openCapture(path, { udpPort });
    for await (const items of reading.items()) {
      for (const item of items) if (item.kind === "datagram") return item.arrival.atUs;
    }
  } catch {
    // Reading it says what is wrong with it.
  }
  return Number.MAX_SAFE_INTEGER;
}

function decode(
  { arrival }: Extract<CaptureItem, { kind: "datagram" }>,
  serverPorts: readonly number[],
): DecodedArrival | DownlinkArrival {
  if (!isDownstream(arrival, serverPorts)) return { arrival, decoding: decodeUpstream(arrival.bytes) };
  return { arrival, downlink: decodeDownstream(arrival.bytes) };
}

function figuresOf(total: Recorded): CaptureFigures {
  const { datagrams, receptions, knownAlready, refused, answers } = total;
  const any = Number.isFinite(total.fromUs);
  return {
    fromUs: any ? total.fromUs : null,
    toUs: any ? total.toUs : null,
    datagrams,
    receptions,
    knownAlready,
    refused,
    answers,
  };
}

const DAMAGE_WORDS: Readonly<Record<string, string>> = {
  snapped: "frames were cut when the capture was taken (tcpdump -s)",
  gzip_cut: "the packed file ends early",
  gzip: "the packed file is damaged",
  cut: "the file ends in the middle of a frame",
  fragment_missing: "datagrams of which a fragment is missing",
  link_type: "frames of a kind that is not known",
};

/** Noted beside datagrams that were read all the same. */
const STILL_READ: ReadonlySet<string> = new Set(["timestamp_borrowed", "captured_length"]);

/** "Not everything could be read: 3 × frames were cut …"; null when nothing was damaged. */
function describeDamage(faults: ReadonlyMap<string, number>): string | null {
  const losses = [...faults].filter(([reason]) => !STILL_READ.has(reason));
  if (losses.length === 0) return null;
  const parts = losses.map(([reason, count]) => {
    const words = DAMAGE_WORDS[reason] ?? reason.replaceAll("_", " ");
    return count === 1 ? words : `${figure(count)} × ${words}`;
  });
  return `Not everything could be read: ${parts.join("; ")}.`;
}
