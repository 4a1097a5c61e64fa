/** Messages between the service and the threads of listener and recorder: small and plain. */
import type { MessagePort } from "node:worker_threads";
import type { Endpoint } from "../model/datagram.ts";
import type { TestOutcome } from "./downlink-test.ts";
import type {
  CaptureProgress,
  CommitDelta,
  ListenerFigures,
  RecordingFigures,
  TransmitRequest,
} from "./handle.ts";
import type { RecorderCommand, ResultOf } from "./recorder-commands.ts";
import type { ReceiveBuffer } from "./udp-listener.ts";

/** Settings of the recorder's thread, handed over at its start. */
export interface RecorderSettings {
  readonly dbPath: string;
  /** What the listener or the relay hands over comes in here. */
  readonly input: MessagePort;
  /** True: a relay's thread must not wait for the processor because of this one. */
  readonly inLine: boolean;
  /** What is received is appended to this file, too; null: to none. */
  readonly recordTo: string | null;
  /** True: few commits, each of what a second brought. */
  readonly sparing: boolean;
  /** Rows may wait once nobody looked for so long, milliseconds; null: never. */
  readonly holdAfterMs: number | null;
}

/** Settings of the listener's thread. */
export interface ListenerSettings {
  readonly udpHost: string | null;
  readonly udpPort: number;
  /** True: a person may ask a gateway to send a test frame. Off unless asked for at the start. */
  readonly allowTransmit: boolean;
  /** True: answers wait for no commit, since those are made once a second. */
  readonly sparing: boolean;
  /** What was received goes to the recorder by this. */
  readonly recorder: MessagePort;
}

export type ToListener =
  | { readonly kind: "transmit"; readonly ticket: number; readonly request: TransmitRequest }
  /** Until when the whole intake is to have ended, by `processMs`. */
  | { readonly kind: "close"; readonly untilMs: number };

export type FromListener =
  | { readonly kind: "ready"; readonly udp: readonly Endpoint[]; readonly figures: SocketFigures }
  /** The thread could not start; it ends after this. */
  | { readonly kind: "unable"; readonly sentence: string; readonly remedy: string }
  | { readonly kind: "figures"; readonly figures: SocketFigures }
  | { readonly kind: "tested"; readonly ticket: number; readonly outcome: TestOutcome }
  | { readonly kind: "not-tested"; readonly ticket: number; readonly sentence: string }
  | { readonly kind: "log"; readonly sentence: string };

/** What the listener's thread knows of itself and of its sockets. */
export interface SocketFigures extends ListenerFigures {
  /** Lost in the kernel before the listener could read them; null where the system does not tell. */
  readonly kernelDrops: number | null;
  readonly receiveBuffer: ReceiveBuffer;
}

export type ToRecorderThread =
  | { readonly kind: "command"; readonly ticket: number; readonly command: RecorderCommand }
  /** Somebody looks: what was stored is to be in rows. */
  | { readonly kind: "look"; readonly ticket: number }
  /** As for the listener. */
  | { readonly kind: "close"; readonly untilMs: number };

export type FromRecorderThread =
  | { readonly kind: "ready" }
  /** The thread could not start; it ends after this. */
  | { readonly kind: "unable"; readonly sentence: string; readonly remedy: string }
  | { readonly kind: "figures"; readonly figures: RecordingFigures }
  | { readonly kind: "committed"; readonly delta: CommitDelta }
  | { readonly kind: "capture"; readonly progress: CaptureProgress }
  | { readonly kind: "caught-up"; readonly ticket: number }
  | { readonly kind: "done"; readonly ticket: number; readonly result: ResultOf<RecorderCommand> }
  /** The command could not be carried out: the error of the store or of a file. */
  | { readonly kind: "failed"; readonly ticket: number; readonly sentence: string }
  | { readonly kind: "log"; readonly sentence: string };
