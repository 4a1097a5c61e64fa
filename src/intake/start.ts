/**
 * Starts the threads of the intake and talks to them. The recorder's thread owns the ledger and the one writing
 * connection. The sockets are the listener's, or, in line, the relay's; what they receive goes straight to the recorder.
 */
import { MessageChannel, Worker } from "node:worker_threads";
import type { Endpoint } from "../model/datagram.ts";
import type { Forgettable } from "../store/forget.ts";
import { StoreUnusable } from "../store/store-error.ts";
import type { UserChange } from "../store/user-changes.ts";
import type { Written } from "../store/written.ts";
import type { TestOutcome } from "./downlink-test.ts";
import { NOT_CHECKED } from "./follow-check.ts";
import type {
  CaptureProgress,
  CommitDelta,
  IntakeFigures,
  IntakeHandle,
  RecordingFigures,
  TransmitRequest,
} from "./handle.ts";
import type { RecorderCommand, ResultOf } from "./recorder-commands.ts";
import { type PassageHandle, startPassage } from "./relay/start.ts";
import type { RelayTarget } from "./relay/targets.ts";
import { type ListenerHandle, startListener } from "./start-listener.ts";
import { emptyHeapsAlone, processMs } from "./system.ts";
import type { FromRecorderThread, RecorderSettings, ToRecorderThread } from "./thread-messages.ts";

export interface StartIntakeOptions {
  readonly dbPath: string;
  readonly udpHost: string | null;
  readonly udpPort: number;
  /** True: a person may ask a gateway to send a test frame. */
  readonly allowTransmit?: boolean;
  /** Upstreams to relay to, the first being the server; none: gateways are answered here. */
  readonly relay?: readonly RelayTarget[];
  /** Appends what is received to this file, too. */
  readonly recordTo?: string;
  /** Few commits, for storage that each one wears: what arrived in the last second is not stored yet, although answered. */
  readonly sparing?: boolean;
  /** False: what is stored becomes rows at once, although nobody looks (somebody reads every row as it comes). */
  readonly mayHold?: boolean;
  /** Rows wait once nobody looked for so long; for tests and benchmarks. */
  readonly holdAfterMs?: number;
  /** Sentences for the log. */
  readonly log: (sentence: string) => void;
  /**
   * A thread ended although nobody asked it to: nothing is received any more, or nothing recorded. Not called when the
   * recorder ends in line: datagrams still pass, and the state of the storage is `failed`.
   */
  readonly onLost: (error: Error) => void;
}

/** Longest wait for an orderly end. Chosen: service managers commonly wait 10 s or more (common practice, no source). */
export const END_WITHIN_MS = 8_000;

/** So long after the start, and after somebody looked, everything becomes rows at once. Chosen: live views ask more often. */
const HOLD_AFTER_MS = 60_000;
/** In this share of that time after somebody looked the next one need not wait: nothing is held by then. */
const LOOKED_SHARE = 0.75;
/** While somebody looks the recorder hears of it again after so long. */
const LOOK_AGAIN_MS = 10_000;
/** A question waits no longer for rows: it is answered from those that there are. */
const MAX_LOOK_MS = 1_000;

const NOTHING_RECORDED: RecordingFigures = {
  waiting: 0,
  storage: "well",
  storageWords: "",
  check: NOT_CHECKED,
  datagramFile: null,
};

/** Resolves once the port is bound and the store open; rejects with StoreUnusable and a remedy otherwise. */
export async function startIntake(options: StartIntakeOptions): Promise<IntakeHandle> {
  const { dbPath, udpHost, udpPort, log, onLost } = options;
  const [server, ...others] = options.relay ?? [];
  const { port1, port2 } = new MessageChannel();
  emptyHeapsAlone();
  const intake = startRecorder(
    {
      dbPath,
      input: port2,
      inLine: server !== undefined,
      recordTo: options.recordTo ?? null,
      sparing: options.sparing === true,
      holdAfterMs: options.mayHold === false ? null : (options.holdAfterMs ?? HOLD_AFTER_MS),
    },
    options,
  );
  await intake.ready;
  try {
    if (server === undefined) {
      const allowTransmit = options.allowTransmit === true;
      intake.listener = await startListener({
        udpHost,
        udpPort,
        allowTransmit,
        sparing: options.sparing === true,
        recorder: port1,
        log,
        onLost,
      });
    } else {
      const targets = [server, ...others] as const;
      intake.passage = await startPassage({ udpHost, udpPort, targets, copies: port1, log, onLost });
    }
  } catch (error) {
    await intake.close();
    throw error;
  }
  return intake;
}

