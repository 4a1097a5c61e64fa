/**
 * The recorder's own thread: decoding, ledger, the one writing connection, user data, capture files, the search for gaps.
 * No gateway waits for it: the listener (or the relay) hands datagrams over and answers them. Started by start.ts;
 * its settings are its worker data, its life ends with `close`.
 */
import { parentPort, workerData } from "node:worker_threads";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { failAbandonedCaptures } from "../store/captures.ts";
import { Recorder } from "../store/recorder.ts";
import { ServiceStore } from "../store/service-store.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { counted } from "../words/format.ts";
import { CaptureImport } from "./capture-import.ts";
import { DatagramFile, openLineSink } from "./datagram-file.ts";
import { followCheck } from "./follow-check.ts";
import { type RecorderCommand, RecorderCommands, type ResultOf } from "./recorder-commands.ts";
import { openRecorderInput } from "./recorder-input.ts";
import {
  DeltaGatherer,
  followForgetting,
  followGaps,
  followRemoval,
  keepHeartbeat,
} from "./recorder-tasks.ts";
import { RecordingQueue, recordLeftHeld } from "./recording-queue.ts";
import { processMs, setThreadPriority, systemTimeUs, takeClockSteps } from "./system.ts";
import type { FromRecorderThread, RecorderSettings, ToRecorderThread } from "./thread-messages.ts";

/** The writer waits this long for another process's lock before it puts data aside and says so. */
const WRITER_BUSY_MS = 15;
const FIGURES_EVERY_MS = 500;
/** In line the recording gives way to the passage. Chosen: a third of an equal thread's share when both want all. */
const GIVES_WAY = 5;
const DELTA_AFTER_MS = 100;
/** Sparing: what comes within so long is one commit. The promise of --sparing, of README and Service, is a second. */
const SPARING_GATHER_MS = 950;
/** Sparing: where nothing arrives, a heartbeat is written so seldom. Chosen: as often as keepalives come. */
const SPARING_HEARTBEAT_US = 10_000_000;
/** At the end the search for gaps goes on for at most so long; what is left is done at the next start. */
const LAST_GAPS_MS = 1_500;
/** At the end: what was handed over is recorded, for so long at most. */
const LAST_RECORDING_MS = 5_500;
/** Of the time for the end, this is kept for storing the ledger's states and merging the log of changes. Chosen. */
const CLOSING_MS = 2_000;
/** So long the end waits for the disk of the file of datagrams. */
const LAST_LINES_MS = 1_000;

const port = parentPort;
if (port === null) throw new Error("src/intake/recorder-thread.ts runs as a worker thread only.");
const settings = workerData as RecorderSettings;

function say(message: FromRecorderThread): void {
  port?.postMessage(message);
}

