/** Watches the room that the disk of the store has left, and how fast it shrinks. */
import { statfs } from "node:fs/promises";
import { type DiskSpaceFacts, type DiskSpaceJudgement, judgeDiskSpace } from "../diagnosis/notices.ts";

export interface DiskSpace extends DiskSpaceJudgement {
  readonly freeBytes: number | null;
}

/** Where nobody watches the disk. */
export const NO_DISK_SPACE: DiskSpace = { freeBytes: null, state: "unknown", lastsSeconds: null, words: "" };

export interface DiskSpaceOptions {
  /** Folder of the store. */
  readonly folder: string;
  /** Octets that this user may still write in a folder. Rejects where the system does not say. */
  readonly freeBytes?: (folder: string) => Promise<number>;
  /** Milliseconds that never step back. */
  readonly monotonicMs?: () => number;
  /** A sentence for the log when room becomes low, and again while it stays so. */
  readonly onLow: (sentence: string) => void;
}

/** Time between two looks. Chosen: at 50 MB/s, far more than a site brings, the room left at the limit lasts as long. */
const LOOK_INTERVAL_MS = 5_000;
/** The rate is taken over this time at most, so that it is the present one. */
const MAX_RATE_MS = 30 * 60_000;
/** And over this time at least: a single merge of the log is no rate. */
const MIN_RATE_MS = 60_000;
const LOG_INTERVAL_MS = 3_600_000;

async function freeIn(folder: string): Promise<number> {
  const { bavail, bsize } = await statfs(folder);
  return bavail * bsize;
}

export class DiskSpaceWatch {
  readonly #options: Required<DiskSpaceOptions>;
  #samples: { atMs: number; freeBytes: number }[] = [];
  #facts: DiskSpaceFacts = { freeBytes: null, lossBytesPerSecond: null };
  #loggedMs = Number.NEGATIVE_INFINITY;
  #timer: NodeJS.Timeout | null = null;

  constructor(options: DiskSpaceOptions) {
    this.#options = { freeBytes: freeIn, monotonicMs: () => performance.now(), ...options };
  }

  /** Looks now and from then on every few seconds, until `stop`. */
  async start(): Promise<void> {
    await this.look();
    this.#timer = setInterval(() => void this.look(), LOOK_INTERVAL_MS).unref();
  }

  stop(): void {
    if (this.#timer !== null) clearInterval(this.#timer);
  }

  get space(): DiskSpace {
    return { freeBytes: this.#facts.freeBytes, ...judgeDiskSpace(this.#facts) };
  }

  /** One look. Never rejects. */
  async look(): Promise<void> {
    const { folder, freeBytes: measure, monotonicMs, onLow } = this.#options;
    const freeBytes = await measure(folder).catch(() => null);
    const atMs = monotonicMs();
    if (freeBytes === null) {
      this.#samples = [];
      this.#facts = { freeBytes: null, lossBytesPerSecond: null };
      return;
    }
    this.#samples = [
      ...this.#samples.filter((sample) => atMs - sample.atMs <= MAX_RATE_MS),
      { atMs, freeBytes },
    ];
    const first = this.#samples[0] ?? { atMs, freeBytes };
    const seconds = (atMs - first.atMs) / 1_000;
    const loss = (first.freeBytes - freeBytes) / seconds;
    this.#facts = {
      freeBytes,
      lossBytesPerSecond: atMs - first.atMs >= MIN_RATE_MS && loss > 0 ? loss : null,
    };
    const { state, words } = this.space;
    if (state !== "low") this.#loggedMs = Number.NEGATIVE_INFINITY;
    else if (atMs - this.#loggedMs >= LOG_INTERVAL_MS) {
      this.#loggedMs = atMs;
      onLow(words);
    }
  }
}
