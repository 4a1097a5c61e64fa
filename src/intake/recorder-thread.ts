/**
 * The recorder's own thread: decoding, ledger, the one writing connection, user data, capture files, the search for gaps.
 * No gateway waits for it: the listener (or the relay) hands datagrams over and answers them. Started by start.ts;
 * its settings are its worker data, its life ends with `close`.
 */
import { rm } from "node:fs/promises";
import { parentPort, workerData } from "node:worker_threads";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { readNodeKeysFile } from "../ledger/keys/file.ts";
import { failAbandonedCaptures } from "../store/captures.ts";
import { beginForgetting } from "../store/forget.ts";
import { addKeys, removeKeys } from "../store/keys.ts";
import { type Store, StoreUnusable } from "../store/open.ts";
import { changePlacements, writePlacementPhoto } from "../store/placements.ts";
import { Recorder } from "../store/recorder.ts";
import { ServiceStore } from "../store/service-store.ts";
import {
  changeMarks,
  writeBenchReference,
  writeLabel,
  writePosition,
  writeSiteName,
} from "../store/user-data.ts";
import { CaptureImport } from "./capture-import.ts";
import { followCheck } from "./follow-check.ts";
import { onceFree } from "./record-batch.ts";
import { openRecorderInput } from "./recorder-input.ts";
import { DeltaGatherer, followForgetting, followGaps, keepHeartbeat } from "./recorder-tasks.ts";
import { RecordingQueue } from "./recording-queue.ts";
import { processMs, systemTimeUs, takeClockSteps } from "./system-time.ts";
import type { FromRecorderThread, RecorderSettings, ToRecorderThread } from "./thread-messages.ts";
import { setThreadPriority } from "./thread-priority.ts";

/** The writer waits this long for another process's lock before it puts data aside and says so. */
const WRITER_BUSY_MS = 15;
const FIGURES_EVERY_MS = 500;
/** In line the recording gives way to the passage. Chosen: a third of an equal thread's share when both want all. */
const GIVES_WAY = 5;
const DELTA_AFTER_MS = 100;
/** At the end the search for gaps goes on for at most so long; what is left is done at the next start. */
const LAST_GAPS_MS = 1_500;
/** At the end: what was handed over is recorded, for so long at most. */
const LAST_RECORDING_MS = 5_500;
/** Of the time for the end, this is kept for storing the ledger's states and merging the log of changes. Chosen. */
const CLOSING_MS = 2_000;

const port = parentPort;
if (port === null) throw new Error("src/intake/recorder-thread.ts runs as a worker thread only.");
const settings = workerData as RecorderSettings;

function say(message: FromRecorderThread): void {
  port?.postMessage(message);
}

const clock = {
  monotonicMs: () => performance.now(),
  after: (delayMs: number, work: () => void) => void setTimeout(work, delayMs),
  soon: (work: () => void) => void setImmediate(work),
};

