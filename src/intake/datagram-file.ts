/**
 * What is received, kept as it came: appended to a file of JSON lines (wire/capture/recorded-datagrams.ts) that
 * `import` reads. Nothing waits for it. What has no room in a bounded buffer is counted; a full disk, or a file that
 * was moved or deleted, ends it with a sentence, and the service goes on.
 */
import { type FileHandle, open, realpath, stat } from "node:fs/promises";
import type { Arrival } from "../model/datagram.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { encodeRecordedDatagram } from "../wire/capture/recorded-datagrams.ts";
import { figure } from "../words/format.ts";

/** Since the start of the service. */
export interface DatagramFileFigures {
  /** Datagrams in the file. */
  readonly written: number;
  /** Datagrams that are missing in it. */
  readonly lost: number;
  /** One sentence once something is missing; empty while all is well. */
  readonly words: string;
}

/** Where the lines go. `append` writes all of it or, rejecting, none. */
export interface LineSink {
  append(text: string): Promise<void>;
  close(): Promise<void>;
}

export interface DatagramFileOptions {
  /** As a person named it. */
  readonly name: string;
  readonly sink: LineSink;
  /** Its timers must not keep the thread alive. */
  readonly after: (delayMs: number, work: () => void) => void;
  readonly log: (sentence: string) => void;
}

/** Characters that wait for the disk, at most: some twenty thousand datagrams of a packet or three. Chosen. */
const MAX_WAITING_CHARACTERS = 16 * 1024 * 1024;
/** Lines gather for so long, so that the disk is not asked for each. Chosen. */
const GATHER_MS = 200;

export class DatagramFile {
  readonly #options: DatagramFileOptions;
  #text = "";
  #lines = 0;
  /** What the disk was given and has not confirmed. */
  #inFlight = { characters: 0, lines: 0 };
  #isSet = false;
  #writing: Promise<void> = Promise.resolve();
  #written = 0;
  #lost = 0;
  #hasToldLoss = false;
  /** Why nothing is written any more. */
  #endedBy: string | null = null;

  constructor(options: DatagramFileOptions) {
    this.#options = options;
  }

  /** Takes what was received or sent; never throws, never waits. */
  add(arrival: Omit<Arrival, "door">): void {
    if (this.#endedBy !== null) {
      this.#lost += 1;
      return;
    }
    if (this.#text.length + this.#inFlight.characters >= MAX_WAITING_CHARACTERS) {
      this.#lost += 1;
      if (!this.#hasToldLoss) this.#options.log(this.figures().words);
      this.#hasToldLoss = true;
      return;
    }
    this.#text += encodeRecordedDatagram(arrival);
    this.#lines += 1;
    if (this.#isSet) return;
    this.#isSet = true;
    this.#options.after(GATHER_MS, () => {
      this.#isSet = false;
      this.#writing = this.#writing.then(() => this.#write());
    });
  }

  figures(): DatagramFileFigures {
    return { written: this.#written, lost: this.#lost, words: this.#words() };
  }

  /** Writes what has gathered and closes the file; resolves then. A disk that hangs is left after `withinMs`. */
  async close(withinMs: number): Promise<void> {
    const { sink, after, log } = this.#options;
    const done = this.#writing
      .then(() => this.#write())
      .then(() => sink.close())
      .then(() => true)
      .catch(() => true);
    const isDone = await Promise.race([
      done,
      new Promise<false>((resolve) => after(withinMs, () => resolve(false))),
    ]);
    if (!isDone) this.#end("the disk did not answer in time");
    else if (this.#hasToldLoss && this.#endedBy === null) log(this.figures().words);
  }

  async #write(): Promise<void> {
    const lines = this.#lines;
    if (lines === 0 || this.#endedBy !== null) return;
    const text = this.#text;
    this.#text = "";
    this.#lines = 0;
    this.#inFlight = { characters: text.length, lines };
    try {
      await this.#options.sink.append(text);
      this.#written += lines;
    } catch (error) {
      this.#end(error instanceof Error ? error.message : String(error));
      await this.#options.sink.close().catch(() => undefined);
    }
    this.#inFlight = { characters: 0, lines: 0 };
  }

  #end(why: string): void {
    this.#endedBy = why;
    this.#lost += this.#lines + this.#inFlight.lines;
    this.#lines = 0;
    this.#text = "";
    this.#options.log(this.figures().words);
  }

  #words(): string {
    const { name } = this.#options;
    const missing = `${datagrams(this.#lost)} could not be written`;
    if (this.#endedBy !== null)
      return `The recording to ${name} has ended: ${this.#endedBy}. It holds ${datagrams(this.#written)} of this run; ${missing}. Start Mastlog again to go on.`;
    return this.#lost === 0 ? "" : `The disk of ${name} is too slow: ${missing} to it.`;
  }
}

function datagrams(count: number): string {
  return count === 1 ? "1 datagram" : `${figure(count)} datagrams`;
}

/**
 * Opens the file for appending, made for its owner alone (0600) when it is new. Rejects with StoreUnusable when it
 * cannot be, or when it is the store.
 */
export async function openLineSink(path: string, storePath: string): Promise<LineSink> {
  const remedy = "Name another file to record to.";
  try {
    const before = await stat(path).catch(() => null);
    if (before !== null && !before.isFile()) throw new Error("it is not a plain file");
    if (before !== null && (await realpath(path)) === (await realpath(storePath)))
      throw new Error("it is the store");
    const handle = await open(path, "a+", 0o600);
    return await fileSink(path, handle);
  } catch (error) {
    throw new StoreUnusable(
      `${path} cannot be recorded to: ${error instanceof Error ? error.message : String(error)}.`,
      remedy,
    );
  }
}

async function fileSink(path: string, handle: FileHandle): Promise<LineSink> {
  const { dev, ino, size } = await handle.stat({ bigint: true });
  // A line that was cut when the machine lost its power must not swallow the next one.
  let lead = size > 0n && !(await endsWithLineFeed(handle, Number(size))) ? "\n" : "";
  return {
    append: async (text) => {
      const there = await stat(path, { bigint: true }).catch(() => null);
      if (there?.ino !== ino || there.dev !== dev) throw new Error("the file was moved or deleted");
      try {
        await handle.appendFile(lead + text);
      } catch (error) {
        // What fitted of it ends amid a line.
        await handle.truncate(Number(there.size)).catch(() => undefined);
        throw error;
      }
      lead = "";
    },
    close: () => handle.close(),
  };
}

async function endsWithLineFeed(handle: FileHandle, size: number): Promise<boolean> {
  const { buffer } = await handle.read(Buffer.alloc(1), 0, 1, size - 1);
  return buffer[0] === 0x0a;
}
