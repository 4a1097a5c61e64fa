/** What do the service and the intake's thread say to each other? Small, plain messages and no more. */
import type { MessagePort } from "node:worker_threads";
import type { Endpoint } from "../model/arrival.ts";
import type { BenchReferenceRow } from "../store/bench-reference.ts";
import type { MarkWork } from "../store/marks.ts";
import type { PlacementWork } from "../store/placements.ts";
import type { PositionRequest } from "../store/positions.ts";
import type { Picture } from "../wire/picture/plain-picture.ts";
import type { CaptureProgress, CommitDelta, IntakeFigures, LabelRequest, TransmitRequest } from "./handle.ts";
import type { TestOutcome } from "./transmit-desk.ts";

/** Settings of the thread, handed over at its start. */
export interface ThreadSettings {
  readonly dbPath: string;
  readonly udpHost: string | null;
  readonly udpPort: number;
  /** True: a person may ask a gateway to send a test frame. Never without being told so. */
  readonly allowTransmit: boolean;
  /** In line: copies of what passes come in here, and no socket is opened; null when gateways send to this thread. */
  readonly copies: MessagePort | null;
}

export type ToThread =
  | {
      readonly kind: "import";
      readonly ticket: number;
      readonly path: string;
      readonly name: string;
      readonly deleteAfter: boolean;
    }
  | { readonly kind: "label"; readonly ticket: number; readonly label: LabelRequest }
  | { readonly kind: "marks"; readonly ticket: number; readonly work: MarkWork }
  | { readonly kind: "placements"; readonly ticket: number; readonly work: PlacementWork }
  | {
      readonly kind: "placement-photo";
      readonly ticket: number;
      readonly id: number;
      readonly picture: Picture | null;
    }
  | { readonly kind: "position"; readonly ticket: number; readonly position: PositionRequest }
  | {
      readonly kind: "bench-reference";
      readonly ticket: number;
      readonly reference: BenchReferenceRow | null;
    }
  | { readonly kind: "name-site"; readonly ticket: number; readonly name: string | null }
  | { readonly kind: "add-keys"; readonly ticket: number; readonly fileText: string }
  | { readonly kind: "remove-keys"; readonly ticket: number; readonly id: string }
  | { readonly kind: "transmit"; readonly ticket: number; readonly request: TransmitRequest }
  | { readonly kind: "close" };

export type FromThread =
  | { readonly kind: "ready"; readonly udp: readonly Endpoint[] }
  /** The thread could not start; it ends after this. */
  | { readonly kind: "unable"; readonly sentence: string; readonly remedy: string }
  | { readonly kind: "figures"; readonly figures: Omit<IntakeFigures, "relay"> }
  | { readonly kind: "committed"; readonly delta: CommitDelta }
  | { readonly kind: "capture"; readonly progress: CaptureProgress }
  | {
      readonly kind: "done";
      readonly ticket: number;
      /** What was asked for: the row of a capture, a number of keys. */
      readonly result: number;
      readonly trouble: string | null;
    }
  | { readonly kind: "tested"; readonly ticket: number; readonly outcome: TestOutcome }
  | { readonly kind: "log"; readonly sentence: string };
