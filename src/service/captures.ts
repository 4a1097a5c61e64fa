/** Captures: which were read, send one, open a sample. */
import { randomUUID } from "node:crypto";
import { createWriteStream, existsSync, readFileSync } from "node:fs";
import { mkdir, readdir, rm, stat } from "node:fs/promises";
import { basename, join } from "node:path";
import { Readable, Transform } from "node:stream";
import { pipeline } from "node:stream/promises";
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { IsoTime } from "../contract/common.ts";
import { CaptureBegun, CapturesView, type SampleRow } from "../contract/service.ts";
import type { CaptureProgress, IntakeHandle } from "../intake/handle.ts";
import { assertWritten, ServiceProblem } from "./errors.ts";
import { answers, asks } from "./routes/answers.ts";

// Which sample captures came with the program, and where do they lie? Only those that their index names.

const SampleIndex = z.array(
  z.object({
    file: z.string().refine((file) => file === basename(file), "a file of the folder itself"),
    title: z.string(),
    sentence: z.string(),
    fromIso: IsoTime,
    toIso: IsoTime,
    names: z
      .object({ gateways: z.record(z.string(), z.string()), nodes: z.record(z.string(), z.string()) })
      .default({ gateways: {}, nodes: {} }),
  }),
);

/** What a sample's gateways and nodes are called, for those that nobody has named. */
export interface SampleName {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly name: string;
}

interface SampleCaptures {
  readonly rows: readonly SampleRow[];
  /** Path of a sample by its exact name in the index; null when there is none. */
  pathOf(file: string): string | null;
  namesOf(file: string): readonly SampleName[];
}

/** Reads `index.json` of the folder; without a folder or an index there are no samples. */
export function sampleCaptures(folder: string | null): SampleCaptures {
  if (folder === null || !existsSync(join(folder, "index.json"))) {
    return { rows: [], pathOf: () => null, namesOf: () => [] };
  }
  const index = SampleIndex.parse(JSON.parse(readFileSync(join(folder, "index.json"), "utf8")));
  const rows = index.map(({ fromIso, toIso, names: _names, ...rest }) => ({
    ...rest,
    from: fromIso,
    to: toIso,
  }));
  return {
    rows,
    pathOf: (file) => (rows.some((row) => row.file === file) ? join(folder, file) : null),
    namesOf: (file) => {
      const names = index.find((sample) => sample.file === file)?.names;
      if (names === undefined) return [];
      return [...namesOf("gateway", names.gateways), ...namesOf("node", names.nodes)];
    },
  };
}

function namesOf(kind: SampleName["kind"], names: Readonly<Record<string, string>>): SampleName[] {
  return Object.entries(names).map(([id, name]) => ({ kind, id, name }));
}

// How does a capture that is sent get onto the disk? Streamed into a file of our own naming, readable by its owner
// only, never larger than allowed, few at a time; whatever goes wrong, no part of it is left behind.

/** Octets of the largest capture: 2 GiB, days of a busy gateway. */
export const MAX_UPLOAD_OCTETS = 2 * 1024 ** 3;
/** Captures received at once: a disk gains nothing from more. */
const MAX_AT_ONCE = 2;
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
    if (this.#running.size >= MAX_AT_ONCE) throw new ServiceProblem("too-many-uploads");
    const abort = new AbortController();
    this.#running.add(abort);
    const path = join(folder, `upload-${randomUUID()}.capture`);
    try {
      await mkdir(folder, { recursive: true, mode: 0o700 });
      // From Node 22 on, a pipeline that is stopped, or begins so, waits for a body that sends nothing more.
      abort.signal.throwIfAborted();
      const counted = countOctets(mostOctets);
      const file = createWriteStream(path, { flags: "wx", mode: 0o600 });
      // The body itself is left whole: destroying it would cut the line before the answer could leave.
      const parts = body.iterator({ destroyOnReturn: false });
      const writing = pipeline(parts, counted.stream, file, { signal: abort.signal });
      await Promise.race([writing, rejectedAt(abort.signal)]);
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

/** Rejects when the signal comes. */
function rejectedAt(signal: AbortSignal): Promise<never> {
  return new Promise((_, reject) => {
    signal.addEventListener("abort", () => reject(signal.reason), { once: true });
  });
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

export interface CaptureRouteOptions {
  /** The view, with the progress of what is being read. */
  readonly captures: () => CapturesView;
  readonly intake: Pick<IntakeHandle, "importCapture" | "change">;
  readonly uploads: Uploads;
  readonly samples: SampleCaptures;
}

export const captureRoutes: FastifyPluginAsyncZod<CaptureRouteOptions> = async (app, options) => {
  const { captures, intake, uploads, samples } = options;
  // The octets go to the disk as they come; nothing of a capture is gathered in memory.
  app.addContentTypeParser("application/octet-stream", (_request, payload, done) => done(null, payload));

  async function begin(path: string, name: string, deleteAfter: boolean): Promise<CaptureBegun> {
    try {
      return { captureId: await intake.importCapture({ path, name, deleteAfter }) };
    } catch (error) {
      // The intake's thread hands over sentences made for people.
      const sentence = error instanceof Error ? error.message.slice(0, 500) : "";
      throw new ServiceProblem("capture-unreadable", sentence === "" ? undefined : sentence);
    }
  }

  app.get("/api/captures", asks("Captures that were read, and samples", CapturesView), async () =>
    captures(),
  );

  app.post(
    "/api/captures",
    {
      schema: {
        summary: "Send a capture: the file's octets as application/octet-stream",
        consumes: ["application/octet-stream"],
        querystring: z.object({
          name: z.string().min(1).max(1000).describe("the file's name, for the list"),
        }),
        response: answers(CaptureBegun),
      },
    },
    async (request, reply) => {
      const body: unknown = request.body;
      if (!(body instanceof Readable)) throw new ServiceProblem("wrong-media-type");
      let path: string;
      try {
        path = await uploads.receive(body, Number(request.headers["content-length"] ?? Number.NaN));
      } catch (error) {
        // What is still on its way is not read: the line ends with the answer.
        reply.header("connection", "close");
        throw error;
      }
      return begin(path, displayName(request.query.name), true);
    },
  );

  app.post(
    "/api/samples/:file",
    asks("Read in a sample capture that came with the program", CaptureBegun, {
      params: z.object({ file: z.string().min(1).max(100) }),
    }),
    async (request) => {
      const { file } = request.params;
      const path = samples.pathOf(file);
      if (path === null) throw new ServiceProblem("no-such-sample");
      const begun = await begin(path, file, false);
      for (const name of samples.namesOf(file))
        assertWritten(await intake.change({ entity: "label", change: { ...name, unlessNamed: true } }));
      return begun;
    },
  );
};

/** A file's name as the list shows it: without folders and without what cannot be seen. */
function displayName(given: string): string {
  const last = given.split(/[/\\]/).at(-1) ?? "";
  const visible = last.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, "").trim();
  return visible === "" ? "capture" : [...visible].slice(0, 200).join("");
}

// How far has the reading of each capture come? The intake tells it; the view of captures shows it.

export class CaptureProgressList {
  readonly #shares = new Map<number, number>();

  note({ captureId, progress, state }: CaptureProgress): void {
    if (state === "reading") this.#shares.set(captureId, progress);
    else this.#shares.delete(captureId);
  }

  /** Share read, 0 to 1; null when it is not being read. */
  of(captureId: number): number | null {
    return this.#shares.get(captureId) ?? null;
  }
}
