/**
 * Datagrams on the recorder's thread until they are stored: decoded, then recorded with whatever else has queued, a
 * commit for about 10 ms of work. When the store cannot be written they wait and are tried again; who hands them over
 * (listener or relay) bounds how many.
 *
 * While nobody looks, few datagrams are only held (store/held-log.ts): durable as they came, and made rows together, a
 * minute later or as soon as somebody looks. The order of all of them stays.
 */
import type { HeldDatagram } from "../store/held-log.ts";
import type { Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder } from "../store/recorder.ts";
import { decodeDownstream } from "../wire/forwarder/downstream.ts";
import { decodeUpstream } from "../wire/forwarder/upstream.ts";
import type { ListenedDatagram } from "./datagram-batch.ts";
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
  /** What holds datagrams, and whether it may now: nobody looks. Absent: never. */
  readonly holding?: { readonly recorder: Pick<Recorder, "hold">; readonly isAllowed: () => boolean };
}

/** Radio packets in one transaction: as many as the largest concentrator reports at once (the reference daemons: 255). */
const MAX_PACKETS_A_COMMIT = 256;
/** Work in one transaction, its sync left out, so that no answer waits long for the one before it. */
const COMMIT_WORK_MS = 10;
/** Sparing: so many datagrams are committed although the time is not over, since the listener hands over no more than twice as many. */
const MAX_GATHERED = 64;
/** Held datagrams become rows after so long at most. Chosen. */
export const HOLD_MS = 60_000;
/** Sparing: the same. Chosen: at two datagrams a second a longer time saves little more. */
const SPARING_HOLD_MS = 120_000;
/** Sparing: no answer waits for a commit, so that one takes all that is held; many small ones write the same pages again. */
const SPARING_WORK_MS = 200;
/** More at once become rows at once: they share pages already. Chosen: as many as the listener hands over together. */
const MAX_HELD_AT_ONCE = 64;
const RETRY_AFTER_MS = 50;
const RETRY_FAILED_AFTER_MS = 1_000;

type Item = DecodedArrival | DownlinkArrival;

interface Waiting {
  readonly datagram: HeldDatagram;
  /** null: not decoded yet. */
  item: Item | null;
}

