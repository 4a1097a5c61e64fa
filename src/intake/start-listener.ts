/** Starts the listener's thread; its handle is all that the service sees of it. */
import { type MessagePort, Worker } from "node:worker_threads";
import type { Endpoint } from "../model/datagram.ts";
import { StoreUnusable } from "../store/store-error.ts";
import type { TestOutcome } from "./downlink-test.ts";
import type { TransmitRequest } from "./handle.ts";
import type { FromListener, ListenerSettings, SocketFigures, ToListener } from "./thread-messages.ts";

export interface StartListenerOptions extends Omit<ListenerSettings, "recorder"> {
  readonly recorder: MessagePort;
  readonly log: (sentence: string) => void;
  /** The thread ended although nobody asked it to: nothing is received any more. */
  readonly onLost: (error: Error) => void;
}

export interface ListenerHandle {
  readonly udp: readonly Endpoint[];
  figures(): SocketFigures;
  /** Asks a gateway to send one frame; rejects with a sentence when that is not done. */
  transmitTest(request: TransmitRequest): Promise<TestOutcome>;
  /** Reads what the kernel holds, has it recorded, answers it, closes the sockets. `untilMs`: by `processMs`. */
  close(untilMs: number): Promise<void>;
}

interface OpenTest {
  readonly resolve: (outcome: TestOutcome) => void;
  readonly reject: (error: Error) => void;
}

/** Resolves once the port is bound; rejects with StoreUnusable and a remedy otherwise. */
export async function startListener(options: StartListenerOptions): Promise<ListenerHandle> {
  const { udpHost, udpPort, allowTransmit, sparing, recorder, log, onLost } = options;
  const settings: ListenerSettings = { udpHost, udpPort, allowTransmit, sparing, recorder };
  const worker = new Worker(new URL("./listener-thread.js", import.meta.url), {
    workerData: settings,
    transferList: [recorder],
  });
  const tests = new Map<number, OpenTest>();
  let nextTicket = 1;
  let closing = false;
  let figures: SocketFigures | undefined;
  const endTests = () => {
    for (const test of tests.values()) test.reject(new Error("The listener has ended."));
    tests.clear();
  };
  const ended = new Promise<void>((resolve) =>
    worker.once("exit", () => {
      endTests();
      resolve();
    }),
  );
  const ready = await new Promise<Extract<FromListener, { kind: "ready" }>>((resolve, reject) => {
    worker.once("error", reject);
    worker.on("message", (message: FromListener) => {
      switch (message.kind) {
        case "ready":
          resolve(message);
          break;
        case "unable":
          reject(new StoreUnusable(message.sentence, message.remedy));
          break;
        case "figures":
          figures = message.figures;
          break;
        case "tested":
          tests.get(message.ticket)?.resolve(message.outcome);
          tests.delete(message.ticket);
          break;
        case "not-tested":
          tests.get(message.ticket)?.reject(new Error(message.sentence));
          tests.delete(message.ticket);
          break;
        case "log":
          log(message.sentence);
          break;
        default:
          message satisfies never;
      }
    });
  });
  worker.on("error", (error) => {
    if (!closing) onLost(error);
  });
  const say = (message: ToListener) => worker.postMessage(message);
  return {
    udp: ready.udp,
    figures: () => figures ?? ready.figures,
    transmitTest: (request) =>
      new Promise((resolve, reject) => {
        const ticket = nextTicket++;
        tests.set(ticket, { resolve, reject });
        say({ kind: "transmit", ticket, request });
      }),
    close: async (untilMs) => {
      if (!closing) {
        closing = true;
        say({ kind: "close", untilMs });
      }
      await ended;
    },
  };
}
