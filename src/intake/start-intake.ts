/**
 * How does the service get an intake? By starting its thread and talking to it through this handle. The
 * thread's messages are the only way in or out; its sockets and its connection are its own. In line, a thread of its
 * own passes the datagrams on and hands copies to this one, which then has no socket.
 */
import { MessageChannel, type MessagePort, Worker } from "node:worker_threads";
import type { Endpoint } from "../model/arrival.ts";
import { StoreUnusable } from "../store/open.ts";
import type { CaptureProgress, CommitDelta, IntakeFigures, IntakeHandle, TransmitRequest } from "./handle.ts";
import { type PassageHandle, startPassage } from "./relay/start-passage.ts";
import type { RelayTarget } from "./relay/targets.ts";
import type { FromThread, ThreadSettings, ToThread } from "./thread-messages.ts";
import type { TestOutcome } from "./transmit-desk.ts";

export interface StartIntakeOptions extends Omit<ThreadSettings, "copies" | "allowTransmit"> {
  readonly allowTransmit?: boolean;
  /** Upstreams to relay to, the first being the server; none: gateways are answered here. */
  readonly relay?: readonly RelayTarget[];
  /** Sentences for the log. */
  readonly log: (sentence: string) => void;
  /** The thread ended although nobody asked it to: nothing is received any more. */
  readonly onLost: (error: Error) => void;
}

const NOTHING_YET: Omit<IntakeFigures, "relay"> = {
  datagrams: 0,
  lastAtUs: null,
  lastFrom: null,
  answeredAfterCommit: 0,
  answeredBeforeStored: 0,
  waiting: 0,
  dropped: 0,
  storage: "well",
  storageWords: "",
};

/** Resolves once the port is bound and the store open; rejects with StoreUnusable and a remedy otherwise. */
export async function startIntake(options: StartIntakeOptions): Promise<IntakeHandle> {
  const [server, ...others] = options.relay ?? [];
  if (server === undefined) {
    const intake = startThread(options, null);
    await intake.ready;
    return intake;
  }
  const { port1, port2 } = new MessageChannel();
  const intake = startThread(options, port2);
  await intake.ready;
  const { udpHost, udpPort, log, onLost } = options;
  try {
    intake.passage = await startPassage({
      udpHost,
      udpPort,
      targets: [server, ...others],
      copies: port1,
      log,
      onLost,
    });
  } catch (error) {
    await intake.close();
    throw error;
  }
  return intake;
}

function startThread(options: StartIntakeOptions, copies: MessagePort | null): ThreadedIntake {
  const { dbPath, udpHost, udpPort } = options;
  // In line the gateway's transmitter is the server's.
  const allowTransmit = options.allowTransmit === true && copies === null;
  const settings: ThreadSettings = { dbPath, udpHost, udpPort, allowTransmit, copies };
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const worker = new Worker(new URL("./thread.js", import.meta.url), {
    workerData: settings,
    transferList: copies === null ? [] : [copies],
  });
  return new ThreadedIntake(worker, options);
}

class ThreadedIntake implements IntakeHandle {
  readonly ready: Promise<void>;
  /** In line: what passes the datagrams on. */
  passage: PassageHandle | null = null;
  #udp: readonly Endpoint[] = [];
  readonly #worker: Worker;
  readonly #tickets = new Map<number, { resolve: (id: number) => void; reject: (error: Error) => void }>();
  readonly #commitListeners = new Set<(delta: CommitDelta) => void>();
  readonly #captureListeners = new Set<(progress: CaptureProgress) => void>();
  #figures = NOTHING_YET;
  readonly #tests = new Map<number, (outcome: TestOutcome) => void>();
  #nextTicket = 1;
  #closing = false;
  #hasEnded = false;
  readonly #ended: Promise<void>;

  readonly allowsTransmit: boolean;

  constructor(worker: Worker, options: StartIntakeOptions) {
    this.allowsTransmit = options.allowTransmit === true && (options.relay ?? []).length === 0;
    this.#worker = worker;
    this.ready = new Promise((resolve, reject) => {
      worker.on("message", (message: FromThread) => {
        if (message.kind === "ready") {
          this.#udp = message.udp;
          resolve();
        } else if (message.kind === "unable") {
          reject(new StoreUnusable(message.sentence, message.remedy));
        } else this.#hear(message, options);
      });
      worker.once("error", reject);
    });
    this.#ended = new Promise((resolve) => {
      worker.once("exit", () => {
        for (const ticket of this.#tickets.values()) ticket.reject(new Error("The intake has ended."));
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
    return this.passage?.udp ?? this.#udp;
  }

  figures(): IntakeFigures {
    if (this.passage === null) return { ...this.#figures, relay: null };
    const relay = this.passage.figures();
    const refused = Object.values(relay.notRelayed).reduce((sum, n) => sum + n, 0);
    const { lastAtUs, lastFrom } = relay;
    return { ...this.#figures, datagrams: relay.up + refused, lastAtUs, lastFrom, relay };
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
    return new Promise((resolve, reject) => {
      this.#ask((ticket) => {
        this.#tests.set(ticket, resolve);
        return { kind: "transmit", ticket, request };
      }).catch(reject);
    });
  }

  async close(): Promise<void> {
    if (!this.#closing) {
      this.#closing = true;
      // The last copies are handed over before the recording ends.
      await this.passage?.close();
      this.#say({ kind: "close" });
    }
    await this.#ended;
  }

  /** A gateway in service must not fall silent because its recording did. */
  #recordingLost(passage: PassageHandle, error: Error, options: StartIntakeOptions): void {
    passage.recordingEnded();
    const storageWords = `The recording has ended (${error.message}). Start Mastlog again to record.`;
    this.#figures = { ...this.#figures, storage: "failed", storageWords };
    options.log(`${storageWords} Datagrams still pass.`);
  }

  #ask(message: (ticket: number) => ToThread): Promise<number> {
    if (this.#hasEnded) return Promise.reject(new Error("The intake has ended."));
    const ticket = this.#nextTicket++;
    return new Promise((resolve, reject) => {
      this.#tickets.set(ticket, { resolve, reject });
      this.#say(message(ticket));
    });
  }

  #say(message: ToThread): void {
    this.#worker.postMessage(message);
  }

  #hear(message: Exclude<FromThread, { kind: "ready" | "unable" }>, options: StartIntakeOptions): void {
    switch (message.kind) {
      case "figures":
        this.#figures = message.figures;
        break;
      case "committed":
        for (const listener of this.#commitListeners) listener(message.delta);
        break;
      case "capture":
        for (const listener of this.#captureListeners) listener(message.progress);
        break;
      case "tested":
        this.#tests.get(message.ticket)?.(message.outcome);
        this.#tests.delete(message.ticket);
        this.#tickets.delete(message.ticket);
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