async function run(): Promise<void> {
  if (settings.inLine) setThreadPriority(GIVES_WAY);
  let store: ServiceStore;
  const gatherer = new DeltaGatherer(
    (delta) => say({ kind: "committed", delta }),
    (work) => void setTimeout(work, DELTA_AFTER_MS),
  );
  try {
    store = await ServiceStore.open(settings.dbPath);
  } catch (error) {
    const remedy = error instanceof StoreUnusable ? error.remedy : "Name another file with --db.";
    say({ kind: "unable", sentence: sentenceOf(error), remedy });
    return;
  }
  const { db } = store;
  failAbandonedCaptures(db, systemTimeUs());
  db.pragma(`busy_timeout = ${WRITER_BUSY_MS}`);
  const recorder = new Recorder(db, judgeGap, () => store.assertInPlace());
  const queue: RecordingQueue = new RecordingQueue({
    recorder,
    clock,
    onRecorded: (recorded) => gatherer.add(recorded),
    onStored: (count) => input.stored(count),
  });
  const heartbeat = keepHeartbeat({
    recorder,
    nowUs: systemTimeUs,
    takeSteps: takeClockSteps,
    after: clock.after,
    log: (sentence) => say({ kind: "log", sentence }),
  });
  const input = openRecorderInput(settings.input, queue, (untilMs) => {
    const leftMs = untilMs === null ? LAST_RECORDING_MS : untilMs - CLOSING_MS - processMs();
    queue.drain(clock.monotonicMs() + Math.min(LAST_RECORDING_MS, leftMs));
  });
  const check = followCheck(db, (sentence) => say({ kind: "log", sentence }));
  const postFigures = () => {
    const figures = queue.figures();
    const problem = store.check();
    const storage = problem === null ? {} : { storage: "failed" as const, storageWords: problem };
    say({ kind: "figures", figures: { ...figures, ...storage, check: check.now() } });
  };
  const figuresTimer = setInterval(postFigures, FIGURES_EVERY_MS);
  const imports = new CaptureImport({
    recorder,
    nowUs: systemTimeUs,
    pause: () => new Promise((resume) => setImmediate(resume)),
    waitMs,
    onProgress: (progress) => say({ kind: "capture", progress }),
    onRecorded: (recorded) => gatherer.add(recorded),
  });

  let importing = 0;
  const gapWork = followGaps({
    recorder,
    // Without traffic no batch would tell what was counted again.
    onStep: () => {
      if (recorder.takeSettled()) gatherer.widen();
    },
    isBusy: () => importing > 0 || queue.figures().waiting > 0,
    nowUs: () => (queue.hasHeard ? systemTimeUs() : null),
    after: clock.after,
    monotonicMs: () => performance.now(),
  });

  const forgetting = followForgetting({
    recorder,
    isBusy: () => importing > 0 || queue.figures().waiting > 0,
    after: clock.after,
    onStep: () => gatherer.widen(),
    log: (sentence) => say({ kind: "log", sentence }),
  });

  port?.on("message", (message: ToRecorderThread) => {
    if (message.kind === "import") void startImport(message);
    else if (message.kind === "label")
      void answer(message.ticket, () => said((db) => writeLabel(db, message.label)));
    else if (message.kind === "marks")
      void answer(message.ticket, () => said((db) => changeMarks(db, message.work)));
    else if (message.kind === "placements")
      void answer(message.ticket, () => said((db) => changePlacements(db, message.work)));
    else if (message.kind === "placement-photo")
      void answer(message.ticket, () => said((db) => writePlacementPhoto(db, message.id, message.picture)));
    else if (message.kind === "position")
      void answer(message.ticket, () => said((db) => writePosition(db, message.position)));
    else if (message.kind === "bench-reference")
      void answer(message.ticket, () => said((db) => writeBenchReference(db, message.reference)));
    else if (message.kind === "forget")
      void answer(message.ticket, async () => {
        const isThere = await said((db) => beginForgetting(db, message.thing));
        forgetting.begin();
        return isThere;
      });
    else if (message.kind === "name-site")
      void answer(message.ticket, () => said((db) => writeSiteName(db, message.name)));
    else if (message.kind === "add-keys") void answer(message.ticket, () => takeKeys(message.fileText));
    else if (message.kind === "remove-keys") void answer(message.ticket, () => dropKeys(message.id));
    else if (message.kind === "close") void shutDown(message.untilMs);
    else message satisfies never;
  });
  say({ kind: "ready" });

  async function startImport(message: Extract<ToRecorderThread, { kind: "import" }>): Promise<void> {
    const { ticket, path, name, deleteAfter } = message;
    importing += 1;
    try {
      await imports.read(path, name, (captureId) => {
        gatherer.widen();
        say({ kind: "done", ticket, result: captureId, trouble: null });
      });
    } catch (error) {
      say({ kind: "done", ticket, result: 0, trouble: sentenceOf(error) });
    } finally {
      importing -= 1;
      gatherer.widen();
      if (deleteAfter) await rm(path, { force: true });
      mergeLog();
    }
  }

  /** What a large capture left in the log is merged now, so that the store is no larger than what it holds. */
  function mergeLog(): void {
    try {
      db.pragma("wal_checkpoint(TRUNCATE)");
    } catch {
      // The store is held, closed or full: the log stays and is merged later.
    }
  }

  /** Writes a person's word, once no other program holds the store; it may show in every view. */
  async function said(work: (store: Store) => number): Promise<number> {
    const outcome = await onceFree(() => recorder.write(work), waitMs);
    gatherer.widen();
    return outcome;
  }

  async function takeKeys(fileText: string): Promise<number> {
    const reading = readNodeKeysFile(fileText);
    if (!reading.ok) throw new Error(reading.sentence);
    return changeKeys((store) => {
      addKeys(store, reading.nodes);
      return reading.nodes.length;
    });
  }

  function dropKeys(id: string): Promise<number> {
    return changeKeys((store) => removeKeys(store, id.length === 8 ? { devAddr: id } : { devEui: id }));
  }

  /**
   * Keys prove or disprove what was counted without them: the past of their addresses is counted again, in steps behind
   * the traffic where there is much of it.
   */
  async function changeKeys(work: (store: Store) => number): Promise<number> {
    const count = await onceFree(() => recorder.write(work), waitMs);
    gatherer.add(await onceFree(() => recorder.takeUp(), waitMs));
    gatherer.widen();
    return count;
  }

  async function shutDown(endMs: number): Promise<void> {
    clearInterval(figuresTimer);
    imports.stop();
    await input.ended;
    queue.stop();
    const { waiting, storageWords } = queue.figures();
    if (waiting > 0) {
      const what = waiting === 1 ? "datagram" : "datagrams";
      say({ kind: "log", sentence: `${waiting} ${what} could not be stored any more. ${storageWords}` });
    }
    gapWork.stop();
    forgetting.stop();
    // It reads the store: the log of changes is merged once nobody does.
    await check.stop();
    try {
      heartbeat.stop();
      // After a long recording of the rest there is no time left for it.
      const untilMs = Math.min(processMs() + LAST_GAPS_MS, endMs - CLOSING_MS);
      while (processMs() < untilMs && recorder.workOnGaps({ patient: false, nowUs: null }));
      recorder.close();
    } catch (error) {
      say({ kind: "log", sentence: `Closing the store: ${sentenceOf(error)}` });
    }
    postFigures();
    const leftBeside = store.close();
    if (leftBeside !== null) say({ kind: "log", sentence: leftBeside });
    settings.input.close();
    port?.close();
  }
}

function waitMs(ms: number): Promise<void> {
  return new Promise((resume) => setTimeout(resume, ms));
}

async function answer(ticket: number, work: () => Promise<number>): Promise<void> {
  try {
    say({ kind: "done", ticket, result: await work(), trouble: null });
  } catch (error) {
    say({ kind: "done", ticket, result: 0, trouble: sentenceOf(error) });
  }
}

function sentenceOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

await run();
