/** What the listener or the relay hands to the recorder's thread, and the report on what became of it. */
import type { MessagePort } from "node:worker_threads";
import type { Arrival, Endpoint } from "../model/datagram.ts";
import { type DatagramBatch, unpackDatagrams } from "./datagram-batch.ts";
import type { RecordingQueue } from "./recording-queue.ts";
import type { Copy } from "./relay/copies.ts";

/** To the recorder. */
export type ToRecorder =
  | { readonly kind: "datagrams"; readonly batch: DatagramBatch }
  | { readonly kind: "copies"; readonly batch: readonly Copy[] }
  /** Nothing more will come. Until when the whole intake is to have ended, by `processMs`. */
  | { readonly kind: "end"; readonly untilMs: number };

/** From the recorder: so many more are stored, in the order in which they were handed over. */
export type FromRecorder =
  | { readonly kind: "stored"; readonly count: number }
  /** After `end`: all is stored, or will not be any more. */
  | { readonly kind: "drained" };

export interface RecorderInput {
  stored(count: number): void;
  /** Resolves once all has been recorded that came before the end, as far as the store let it. */
  readonly ended: Promise<void>;
}

/**
 * Follows what comes in by the port until its end; `drain` records what is left, null: nobody said until when. `seen`
 * gets each datagram first.
 */
export function openRecorderInput(
  port: MessagePort,
  queue: RecordingQueue,
  seen: (datagram: Omit<Arrival, "door">) => void,
  drain: (untilMs: number | null) => void,
): RecorderInput {
  const post = (message: FromRecorder): void => port.postMessage(message);
  const way = new WayBack();
  let hasEnded = false;
  const ended = new Promise<void>((resolve) => {
    port.on("message", (message: ToRecorder) => {
      switch (message.kind) {
        case "datagrams":
          for (const datagram of unpackDatagrams(message.batch)) {
            seen(datagram);
            queue.take(datagram);
          }
          break;
        case "copies":
          for (const copy of message.batch) {
            seen(way.seenByGateway(copy));
            queue.takeCopy(copy);
          }
          break;
        case "end":
          hasEnded = true;
          drain(message.untilMs);
          post({ kind: "drained" });
          resolve();
          break;
        default:
          message satisfies never;
      }
    });
    // Closed without an end: the other thread is gone, and nothing more will come.
    port.on("close", () => {
      if (!hasEnded) drain(null);
      resolve();
    });
  });
  return { stored: (count) => post({ kind: "stored", count }), ended };
}

/**
 * A server's datagram as the gateway gets it: from the end of this machine that the gateway sends to. So both directions
 * are one conversation in a recording, whatever the server's port.
 */
class WayBack {
  /** The end of ours that a gateway of this family, IPv6 or not, sent to last. All ends have one port. */
  readonly #ours = new Map<boolean, Endpoint>();

  seenByGateway(copy: Copy): Copy {
    if (copy.way === "up") {
      this.#ours.set(copy.from.address.includes(":"), copy.to);
      return copy;
    }
    const from = this.#ours.get(copy.to.address.includes(":"));
    return from === undefined ? copy : { ...copy, from };
  }
}
