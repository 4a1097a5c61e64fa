/** What do the passage's thread and the service say to each other? Small, plain messages and no more. */
import type { MessagePort } from "node:worker_threads";
import type { Endpoint } from "../../model/datagram.ts";
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
