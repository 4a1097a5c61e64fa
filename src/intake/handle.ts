/**
 * What does the rest of the house see of the intake? This handle and nothing else: figures and small deltas
 * come out, names and files to read go in. The listener's thread owns the socket, the recorder's the writing connection.
 */
import type { Endpoint } from "../model/datagram.ts";
import type { DevAddr, Eui } from "../model/identifiers.ts";
import type { Forgettable } from "../store/forget.ts";
import type { UserChange } from "../store/user-changes.ts";
import type { Written } from "../store/written.ts";
import type { Transmission } from "../wire/forwarder/downstream.ts";
import type { DatagramFileFigures } from "./datagram-file.ts";
import type { TestOutcome } from "./downlink-test.ts";
import type { StoreCheck } from "./follow-check.ts";
import type { SourceDrops } from "./guards.ts";
import type { RelayFigures } from "./relay/start.ts";
import type { ReceiveBuffer } from "./udp-listener.ts";

/** Of the listener, since the service started. */
export interface ListenerFigures {
  readonly datagrams: number;
  readonly lastAtUs: number | null;
  readonly lastFrom: string | null;
  /** Acknowledged after the commit that holds them. */
  readonly answeredAfterCommit: number;
  /** Answered before they were stored, because storing took longer than a gateway may wait, or failed. */
  readonly answeredBeforeStored: number;
  /** Datagrams that are not stored yet. */
  readonly waiting: number;
  /** Lost because the bounded buffer, or the share of their source in it, was full. */
  readonly dropped: number;
  /** The sources that lost most; counts add up to `dropped`. */
  readonly droppedBySource: readonly SourceDrops[];
  /** One sentence when what arrives cannot be stored at once; empty otherwise. */
  readonly slowness: string;
}

/** Of the recorder. */
export interface RecordingFigures {
  /** Datagrams on the recorder's thread that are not stored yet. */
  readonly waiting: number;
  readonly storage: "well" | "slow" | "failed";
  /** One sentence, empty while all is well. */
  readonly storageWords: string;
  /** Whether the store is damaged, as far as it was checked. */
  readonly check: StoreCheck;
  /** The file that datagrams are appended to as they come; null: none was asked for. */
  readonly datagramFile: DatagramFileFigures | null;
}

/** Figures since the service started, posted about twice a second. */
export interface IntakeFigures extends Omit<ListenerFigures, "slowness">, RecordingFigures {
  /** Lost in the kernel before this program could read them; null where the system does not tell. */
  readonly kernelDrops: number | null;
  /** null until the port is open. */
  readonly receiveBuffer: ReceiveBuffer | null;
  /** The passage, when datagrams are relayed; null when gateways send to this listener alone. */
  readonly relay: RelayFigures | null;
}

/** What changed in the store; posted at most every 100 ms, joined over the commits in between. */
export interface CommitDelta {
  readonly gateways: readonly Eui[];
  readonly nodes: readonly DevAddr[];
  /** Highest reception id written; the feed reads from the last one that it showed. */
  readonly lastReceptionId: number;
  /** True when names, captures or whole addresses were rewritten. */
  readonly wide: boolean;
}

export interface CaptureProgress {
  readonly captureId: number;
  /** 0 to 1. */
  readonly progress: number;
  readonly state: "reading" | "done" | "failed";
}

/** One test frame, already judged against the region's limits. */
export interface TransmitRequest {
  readonly gatewayEui: Eui;
  readonly transmission: Transmission;
  /** The frame in words, for the log. */
  readonly what: string;
}

export interface IntakeHandle {
  /** Addresses and ports bound. */
  readonly udp: readonly Endpoint[];
  figures(): IntakeFigures;
  onCommit(listener: (delta: CommitDelta) => void): () => void;
  /** Somebody looks: resolves once all that was stored is in rows, or a second later. */
  look(): Promise<void>;
  onCapture(listener: (progress: CaptureProgress) => void): () => void;
  /** Starts reading a capture file through the one path; resolves with its row's id once the row exists. */
  importCapture(request: { path: string; name: string; deleteAfter: boolean }): Promise<number>;
  /** Writes what a person entered: marks, placements, photos, positions, names, keys. */
  change(change: UserChange): Promise<Written>;
  /** Forgets a gateway or a node with all its rows, step by step; resolves once that is queued. */
  forget(thing: Forgettable): Promise<Written>;
  /** Whether a person may ask a gateway to send; and since when a gateway has called, which is the downlink path to it. */
  readonly allowsTransmit: boolean;
  /** Few commits: what arrived in the last second is not stored yet, although answered. */
  readonly isSparing: boolean;
  /** Asks a gateway to send one frame; rejects with a sentence when that is not done. */
  transmitTest(request: TransmitRequest): Promise<TestOutcome>;
  /**
   * Drains what was received, as far as the time allows, closes socket and connection. All threads share the time: what one
   * of them uses is missing to the next.
   */
  close(withinMs?: number): Promise<void>;
}
