/** How does the service get a passage? By starting its thread; this handle is all that it sees of it. */
import { type MessagePort, Worker } from "node:worker_threads";
import type { Endpoint } from "../../model/datagram.ts";
import { StoreUnusable } from "../../store/store-error.ts";
import type { FromPassage, PassageThreadSettings, RelayFigures, ToPassage } from "./messages.ts";

export interface StartPassageOptions extends Omit<PassageThreadSettings, "copies"> {
  readonly copies: MessagePort;
  readonly log: (sentence: string) => void;
  /** The thread ended although nobody asked it to: nothing passes any more. */
  readonly onLost: (error: Error) => void;
}

export interface PassageHandle {
  readonly udp: readonly Endpoint[];
  figures(): RelayFigures;
  /** The recording's thread is gone: copies are counted as lost from now on. */
  recordingEnded(): void;
  /** Closes the sockets and hands the last copies over. `untilMs`: see IntakeHandle.close, by `processMs`. */
  close(untilMs: number): Promise<void>;
}

/** Resolves once the port is bound; rejects with StoreUnusable and a remedy otherwise. */
export async function startPassage(options: StartPassageOptions): Promise<PassageHandle> {
  const { udpHost, udpPort, targets, copies } = options;
  const settings: PassageThreadSettings = { udpHost, udpPort, targets, copies };
  const worker = new Worker(new URL("./thread.js", import.meta.url), {
    workerData: settings,
    transferList: [copies],
  });
  let closing = false;
  let figures: RelayFigures | undefined;
  const ended = new Promise<void>((resolve) => worker.once("exit", () => resolve()));
  const ready = await new Promise<Extract<FromPassage, { kind: "ready" }>>((resolve, reject) => {
    worker.once("error", reject);
    worker.on("message", (message: FromPassage) => {
      if (message.kind === "figures") figures = message.figures;
      else if (message.kind === "log") options.log(message.sentence);
      else if (message.kind === "unable") reject(new StoreUnusable(message.sentence, message.remedy));
      else {
        figures = message.figures;
        resolve(message);
      }
    });
  });
  worker.on("error", (error) => {
    if (!closing) options.onLost(error);
  });
  const say = (message: ToPassage) => worker.postMessage(message);
  return {
    udp: ready.udp,
    figures: () => figures ?? ready.figures,
    recordingEnded: () => say({ kind: "recording-ended" }),
    close: async (untilMs) => {
      if (!closing) {
        closing = true;
        say({ kind: "close", untilMs });
      }
      await ended;
    },
  };
}
