/**
 * Starts the threads of the intake and talks to them. The recorder's thread owns the ledger and the one writing
 * connection. The sockets are the listener's, or, in line, the relay's; what they receive goes straight to the recorder.
 */
import { MessageChannel, Worker } from "node:worker_threads";
import type { Endpoint } from "../model/datagram.ts";
import { StoreUnusable } from "../store/open.ts";
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
import { type PassageHandle, startPassage } from "./relay/start.ts";
import type { RelayTarget } from "./relay/targets.ts";
import { type ListenerHandle, startListener } from "./start-listener.ts";
import { processMs } from "./system-time.ts";
import type { FromRecorderThread, RecorderSettings, ToRecorderThread } from "./thread-messages.ts";

export interface StartIntakeOptions {
  readonly dbPath: string;
  readonly udpHost: string | null;
  readonly udpPort: number;
  /** True: a person may ask a gateway to send a test frame. */
  readonly allowTransmit?: boolean;
  /** Upstreams to relay to, the first being the server; none: gateways are answered here. */
  readonly relay?: readonly RelayTarget[];
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

const NOTHING_RECORDED: RecordingFigures = {
  waiting: 0,
  storage: "well",
  storageWords: "",
  check: NOT_CHECKED,
};

/** Resolves once the port is bound and the store open; rejects with StoreUnusable and a remedy otherwise. */
export async function startIntake(options: StartIntakeOptions): Promise<IntakeHandle> {
  const { dbPath, udpHost, udpPort, log, onLost } = options;
  const [server, ...others] = options.relay ?? [];
  const { port1, port2 } = new MessageChannel();
  const intake = startRecorder({ dbPath, input: port2, inLine: server !== undefined }, options);
  await intake.ready;
  try {
    if (server === undefined) {
      const allowTransmit = options.allowTransmit === true;
      intake.listener = await startListener({
        udpHost,
        udpPort,
        allowTransmit,
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

function startRecorder(settings: RecorderSettings, options: StartIntakeOptions): ThreadedIntake {
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const worker = new Worker(new URL("./recorder-thread.js", import.meta.url), {
    workerData: settings,
    transferList: [settings.input],
  });
  return new ThreadedIntake(worker, options);
}

class ThreadedIntake implements IntakeHandle {
  readonly ready: Promise<void>;
  /** What owns the sockets: the listener or, in line, the relay. */
  listener: ListenerHandle | null = null;
  passage: PassageHandle | null = null;
  readonly #worker: Worker;
  readonly #tickets = new Map<number, { resolve: (id: number) => void; reject: (error: Error) => void }>();
  readonly #commitListeners = new Set<(delta: CommitDelta) => void>();
  readonly #captureListeners = new Set<(progress: CaptureProgress) => void>();
  #recording = NOTHING_RECORDED;
  #nextTicket = 1;
  #closing = false;
  #hasEnded = false;
  readonly #ended: Promise<void>;

  readonly allowsTransmit: boolean;

  constructor(worker: Worker, options: StartIntakeOptions) {
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
    const { storage, storageWords, waiting, check } = this.#recording;
    if (this.listener !== null) {
      const { slowness, ...figures } = this.listener.figures();
      const isSlow = storage === "well" && slowness !== "";
      return {
        ...figures,
        storage: isSlow ? "slow" : storage,
        storageWords: isSlow ? slowness : storageWords,
        check,
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

  importCapture(request: { path: string; name: string; deleteAfter: boolean }): Promise<number> {
    return this.#ask((ticket) => ({ kind: "import", ticket, ...request }));
  }

  async setPosition(position: Parameters<IntakeHandle["setPosition"]>[0]): Promise<void> {
    await this.#ask((ticket) => ({ kind: "position", ticket, position }));
  }

  async setLabel(label: Parameters<IntakeHandle["setLabel"]>[0]): Promise<void> {
    await this.#ask((ticket) => ({ kind: "label", ticket, label }));
  }

  changeMarks(work: Parameters<IntakeHandle["changeMarks"]>[0]): Promise<number> {
    return this.#ask((ticket) => ({ kind: "marks", ticket, work }));
  }

  changePlacements(work: Parameters<IntakeHandle["changePlacements"]>[0]): Promise<number> {
    return this.#ask((ticket) => ({ kind: "placements", ticket, work }));
  }

  setPlacementPhoto(id: number, picture: Parameters<IntakeHandle["setPlacementPhoto"]>[1]): Promise<number> {
    return this.#ask((ticket) => ({ kind: "placement-photo", ticket, id, picture }));
  }

  async setBenchReference(reference: Parameters<IntakeHandle["setBenchReference"]>[0]): Promise<void> {
    await this.#ask((ticket) => ({ kind: "bench-reference", ticket, reference }));
  }

  forget(thing: Parameters<IntakeHandle["forget"]>[0]): Promise<number> {
    return this.#ask((ticket) => ({ kind: "forget", ticket, thing }));
  }

  async nameSite(name: string | null): Promise<void> {
    await this.#ask((ticket) => ({ kind: "name-site", ticket, name }));
  }

  addKeys(fileText: string): Promise<number> {
    return this.#ask((ticket) => ({ kind: "add-keys", ticket, fileText }));
  }

  removeKeys(id: string): Promise<number> {
    return this.#ask((ticket) => ({ kind: "remove-keys", ticket, id }));
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

  #ask(message: (ticket: number) => ToRecorderThread): Promise<number> {
    if (this.#hasEnded) return Promise.reject(new Error("The recorder has ended."));
    const ticket = this.#nextTicket++;
    return new Promise((resolve, reject) => {
      this.#tickets.set(ticket, { resolve, reject });
      this.#say(message(ticket));
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
      case "done": {
        const ticket = this.#tickets.get(message.ticket);
        this.#tickets.delete(message.ticket);
        if (message.trouble !== null) ticket?.reject(new Error(message.trouble));
        else ticket?.resolve(message.result);
        break;
      }
    }
  }
}