/**
 * Heap of the recorder's thread at most. Chosen: thirty times what it used in a month of 174,000 receptions. Below 2 GB V8
 * empties a heap that has grown by 60 %; above, only one that has grown fourfold. A day taken in beside that month: 275 MB
 * at the peak of the service instead of 320, for 8 % more processor time; with half the young generation 256 MB, for 26 %.
 */
const RECORDER_MEMORY = { maxOldGenerationSizeMb: 1_024, maxYoungGenerationSizeMb: 96 };

function startRecorder(settings: RecorderSettings, options: StartIntakeOptions): ThreadedIntake {
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const worker = new Worker(new URL("./recorder-thread.js", import.meta.url), {
    workerData: settings,
    transferList: [settings.input],
    resourceLimits: RECORDER_MEMORY,
  });
  return new ThreadedIntake(worker, options);
}

/** A command that waits for its answer. */
interface Ticket {
  readonly resolve: (result: ResultOf<RecorderCommand>) => void;
  readonly reject: (error: Error) => void;
}

class ThreadedIntake implements IntakeHandle {
  readonly ready: Promise<void>;
  /** What owns the sockets: the listener or, in line, the relay. */
  listener: ListenerHandle | null = null;
  passage: PassageHandle | null = null;
  readonly #worker: Worker;
  readonly #tickets = new Map<number, Ticket>();
  readonly #commitListeners = new Set<(delta: CommitDelta) => void>();
  readonly #captureListeners = new Set<(progress: CaptureProgress) => void>();
  #recording = NOTHING_RECORDED;
  #nextTicket = 1;
  /** Those who wait for rows, by ticket. */
  readonly #looks = new Map<number, () => void>();
  /** When rows were last seen to hold everything, and when the recorder was last asked for that; monotonic. */
  #caughtUpMs = Number.NEGATIVE_INFINITY;
  #lookedMs = Number.NEGATIVE_INFINITY;
  #closing = false;
  #hasEnded = false;
  readonly #ended: Promise<void>;

  readonly allowsTransmit: boolean;
  readonly isSparing: boolean;
  readonly #holdAfterMs: number;