export class RecordingQueue {
  readonly #options: RecordingQueueOptions;
  readonly #waiting: Waiting[] = [];
  /** Durable, and not in rows yet; all of them came before those that wait. */
  readonly #held: Waiting[] = [];
  /** Held ones are to become rows now. */
  #isReleasing = false;
  /** Counts the logs: a timer releases the one that it was set for. */
  #logNumber = 0;
  readonly #caughtUp: (() => void)[] = [];
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
    const way = sentTo === null ? "up" : "down";
    this.#add({ bytes, atUs, from, to, door: "udp", way, gatewayEui: sentTo, sourceFault });
  }

  /** Takes the copy of a datagram that a relay passed on. */
  takeCopy({ bytes, atUs, from, to, way, gatewayEui }: Copy): void {
    const sourceFault = way === "down" || isPossibleSource(from) ? null : "source";
    this.#add({ bytes, atUs, from, to, door: "relay", way, gatewayEui, sourceFault });
  }

  /** Resolves once what was held by now is rows, or the store takes nothing. */
  catchUp(): Promise<void> {
    if (this.#held.length === 0 || this.#retrying || this.#hasStopped) return Promise.resolve();
    return new Promise((resolve) => {
      this.#caughtUp.push(resolve);
      this.#release();
    });
  }

  get #isSparing(): boolean {
    return (this.#options.gatherMs ?? 0) > 0;
  }

  /** True once something came from a gateway. */
  get hasHeard(): boolean {
    return this.#hasHeard;
  }

  /** True while something waits that is not merely gathered or held. */
  get isBusy(): boolean {
    return this.#isReleasing || (this.#waiting.length > 0 && !this.#isGathering);
  }

  /** When the oldest datagram came that is held; null: none is. */
  get heldFromUs(): number | null {
    return this.#held[0]?.datagram.atUs ?? null;
  }

  figures(): Omit<RecordingFigures, "check" | "datagramFile"> {
    return { waiting: this.#waiting.length, storage: this.#storage, storageWords: this.#storageWords };
  }

  /** Records all that waits or is held, as far as the store lets it, until the moment given (monotonic milliseconds). */
  drain(untilMs: number): void {
    const left = () => this.#waiting.length + this.#held.length;
    while (left() > 0 && this.#options.clock.monotonicMs() < untilMs) {
      const before = left();
      this.#record();
      if (left() === before) return;
    }
  }

  /** Records nothing any more; call before the store is closed. */
  stop(): void {
    this.#hasStopped = true;
    this.#tellCaughtUp();
  }

  /**
   * Makes durable what still waits, as it came and as much as there is room for: where the time was too short for rows.
   * Returns how many datagrams the next start makes rows of.
   */
  holdRest(): number {
    for (let count = this.#waiting.length; count > 0; count = Math.floor(count / 2))
      if (this.#holdFirst(count)) break;
    return this.#held.length;
  }

  #holdFirst(count: number): boolean {
    const first = this.#waiting.slice(0, count);
    try {
      const room = this.#options.holding?.recorder.hold(first.map(({ datagram }) => datagram)) ?? "none";
      if (room === "none") return false;
    } catch {
      // The store refuses: what waits is lost, and named by who asked for this.
      return false;
    }
    this.#held.push(...this.#waiting.splice(0, count));
    this.#options.onStored(count);
    return true;
  }

  #add(datagram: HeldDatagram): void {
    if (datagram.way === "up") this.#hasHeard = true;
    this.#waiting.push({ datagram, item: null });
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
      this.#goOn();
    });
  }

  #goOn(): void {
    if (this.#retrying) return;
    if (this.#waiting.length > 0) this.#schedule();
    else if (this.#isReleasing) this.#commitSoon();
  }

  /** What waits comes first: a gateway waits for its answer, and what is held is durable. */
  #commit(): void {
    const { holding } = this.#options;
    if (holding !== undefined && this.#waiting.length > 0 && this.#mayHold(holding.isAllowed))
      this.#hold(holding.recorder);
    else if (this.#waiting.length > 0 || this.#isReleasing) this.#record();
  }

  #mayHold(isAllowed: () => boolean): boolean {
    if (this.#waiting.length > MAX_HELD_AT_ONCE) return false;
    return this.#held.length > 0 || isAllowed();
  }

  /** Makes all that waits durable as it came. */
  #hold(recorder: Pick<Recorder, "hold">): void {
    const { clock, onStored } = this.#options;
    let room: "ample" | "little" | "none";
    try {
      room = recorder.hold(this.#waiting.map(({ datagram }) => datagram));
    } catch (error) {
      this.#storageFailed(error instanceof Error ? error : new Error(String(error)));
      return;
    }
    if (room !== "ample") this.#isReleasing = true;
    if (room === "none") {
      this.#record();
      return;
    }
    const held = this.#waiting.splice(0);
    this.#isWell();
    if (this.#held.length === 0) {
      this.#logNumber += 1;
      const own = this.#logNumber;
      clock.after(this.#isSparing ? SPARING_HOLD_MS : HOLD_MS, () => {
        if (own === this.#logNumber && this.#held.length > 0 && !this.#hasStopped) this.#release();
      });
    }
    this.#held.push(...held);
    onStored(held.length);
  }

  #release(): void {
    this.#isReleasing = true;
    if (!this.#retrying) this.#commitSoon();
  }

  /** Makes rows of what is held, and then of what waits, for one commit. */
  #record(): void {
    const { recorder, clock, onRecorded, onStored } = this.#options;
    const untilMs = clock.monotonicMs() + (this.#isSparing ? SPARING_WORK_MS : COMMIT_WORK_MS);
    const held = this.#held.length;
    const batch = this.#nextBatch();
    if (batch.length === 0) return;
    const { recorded, done, trouble } = recordBatch(recorder, batch, {
      isEnough: () => clock.monotonicMs() >= untilMs,
      held,
    });
    const released = Math.min(done, held);
    this.#held.splice(0, released);
    this.#waiting.splice(0, done - released);
    if (done > released) onStored(done - released);
    if (done > 0) onRecorded(recorded);
    if (trouble !== null) {
      this.#storageFailed(trouble);
      return;
    }
    this.#isWell();
    if (this.#held.length > 0) return;
    this.#isReleasing = false;
    this.#tellCaughtUp();
  }

  #isWell(): void {
    this.#retrying = false;
    this.#storage = "well";
    this.#storageWords = "";
  }

  #tellCaughtUp(): void {
    for (const tell of this.#caughtUp.splice(0)) tell();
  }

  #nextBatch(): Item[] {
    const batch: Item[] = [];
    const mostPackets = this.#isSparing ? Number.POSITIVE_INFINITY : MAX_PACKETS_A_COMMIT;
    let packets = 0;
    for (const list of [this.#held, this.#waiting]) {
      for (const waiting of list) {
        if (packets >= mostPackets) return batch;
        waiting.item ??= itemOf(waiting.datagram);
        packets += packetsOf(waiting.item);
        batch.push(waiting.item);
      }
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
    // Whoever looks sees what there is.
    this.#tellCaughtUp();
    this.#options.clock.after(busy ? RETRY_AFTER_MS : RETRY_FAILED_AFTER_MS, () => {
      this.#retrying = false;
      if (this.#hasStopped) return;
      this.#commit();
      this.#goOn();
    });
  }
}

/** A datagram as the recorder takes it; one from a source that cannot be a gateway is not read. */
function itemOf({ way, gatewayEui, sourceFault, ...arrival }: HeldDatagram): Item {
  if (way === "down") return { arrival, downlink: decodeDownstream(arrival.bytes), gatewayEui };
  if (sourceFault === null) return { arrival, decoding: decodeUpstream(arrival.bytes) };
  return { arrival, decoding: { ok: false, fault: { reason: sourceFault, layer: "udp", at: 0 } } };
}

/**
 * Makes rows of what an earlier run held that was killed, however long it takes; how many datagrams. Not while a service
 * records into the store: what is held then is its own. Throws when the store refuses.
 */
export function recordLeftHeld(recorder: Pick<Recorder, "record" | "takeUpHeld">): number {
  const items = recorder.takeUpHeld().datagrams.map(itemOf);
  for (let done = 0; done < items.length; ) {
    const left = items.slice(done);
    const outcome = recordBatch(recorder, left, { held: left.length });
    if (outcome.trouble !== null) throw outcome.trouble;
    done += outcome.done;
  }
  return items.length;
}

/** Radio packets of a datagram; one without any costs about as much as one packet. */
function packetsOf(item: Item): number {
  if ("downlink" in item || !item.decoding.ok || item.decoding.datagram.kind !== "push-data") return 1;
  return Math.max(1, item.decoding.datagram.packets.length);
}
