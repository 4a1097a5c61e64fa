/**
 * Datagrams on the recorder's thread until they are stored: decoded, then recorded with whatever else has queued, a
 * commit for about 10 ms of work. When the store cannot be written they wait and are tried again; who hands them over
 * (listener or relay) bounds how many.
 */
import type { Arrival } from "../model/datagram.ts";
import type { Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder } from "../store/recorder.ts";
import { decodeDownstream } from "../wire/forwarder/downstream.ts";
import { decodeUpstream } from "../wire/forwarder/upstream.ts";
import type { ListenedDatagram, SourceFault } from "./datagram-batch.ts";
import type { RecordingFigures } from "./handle.ts";
import { isBusy, recordBatch } from "./record-batch.ts";
import type { Copy } from "./relay/copies.ts";
import { isPossibleSource } from "./udp-listener.ts";

export interface RecordingQueueOptions {
  readonly recorder: Pick<Recorder, "record">;
  readonly clock: {
    /** Milliseconds that never step back. */
    monotonicMs(): number;
    after(delayMs: number, work: () => void): void;
    /** Runs the work once what has come in by now was taken. */
    soon(work: () => void): void;
  };
  readonly onRecorded: (recorded: Recorded) => void;
  /** So many more are stored (or counted as refused), in the order in which they were taken. */
  readonly onStored: (count: number) => void;
  /** Sparing: what comes within so long is one commit; 0: what has queued is committed at once. */
  readonly gatherMs?: number;
}

/** Radio packets in one transaction: as many as the largest concentrator reports at once (the reference daemons: 255). */
const MAX_PACKETS_A_COMMIT = 256;
/** Work in one transaction, its sync left out, so that no answer waits long for the one before it. */
const COMMIT_WORK_MS = 10;
/** Sparing: so many datagrams are committed although the time is not over, since the listener hands over no more than twice as many. */
const MAX_GATHERED = 64;
const RETRY_AFTER_MS = 50;
const RETRY_FAILED_AFTER_MS = 1_000;

type Item = DecodedArrival | DownlinkArrival;

interface Waiting {
  readonly decode: () => Item;
  /** null: not decoded yet. */
  item: Item | null;
}

export class RecordingQueue {
  readonly #options: RecordingQueueOptions;
  readonly #waiting: Waiting[] = [];
  #commitIsSet = false;
  /** A commit waits for more to come. */
  #isGathering = false;
  #retrying = false;
  #hasHeard = false;
  #hasStopped = false;
  #storage: RecordingFigures["storage"] = "well";
  #storageWords = "";

  constructor(options: RecordingQueueOptions) {
    this.#options = options;
  }

  /** Takes what the listener received or sent. */
  take({ bytes, atUs, from, to, sourceFault, sentTo }: ListenedDatagram): void {
    const arrival: Arrival = { bytes, atUs, from, to, door: "udp" };
    if (sentTo !== null) {
      this.#add(() => ({ arrival, downlink: decodeDownstream(bytes), gatewayEui: sentTo }));
      return;
    }
    this.#hasHeard = true;
    this.#add(() => upstream(arrival, sourceFault));
  }

  /** Takes the copy of a datagram that a relay passed on. */
  takeCopy({ bytes, atUs, from, to, way, gatewayEui }: Copy): void {
    const arrival: Arrival = { bytes, atUs, from, to, door: "relay" };
    if (way === "down") {
      this.#add(() => ({ arrival, downlink: decodeDownstream(bytes), gatewayEui }));
      return;
    }
    this.#hasHeard = true;
    this.#add(() => upstream(arrival, isPossibleSource(from) ? null : "source"));
  }

  /** True once something came from a gateway. */
  get hasHeard(): boolean {
    return this.#hasHeard;
  }

  /** True while something waits that is not merely gathered. */
  get isBusy(): boolean {
    return this.#waiting.length > 0 && !this.#isGathering;
  }