  constructor(worker: Worker, options: StartIntakeOptions) {
    this.isSparing = options.sparing === true;
    this.#holdAfterMs = options.holdAfterMs ?? HOLD_AFTER_MS;
    // In line the gateway's transmitter is the server's.
    this.allowsTransmit = options.allowTransmit === true && (options.relay ?? []).length === 0;
    this.#worker = worker;
    this.ready = new Promise((resolve, reject) => {
      worker.on("message", (message: FromRecorderThread) => {
        if (message.kind === "ready") resolve();
        else if (message.kind === "unable") reject(new StoreUnusable(message.sentence, message.remedy));
        else this.#hear(message, options);
      });
      worker.once("error", reject);
    });
    this.#ended = new Promise((resolve) => {
      worker.once("exit", () => {
        for (const ticket of this.#tickets.values()) ticket.reject(new Error("The recorder has ended."));
        this.#tickets.clear();
        for (const seen of this.#looks.values()) seen();
        this.#looks.clear();
        this.#hasEnded = true;
        resolve();
      });
    });
    worker.on("error", (error) => {
      if (this.#closing) return;
      if (this.passage === null) options.onLost(error);
      else this.#recordingLost(this.passage, error, options);
    });
  }

  get udp(): readonly Endpoint[] {
    return this.passage?.udp ?? this.listener?.udp ?? [];
  }

  figures(): IntakeFigures {
    const { storage, storageWords, waiting, check, datagramFile } = this.#recording;
    if (this.listener !== null) {
      const { slowness, ...figures } = this.listener.figures();
      const isSlow = storage === "well" && slowness !== "";
      return {
        ...figures,
        storage: isSlow ? "slow" : storage,
        storageWords: isSlow ? slowness : storageWords,
        check,
        datagramFile,
        relay: null,
      };
    }
    const relay = this.passage?.figures() ?? null;
    const refused = Object.values(relay?.notRelayed ?? {}).reduce((sum, n) => sum + n, 0);
    return {
      datagrams: relay === null ? 0 : relay.up + refused,
      lastAtUs: relay?.lastAtUs ?? null,
      lastFrom: relay?.lastFrom ?? null,
      answeredAfterCommit: 0,
      answeredBeforeStored: 0,
      waiting,
      dropped: 0,
      droppedBySource: [],
      storage,
      storageWords,
      check,
      datagramFile,
      kernelDrops: relay?.kernelDrops ?? null,
      receiveBuffer: relay?.receiveBuffer ?? null,
      relay,
    };
  }

  onCommit(listener: (delta: CommitDelta) => void): () => void {
    this.#commitListeners.add(listener);
    return () => this.#commitListeners.delete(listener);
  }

  onCapture(listener: (progress: CaptureProgress) => void): () => void {
    this.#captureListeners.add(listener);
    return () => this.#captureListeners.delete(listener);
  }

  async look(): Promise<void> {
    if (this.#hasEnded) return;
    const nowMs = performance.now();
    const isFresh = nowMs - this.#caughtUpMs < LOOKED_SHARE * this.#holdAfterMs;
    if (isFresh && nowMs - this.#lookedMs < LOOK_AGAIN_MS) return;
    this.#lookedMs = nowMs;
    const ticket = this.#nextTicket++;
    const caughtUp = new Promise<void>((resolve) => {
      this.#looks.set(ticket, resolve);
      setTimeout(() => this.#seen(ticket), MAX_LOOK_MS).unref();
    });
    this.#say({ kind: "look", ticket });
    if (!isFresh) await caughtUp;
  }

  #seen(ticket: number): void {
    this.#looks.get(ticket)?.();
    this.#looks.delete(ticket);
  }

  importCapture(request: { path: string; name: string; deleteAfter: boolean }): Promise<number> {
    return this.#ask({ kind: "import", ...request });
  }

  change(change: UserChange): Promise<Written> {
    return this.#ask({ kind: "change", change });
  }

  forget(thing: Forgettable): Promise<Written> {
    return this.#ask({ kind: "forget", thing });
  }

  transmitTest(request: TransmitRequest): Promise<TestOutcome> {
    return (
      this.listener?.transmitTest(request) ??
      Promise.reject(new Error("Transmitting was not allowed when Mastlog was started."))
    );
  }

  async close(withinMs = END_WITHIN_MS): Promise<void> {
    if (!this.#closing) {
      this.#closing = true;
      const untilMs = processMs() + withinMs;
      // What was received is recorded and answered before the recorder ends.
      await this.listener?.close(untilMs);
      await this.passage?.close(untilMs);
      this.#say({ kind: "close", untilMs });
    }
    await this.#ended;
  }

  /** A gateway in service must not fall silent because its recording did. */
  #recordingLost(passage: PassageHandle, error: Error, options: StartIntakeOptions): void {
    passage.recordingEnded();
    const storageWords = `The recording has ended (${error.message}). Start Mastlog again to record.`;
    this.#recording = { ...this.#recording, storage: "failed", storageWords };
    options.log(`${storageWords} Datagrams still pass.`);
  }

  #ask<Command extends RecorderCommand>(command: Command): Promise<ResultOf<Command>> {
    if (this.#hasEnded) return Promise.reject(new Error("The recorder has ended."));
    const ticket = this.#nextTicket++;
    return new Promise((resolve, reject) => {
      // The thread answers a command with the result of its kind (RecorderResults).
      this.#tickets.set(ticket, { resolve: (result) => resolve(result as ResultOf<Command>), reject });
      this.#say({ kind: "command", ticket, command });
    });
  }

  #say(message: ToRecorderThread): void {
    this.#worker.postMessage(message);
  }

  #hear(
    message: Exclude<FromRecorderThread, { kind: "ready" | "unable" }>,
    options: StartIntakeOptions,
  ): void {
    switch (message.kind) {
      case "figures":
        this.#recording = message.figures;
        break;
      case "committed":
        for (const listener of this.#commitListeners) listener(message.delta);
        break;
      case "capture":
        for (const listener of this.#captureListeners) listener(message.progress);
        break;
      case "log":
        options.log(message.sentence);
        break;
      case "caught-up":
        this.#caughtUpMs = performance.now();
        this.#seen(message.ticket);
        break;
      case "done":
        this.#takeTicket(message.ticket)?.resolve(message.result);
        break;
      case "failed":
        this.#takeTicket(message.ticket)?.reject(new Error(message.sentence));
        break;
      default:
        message satisfies never;
    }
  }

  #takeTicket(number: number): Ticket | undefined {
    const ticket = this.#tickets.get(number);
    this.#tickets.delete(number);
    return ticket;
  }
}