const clock = {
  monotonicMs: () => performance.now(),
  // A turn that is still to come does not hold up the end: the thread lives by its ports.
  after: (delayMs: number, work: () => void) => void setTimeout(work, delayMs).unref(),
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
  let datagramFile: DatagramFile | null;
  try {
    datagramFile = await openDatagramFile();
  } catch (error) {
    store.close();
    const remedy = error instanceof StoreUnusable ? error.remedy : "";
    say({ kind: "unable", sentence: sentenceOf(error), remedy });
    return;
  }
  const { db } = store;
  failAbandonedCaptures(db, systemTimeUs());
  db.pragma(`busy_timeout = ${WRITER_BUSY_MS}`);
  const recorder = new Recorder(db, judgeGap, () => store.assertInPlace());
  const left = recordLeftHeld(recorder);
  if (left > 0)
    say({
      kind: "log",
      sentence: `The last run was cut off: ${counted(left, "datagram")} of it became rows only now.`,
    });
  let lookedAtMs = clock.monotonicMs();
  const queue: RecordingQueue = new RecordingQueue({
    recorder,
    holding: {
      recorder,
      isAllowed: () =>
        settings.holdAfterMs !== null && clock.monotonicMs() - lookedAtMs >= settings.holdAfterMs,
    },
    clock,
    onRecorded: (recorded) => gatherer.add(recorded),
    onStored: (count) => input.stored(count),
    gatherMs: settings.sparing ? SPARING_GATHER_MS : 0,
  });
  const heartbeat = keepHeartbeat({
    recorder,
    isHolding: () => queue.heldFromUs !== null,
    beforeBoundary: () => queue.drain(clock.monotonicMs() + LAST_RECORDING_MS),
    nowUs: systemTimeUs,
    ...(settings.sparing ? { everyUs: SPARING_HEARTBEAT_US } : {}),
    takeSteps: takeClockSteps,
    after: clock.after,
    log: (sentence) => say({ kind: "log", sentence }),
  });
  const input = openRecorderInput(
    settings.input,
    queue,
    (datagram) => datagramFile?.add(datagram),
    (untilMs) => {
      const leftMs = untilMs === null ? LAST_RECORDING_MS : untilMs - CLOSING_MS - processMs();
      queue.drain(clock.monotonicMs() + Math.min(LAST_RECORDING_MS, leftMs));
    },
  );
  const check = followCheck(db, (sentence) => say({ kind: "log", sentence }));
  const postFigures = () => {
    const figures = queue.figures();
    const problem = store.check();
    if (problem === null && store.isLookedAt) void look().then(() => store.shown());
    const storage = problem === null ? {} : { storage: "failed" as const, storageWords: problem };
    const file = datagramFile?.figures() ?? null;
    say({
      kind: "figures",
      figures: { ...figures, ...storage, check: check.now(), datagramFile: file },
    });
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

  const commands: RecorderCommands = new RecorderCommands({
    recorder,
    imports,
    changes: gatherer,
    beginForgettingSteps: () => forgetting.begin(),
    beginRemoval: () => removal.begin(),
    afterImport: mergeLog,
    waitMs,
  });
  const gapWork = followGaps({
    recorder,
    // Without traffic no batch would tell what was counted again.
    onStep: () => {
      if (recorder.takeSettled()) gatherer.widen();
    },
    isBusy: () => commands.isImporting || queue.isBusy,
    // Time continues as far as rows tell of it.
    nowUs: () => (queue.hasHeard ? Math.min(systemTimeUs(), queue.heldFromUs ?? Infinity) : null),
    after: clock.after,
    monotonicMs: () => performance.now(),
  });

  const forgetting = followForgetting({
    recorder,
    isBusy: () => commands.isImporting || queue.isBusy,
    after: clock.after,
    onStep: () => gatherer.widen(),
    log: (sentence) => say({ kind: "log", sentence }),
  });

  const removal = followRemoval({
    recorder,
    isBusy: () => commands.isImporting || queue.isBusy,
    nowUs: systemTimeUs,
    after: clock.after,
    monotonicMs: clock.monotonicMs,
    onStep: () => gatherer.widen(),
    log: (sentence) => say({ kind: "log", sentence }),
  });

  port?.on("message", (message: ToRecorderThread) => {
    switch (message.kind) {
      case "command":
        void answer(message.ticket, carryOut(message.command));
        break;
      case "look":
        void look().then(() => say({ kind: "caught-up", ticket: message.ticket }));
        break;
      case "close":
        void shutDown(message.untilMs);
        break;
      default:
        message satisfies never;
    }
  });
  say({ kind: "ready" });

  /** Somebody reads: what is held becomes rows now, and for a while what comes. */
  function look(): Promise<void> {
    lookedAtMs = clock.monotonicMs();
    return queue.catchUp();
  }

  /** After all that was stored before it. What is forgotten is to be in no log, either. */
  async function carryOut(command: RecorderCommand): Promise<ResultOf<RecorderCommand>> {
    await look();
    if (command.kind === "forget") recorder.wipeHeld();
    return commands.run(command);
  }

  /** What a large capture left in the log is merged now, so that the store is no larger than what it holds. */
  function mergeLog(): void {
    try {
      db.pragma("wal_checkpoint(TRUNCATE)");
    } catch {
      // The store is held, closed or full: the log stays and is merged later.
    }
  }

  async function shutDown(endMs: number): Promise<void> {
    clearInterval(figuresTimer);
    imports.stop();
    await input.ended;
    queue.stop();
    const held = queue.holdRest();
    if (held > 0) {
      const they = held === 1 ? "it is" : "they are";
      const sentence = `There was no time left for ${counted(held, "datagram")}: ${they} in the store as received, and shown after the next start.`;
      say({ kind: "log", sentence });
    }
    const { waiting, storageWords } = queue.figures();
    if (waiting > 0) {
      const what = waiting === 1 ? "datagram" : "datagrams";
      say({ kind: "log", sentence: `${waiting} ${what} could not be stored any more. ${storageWords}` });
    }
    await datagramFile?.close(LAST_LINES_MS);
    gapWork.stop();
    forgetting.stop();
    removal.stop();
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

/** null: none was asked for. Rejects with StoreUnusable. */
async function openDatagramFile(): Promise<DatagramFile | null> {
  const { recordTo, dbPath } = settings;
  if (recordTo === null) return null;
  return new DatagramFile({
    name: recordTo,
    sink: await openLineSink(recordTo, dbPath),
    after: (delayMs, work) => void setTimeout(work, delayMs).unref(),
    log: (sentence) => say({ kind: "log", sentence }),
  });
}

function waitMs(ms: number): Promise<void> {
  return new Promise((resume) => setTimeout(resume, ms));
}

async function answer(ticket: number, work: Promise<ResultOf<RecorderCommand>>): Promise<void> {
  try {
    say({ kind: "done", ticket, result: await work });
  } catch (error) {
    say({ kind: "failed", ticket, sentence: sentenceOf(error) });
  }
}

function sentenceOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

await run();
