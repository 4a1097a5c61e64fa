/**
 * How does a capture that is sent get onto the disk? Streamed into a file of our own naming, readable by its owner
 * only, never larger than allowed, few at a time; whatever goes wrong, no part of it is left behind.
 */
import { randomUUID } from "node:crypto";
import { createWriteStream } from "node:fs";
import { mkdir, readdir, rm, stat } from "node:fs/promises";
import { join } from "node:path";
import { type Readable, Transform } from "node:stream";
import { pipeline } from "node:stream/promises";
import { ServiceProblem } from "./errors.ts";

/** Octets of the largest capture: 2 GiB, days of a busy gateway. */
export const MOST_UPLOAD_OCTETS = 2 * 1024 ** 3;
/** Captures received at once: a disk gains nothing from more. */
const MOST_AT_ONCE = 2;
const OWN_FILE = /^upload-[0-9a-f-]{36}\.capture$/;
/** A file that old was left behind by a service that was killed. */
const LEFT_BEHIND_MS = 24 * 3600 * 1000;

export interface UploadSettings {
  readonly folder: string;
  readonly mostOctets: number;
  /** Milliseconds since 1970. */
  readonly now: () => number;
}

export class Uploads {
  readonly #settings: UploadSettings;
  readonly #running = new Set<AbortController>();

  constructor(settings: UploadSettings) {
    this.#settings = settings;
  }

  /** Stores a body; `announced` is its Content-Length, NaN when none was given. Resolves with the file's path. */
  async receive(body: Readable, announced: number): Promise<string> {
    const { folder, mostOctets } = this.#settings;
    if (announced > mostOctets) throw new ServiceProblem("too-large");
    if (this.#running.size >= MOST_AT_ONCE) throw new ServiceProblem("too-many-uploads");
    const abort = new AbortController();
    this.#running.add(abort);
    const path = join(folder, `upload-${randomUUID()}.capture`);
    try {
      await mkdir(folder, { recursive: true, mode: 0o700 });
      const counted = countOctets(mostOctets);
      const file = createWriteStream(path, { flags: "wx", mode: 0o600 });
      // The body itself is left whole: destroying it would cut the line before the answer could leave.
      const parts = body.iterator({ destroyOnReturn: false });
      await pipeline(parts, counted.stream, file, { signal: abort.signal });
      if (counted.octets() === 0) throw new ServiceProblem("empty-capture");
      return path;
    } catch (error) {
      await rm(path, { force: true });
      throw error;
    } finally {
      this.#running.delete(abort);
    }
  }

  /** Ends what is being received; the parts are removed. */
  stop(): void {
    for (const abort of this.#running) abort.abort();
  }

  /** Removes what a killed service left behind. */
  async tidy(): Promise<void> {
    const { folder, now } = this.#settings;
    for (const name of await readdir(folder).catch(() => [])) {
      if (!OWN_FILE.test(name)) continue;
      const path = join(folder, name);
      const age =
        now() -
        (await stat(path).then(
          ({ mtimeMs }) => mtimeMs,
          () => now(),
        ));
      if (age > LEFT_BEHIND_MS) await rm(path, { force: true });
    }
  }
}

function countOctets(most: number): { stream: Transform; octets: () => number } {
  let octets = 0;
  const stream = new Transform({
    transform(chunk: Buffer, _encoding, done) {
      octets += chunk.length;
      if (octets > most) done(new ServiceProblem("too-large"));
      else done(null, chunk);
    },
  });
  return { stream, octets: () => octets };
}
