/** How does the service get a passage? By starting its thread: the messages of both, and the handle that is all the service sees of it. */
import { type MessagePort, Worker } from "node:worker_threads";
import type { Endpoint } from "../../model/datagram.ts";
import { StoreUnusable } from "../../store/store-error.ts";
import type { ReceiveBuffer } from "../udp-listener.ts";
import type { PassageFigures } from "./relay.ts";
import type { RelayTarget } from "./targets.ts";

/** Settings of the passage's thread, handed over at its start. */
export interface PassageThreadSettings {
  readonly udpHost: string | null;
  readonly udpPort: number;
  readonly targets: readonly [RelayTarget, ...RelayTarget[]];
  /** Where copies go; the recording's thread holds the other end. */
  readonly copies: MessagePort;
}

/** Figures of the passage, with what its recording side lost. */
export interface RelayFigures extends PassageFigures {
  /** Copies that passed but were not recorded, because the recording could not keep up or has ended. */
  readonly copiesLost: number;
  /** Lost in the kernel before the passage could read them; null where the system does not tell. */
  readonly kernelDrops: number | null;
  readonly receiveBuffer: ReceiveBuffer;
}

export type ToPassage =
  /** Until when the whole intake is to have ended, by `processMs`. */
  { readonly kind: "close"; readonly untilMs: number } | { readonly kind: "recording-ended" };

export type FromPassage =
  | { readonly kind: "ready"; readonly udp: readonly Endpoint[]; readonly figures: RelayFigures }
  /** The thread could not start; it ends after this. */
  | { readonly kind: "unable"; readonly sentence: string; readonly remedy: string }
  | { readonly kind: "figures"; readonly figures: RelayFigures }
  | { readonly kind: "log"; readonly sentence: string };

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