  figures(): Omit<RecordingFigures, "check" | "datagramFile"> {
    return { waiting: this.#waiting.length, storage: this.#storage, storageWords: this.#storageWords };
  }

  /** Records all that waits, as far as the store lets it, until the moment given (monotonic milliseconds). */
  drain(untilMs: number): void {
    while (this.#waiting.length > 0 && this.#options.clock.monotonicMs() < untilMs) {
      const before = this.#waiting.length;
      this.#commit();
      if (this.#waiting.length === before) return;
    }
  }

  /** Records nothing any more; call before the store is closed. */
  stop(): void {
    this.#hasStopped = true;
  }

  #add(decode: () => Item): void {
    this.#waiting.push({ decode, item: null });
    if (!this.#retrying) this.#schedule();
  }

  #schedule(): void {
    const { clock, gatherMs = 0 } = this.#options;
    if (this.#commitIsSet) return;
    if (gatherMs > 0 && this.#waiting.length < MAX_GATHERED) {
      if (this.#isGathering) return;
      this.#isGathering = true;
      clock.after(gatherMs, () => {
        if (!this.#isGathering) return;
        this.#isGathering = false;
        if (this.#waiting.length > 0 && !this.#retrying && !this.#hasStopped) this.#commitSoon();
      });
      return;
    }
    this.#commitSoon();
  }

  #commitSoon(): void {
    if (this.#commitIsSet) return;
    this.#isGathering = false;
    this.#commitIsSet = true;
    this.#options.clock.soon(() => {
      this.#commitIsSet = false;
      if (this.#retrying || this.#hasStopped) return;
      this.#commit();
      if (this.#waiting.length > 0 && !this.#retrying) this.#schedule();
    });
  }

  #commit(): void {
    const { recorder, clock, onRecorded, onStored } = this.#options;
    const untilMs = clock.monotonicMs() + COMMIT_WORK_MS;
    const batch = this.#nextBatch();
    if (batch.length === 0) return;
    const { recorded, done, trouble } = recordBatch(recorder, batch, {
      isEnough: () => clock.monotonicMs() >= untilMs,
    });
    this.#waiting.splice(0, done);
    if (done > 0) {
      onStored(done);
      onRecorded(recorded);
    }
    if (trouble !== null) {
      this.#storageFailed(trouble);
      return;
    }
    this.#retrying = false;
    this.#storage = "well";
    this.#storageWords = "";
  }

  #nextBatch(): Item[] {
    const batch: Item[] = [];
    let packets = 0;
    for (const waiting of this.#waiting) {
      if (packets >= MAX_PACKETS_A_COMMIT) break;
      waiting.item ??= waiting.decode();
      packets += packetsOf(waiting.item);
      batch.push(waiting.item);
    }
    return batch;
  }

  #storageFailed(error: Error): void {
    const busy = isBusy(error);
    this.#storage = busy ? "slow" : "failed";
    this.#storageWords = busy
      ? "Another program is using the store; what arrives waits in memory."
      : `The store cannot be written: ${error.message}. What arrives waits in memory, about 20,000 datagrams at most.`;
    this.#retrying = true;
    this.#options.clock.after(busy ? RETRY_AFTER_MS : RETRY_FAILED_AFTER_MS, () => {
      this.#retrying = false;
      if (this.#hasStopped) return;
      this.#commit();
      if (!this.#retrying && this.#waiting.length > 0) this.#schedule();
    });
  }
}

/** A datagram from a source that cannot be a gateway is not read. */
function upstream(arrival: Arrival, sourceFault: SourceFault | null): DecodedArrival {
  if (sourceFault === null) return { arrival, decoding: decodeUpstream(arrival.bytes) };
  return { arrival, decoding: { ok: false, fault: { reason: sourceFault, layer: "udp", at: 0 } } };
}

/** Radio packets of a datagram; one without any costs about as much as one packet. */
function packetsOf(item: Item): number {
  if ("downlink" in item || !item.decoding.ok || item.decoding.datagram.kind !== "push-data") return 1;
  return Math.max(1, item.decoding.datagram.packets.length);
}
