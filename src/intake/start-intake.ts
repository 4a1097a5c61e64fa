/**
 * How does the service get an intake? By starting its thread and talking to it through this handle. The
 * thread's messages are the only way in or out; its sockets and its connection are its own.
 */
import { Worker } from "node:worker_threads";
import type { Endpoint } from "../model/arrival.ts";
import { StoreUnusable } from "../store/open.ts";
import type { CaptureProgress, CommitDelta, IntakeFigures, IntakeHandle } from "./handle.ts";
import type { FromThread, ThreadSettings, ToThread } from "./thread-messages.ts";

export interface StartIntakeOptions extends ThreadSettings {
  /** Sentences for the log. */
  readonly log: (sentence: string) => void;
  /** The thread ended although nobody asked it to: nothing is received any more. */
  readonly onLost: (error: Error) => void;
}

const NOTHING_YET: IntakeFigures = {
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
  const { dbPath, udpHost, udpPort } = options;
  const settings: ThreadSettings = { dbPath, udpHost, udpPort };
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const worker = new Worker(new URL("./thread.js", import.meta.url), { workerData: settings });
  const intake = new ThreadedIntake(worker, options);
  await intake.ready;
  return intake;
}

class ThreadedIntake implements IntakeHandle {
  readonly ready: Promise<void>;
  udp: readonly Endpoint[] = [];
  readonly #worker: Worker;
  readonly #tickets = new Map<number, { resolve: (id: number) => void; reject: (error: Error) => void }>();
  readonly #commitListeners = new Set<(delta: CommitDelta) => void>();
  readonly #captureListeners = new Set<(progress: CaptureProgress) => void>();
  #figures = NOTHING_YET;
  #nextTicket = 1;
  #closing = false;
  readonly #ended: Promise<void>;

  constructor(worker: Worker, options: StartIntakeOptions) {
    this.#worker = worker;
    this.ready = new Promise((resolve, reject) => {
      worker.on("message", (message: FromThread) => {
        if (message.kind === "ready") {
          this.udp = message.udp;
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
        resolve();
      });
    });
    worker.on("error", (error) => {
      if (!this.#closing) options.onLost(error);
    });
  }

  figures(): IntakeFigures {
    return this.#figures;
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

  async setLabel(label: Parameters<IntakeHandle["setLabel"]>[0]): Promise<void> {
    await this.#ask((ticket) => ({ kind: "label", ticket, label }));
  }

  changeMarks(work: Parameters<IntakeHandle["changeMarks"]>[0]): Promise<number> {
    return this.#ask((ticket) => ({ kind: "marks", ticket, work }));
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

  async close(): Promise<void> {
    if (!this.#closing) {
      this.#closing = true;
      this.#say({ kind: "close" });
    }
    await this.#ended;
  }

  #ask(message: (ticket: number) => ToThread): Promise<number> {
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
