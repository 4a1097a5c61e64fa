/**
 * Exports asked for over HTTP: each is read by a thread of its own and flows as the asker takes it, so that a long one
 * holds up neither the service's thread nor a view. Whoever goes away ends theirs.
 */
import { Readable } from "node:stream";
import { Worker } from "node:worker_threads";
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem } from "../contract/common.ts";
import { type ExportFormat, type ExportProgress, ExportQuery, ExportsView } from "../contract/service.ts";
import { whyNot } from "../export/export.ts";
import type { StoreFile } from "../store/open.ts";
import { ServiceProblem } from "./errors.ts";
import { errorOf, type ReadingFailure } from "./reading-messages.ts";
import { askedWindow } from "./routes/answers.ts";

/** Worker data of an export thread. */
export interface ExportOrder {
  readonly file: StoreFile;
  readonly query: ExportQuery;
  readonly nowUs: number;
}

export type FromExportThread =
  | { readonly kind: "begun"; readonly name: string }
  | { readonly kind: "piece"; readonly bytes: Uint8Array; readonly share: number }
  | { readonly kind: "end" }
  | { readonly kind: "failed"; readonly failure: ReadingFailure };

/** A file on its way. */
export interface OpenExport {
  readonly name: string;
  readonly stream: Readable;
}

/** Begins an export; rejects when it cannot begin. */
export type BeginExport = (query: ExportQuery, nowUs: number) => Promise<OpenExport>;

export interface Exports {
  readonly begin: BeginExport;
  /** Those that run and those that ended lately, oldest first. */
  list(): ExportProgress[];
  /** Ends those that run; resolves once their threads are gone. */
  close(): Promise<void>;
}

export const CONTENT_TYPES: Readonly<Record<ExportFormat, string>> = {
  csv: "text/csv; charset=utf-8",
  jsonl: "application/x-ndjson; charset=utf-8",
  // Registered with IANA in 2024, as application/vnd.apache.parquet; a capture's type from memory.
  parquet: "application/vnd.apache.parquet",
  pcap: "application/vnd.tcpdump.pcap",
};

/** At once: each costs a thread and a snapshot that keeps the store's log from being merged. Chosen. */
const MAX_EXPORTS = 2;
/** How long one that ended is listed. Chosen: longer than a page waits between two looks. */
const LISTED_MS = 60_000;
const MAX_LISTED = 20;

type Run = { -readonly [Key in keyof ExportProgress]: ExportProgress[Key] } & { endedAtMs: number | null };

/** `nowMs`: a clock that only goes forward. */
export function openExports(file: StoreFile, nowMs: () => number = () => performance.now()): Exports {
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const program = new URL("./export-thread.js", import.meta.url);
  const running = new Map<Worker, Promise<void>>();
  let runs: Run[] = [];
  let begun = 0;
  const end = (run: Run, state: Run["state"]): void => {
    if (run.state !== "running") return;
    run.state = state;
    run.endedAtMs = nowMs();
  };
  return {
    begin: (query, nowUs) => {
      if (running.size >= MAX_EXPORTS) throw new ServiceProblem("too-many-exports");
      const order: ExportOrder = { file, query, nowUs };
      const worker = new Worker(program, { workerData: order });
      running.set(worker, new Promise((resolve) => worker.once("exit", () => resolve())));
      worker.once("exit", () => running.delete(worker));
      begun += 1;
      const run: Run = { id: begun, name: "", state: "running", share: 0, bytes: 0, endedAtMs: null };
      runs = [...runs.slice(-MAX_LISTED), run];
      return streamOf(worker, run, (state) => end(run, state));
    },
    list: () => {
      const sinceMs = nowMs() - LISTED_MS;
      runs = runs.filter(({ endedAtMs }) => endedAtMs === null || endedAtMs > sinceMs);
      return runs
        .filter(({ name }) => name !== "")
        .map(({ id, name, state, share, bytes }) => ({ id, name, state, share, bytes }));
    },
    close: async () => {
      for (const worker of running.keys()) void worker.terminate();
      await Promise.all(running.values());
    },
  };
}

function streamOf(worker: Worker, run: Run, end: (state: Run["state"]) => void): Promise<OpenExport> {
  return new Promise((resolve, reject) => {
    const stream = new Readable({
      read: () => worker.postMessage("more"),
      destroy: (error, done) => {
        // After the last piece this changes nothing: it is done.
        end("broken-off");
        void worker.terminate();
        done(error);
      },
    });
    const fail = (error: Error): void => {
      end("failed");
      reject(error);
      stream.destroy(error);
    };
    worker.on("message", (message: FromExportThread) => {
      switch (message.kind) {
        case "begun":
          run.name = message.name;
          resolve({ name: message.name, stream });
          break;
        case "piece":
          run.share = message.share;
          run.bytes += message.bytes.length;
          stream.push(message.bytes);
          break;
        case "end":
          run.share = 1;
          end("done");
          stream.push(null);
          break;
        case "failed":
          fail(errorOf(message.failure));
          break;
      }
    });
    worker.once("error", fail);
    worker.once("exit", () => {
      if (!stream.readableEnded) fail(new Error("The export was cut off."));
    });
  });
}

// GET /api/export: a table out of the store, as a file that flows while it is read. GET /api/exports: how far each is.

export interface ExportRouteOptions {
  readonly exports: Pick<Exports, "begin" | "list">;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

export const exportRoutes: FastifyPluginAsyncZod<ExportRouteOptions> = async (app, { exports, nowUs }) => {
  app.get(
    "/api/exports",
    {
      schema: {
        summary: "Exports over HTTP that run, or that ended in the last minute, and how far they are",
        response: { 200: ExportsView, "4xx": Problem, "5xx": Problem },
      },
    },
    async () => ({ exports: exports.list() }),
  );

  app.get(
    "/api/export",
    {
      schema: {
        summary:
          "A table as a file: CSV, JSON lines, one Parquet file, or a packet capture of the receptions",
        querystring: ExportQuery,
        response: {
          200: {
            description: "the file, streamed; its name stands in content-disposition",
            content: Object.fromEntries(
              Object.values(CONTENT_TYPES).map((type) => [
                type.split(";")[0],
                { schema: z.string().describe("octets") },
              ]),
            ),
          },
          "4xx": Problem,
          "5xx": Problem,
        },
      },
    },
    async (request, reply) => {
      const { from, to, last, site, ...question } = request.query;
      const reason = whyNot(question.what, question.format);
      if (reason !== null) throw new ServiceProblem("bad-request", reason);
      const window = askedWindow({ from, to, last, site });
      const { name, stream } = await exports.begin({ ...question, ...window }, nowUs());
      request.signal.addEventListener("abort", () => stream.destroy());
      return reply
        .type(CONTENT_TYPES[question.format])
        .header("content-disposition", `attachment; filename="${name}"`)
        .send(stream);
    },
  );
};
