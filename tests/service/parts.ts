/** What a service under test rests on: an intake that notes what it is told, and the answers of a small store. */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Readable } from "node:stream";
import type { FastifyInstance } from "fastify";
import { onTestFinished } from "vitest";
import type { TestOutcome } from "../../src/intake/downlink-test.ts";
import type {
  CaptureProgress,
  CommitDelta,
  IntakeFigures,
  IntakeHandle,
  TransmitRequest,
} from "../../src/intake/handle.ts";
import { buildService, type ServiceOptions } from "../../src/service/build.ts";
import type { Ask, AskedViews, Views } from "../../src/service/views.ts";
import type { Forgettable } from "../../src/store/forget.ts";
import type { UserChange } from "../../src/store/user-changes.ts";
import { type Written, written } from "../../src/store/written.ts";
import { NODE, NOW_MS, orchardViews } from "./orchard.ts";

export { NODE, NOW_MS, REFERENCE } from "./orchard.ts";

export const TOKEN = "orchard-token-of-32-characters-0";

export const WIDE: CommitDelta = { gateways: [], nodes: [], lastReceptionId: 1, wide: true };

export class FakeIntake implements Omit<IntakeHandle, "close"> {
  isSparing = false;
  looks = 0;
  readonly udp = [{ address: "127.0.0.1", port: 1700 }];
  readonly imported: { path: string; name: string; deleteAfter: boolean }[] = [];
  trouble: string | null = null;
  allowsTransmit = false;
  readonly transmitted: TransmitRequest[] = [];
  /** Runs before an import is answered. */
  onImport: (path: string) => void = () => {};
  now: IntakeFigures = {
    datagrams: 42,
    lastAtUs: NOW_MS * 1000,
    lastFrom: "192.0.2.7 40000",
    answeredAfterCommit: 40,
    answeredBeforeStored: 1,
    waiting: 0,
    dropped: 1,
    droppedBySource: [{ address: "198.51.100.9", port: 5_000, count: 1, lastAtUs: NOW_MS * 1000 }],
    kernelDrops: 3,
    receiveBuffer: { askedBytes: 8_388_608, grantedBytes: 212_992 },
    storage: "well",
    storageWords: "",
    check: { state: "sound", words: "Checked at the start: no damage." },
    datagramFile: null,
    relay: null,
  };
  readonly #commits = new Set<(delta: CommitDelta) => void>();
  readonly #captures = new Set<(progress: CaptureProgress) => void>();

  figures(): IntakeFigures {
    return this.now;
  }
  onCommit(listener: (delta: CommitDelta) => void): () => void {
    this.#commits.add(listener);
    return () => this.#commits.delete(listener);
  }
  async look(): Promise<void> {
    this.looks += 1;
  }
  onCapture(listener: (progress: CaptureProgress) => void): () => void {
    this.#captures.add(listener);
    return () => this.#captures.delete(listener);
  }
  async transmitTest(request: TransmitRequest): Promise<TestOutcome> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.transmitted.push(request);
    return {
      outcome: { result: "accepted", word: null, powerDbm: null },
      answeredAfterMs: 4.2,
      atUs: NOW_MS * 1000,
      to: { address: "192.0.2.7", port: 40_000 },
    };
  }
  async importCapture(request: { path: string; name: string; deleteAfter: boolean }): Promise<number> {
    this.onImport(request.path);
    if (this.trouble !== null) throw new Error(this.trouble);
    this.imported.push(request);
    return this.imported.length;
  }
  /** What people entered, in order. */
  readonly changes: UserChange[] = [];
  /** What came of the next change. */
  outcome: Written = written(7);
  async change(change: UserChange): Promise<Written> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.changes.push(change);
    return this.outcome;
  }
  #entered<Entity extends UserChange["entity"]>(entity: Entity): Extract<UserChange, { entity: Entity }>[] {
    return this.changes.filter(
      (change): change is Extract<UserChange, { entity: Entity }> => change.entity === entity,
    );
  }
  get labels() {
    return this.#entered("label").map(({ change }) => change);
  }
  get marks() {
    return this.#entered("mark").map(({ work }) => work);
  }
  get placements() {
    return this.#entered("placement").map(({ work }) => work);
  }
  get positions() {
    return this.#entered("position").map(({ request }) => request);
  }
  readonly forgotten: Forgettable[] = [];
  async forget(thing: Forgettable): Promise<Written> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.forgotten.push(thing);
    return written(1);
  }
  commit(delta: CommitDelta): void {
    for (const listener of this.#commits) listener(delta);
  }
  capture(progress: CaptureProgress): void {
    for (const listener of this.#captures) listener(progress);
  }
  get listeners(): number {
    return this.#commits.size + this.#captures.size;
  }
}

/** What a store answers; `asked` notes the questions. */
export interface NotedViews extends Views {
  readonly asked: unknown[][];
  /** Makes every answer fail. */
  trouble: Error | null;
  /** Lets a test change an answer on its way. */
  change: <T>(answer: T) => T;
}

/** The answers of the orchard's store, those given instead of them, and the questions noted. */
export function notedViews(instead: Partial<Views> = {}): NotedViews {
  const views = { ...orchardViews(), ...instead };
  const own = { asked: [] as unknown[][], trouble: null as Error | null, change: <T>(answer: T) => answer };
  return new Proxy(
    { ...views, ...own },
    {
      get(target, question: keyof NotedViews) {
        if (question in own) return target[question];
        const answer = target[question] as (...asked: unknown[]) => unknown;
        return (...asked: unknown[]) => {
          target.asked.push([question, ...asked]);
          if (target.trouble !== null) throw target.trouble;
          return target.change(answer(...asked));
        };
      },
    },
  );
}

export interface UnderTest {
  readonly app: FastifyInstance;
  readonly intake: FakeIntake;
  readonly views: NotedViews;
  readonly uploadFolder: string;
}

/** Questions that are answered here, after a turn of the event loop's queue. */
export function askOf(views: Views): Ask {
  return () =>
    new Proxy({} as AskedViews, {
      get: (_, question: keyof AskedViews) => {
        const answer = views[question].bind(views) as (...asked: unknown[]) => unknown;
        return async (...asked: unknown[]) => answer(...asked);
      },
    });
}

/** A service on fakes, or on the views given, closed when the test ends. */
export async function serviceUnderTest({
  views: given,
  ...part
}: Partial<ServiceOptions> & { readonly views?: Views } = {}): Promise<UnderTest> {
  const intake = new FakeIntake();
  const views = notedViews();
  const folder = mkdtempSync(join(tmpdir(), "mastlog-service-"));
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }));
  const uploadFolder = join(folder, "uploads");
  const app = await buildService({
    facts: given ?? views,
    ask: askOf(given ?? views),
    exports: {
      begin: async ({ what, format }) => ({
        name: `mastlog-${what}.${format}`,
        stream: Readable.from([Buffer.from("devAddr\r\n"), Buffer.from(`${NODE}\r\n`)]),
      }),
      list: () => [{ id: 1, name: "mastlog-nodes.csv", state: "running", share: 0.25, bytes: 48_000 }],
    },
    intake,
    webRoot: null,
    version: "0.0.1",
    now: () => NOW_MS,
    host: "127.0.0.1",
    port: 8470,
    token: null,
    uploadFolder,
    samplesFolder: null,
    logger: null,
    ownNames: () => ["192.0.2.20", "packing-shed", "packing-shed.local"],
    ...part,
  });
  onTestFinished(async () => {
    await app.close();
  });
  return { app, intake, views, uploadFolder };
}
