/**
 * How does what passes reach the recording without ever waiting for it? As copies, in small batches, never more than so
 * many at once on their way: the recorder reports how many it has stored. What has no room is counted, not kept.
 */
import type { Endpoint } from "../../model/datagram.ts";
import type { Eui } from "../../model/identifiers.ts";
import { Fifo } from "../fair-queue.ts";

/** A datagram that passed, or was refused passage. */
export interface Copy {
  readonly bytes: Uint8Array;
  /** Microseconds since 1970, when it arrived at the relay. */
  readonly atUs: number;
  readonly from: Endpoint;
  readonly to: Endpoint;
  readonly way: "up" | "down";
  /** Whose association it came by; null where that is not known. */
  readonly gatewayEui: Eui | null;
}

export interface CopyQueueOptions {
  /** Hands a batch to the other side. */
  readonly post: (batch: readonly Copy[]) => void;
  /** Runs the work once what has arrived by now was passed on. */
  readonly soon: (work: () => void) => void;
}

/** Some twenty seconds of a busy site while the store is slow; beyond that, and beyond 32 MiB, copies are lost and counted. */
const MAX_ON_THE_WAY = 20_000;
const MAX_BYTES = 32 * 1024 * 1024;

export class CopyQueue {
  readonly #options: CopyQueueOptions;
  #batch: Copy[] = [];
  /** Octets of each copy on its way, oldest first. */
  readonly #onTheWay = new Fifo<number>();
  #count = 0;
  #bytes = 0;
  #lost = 0;
  #ended = false;

  constructor(options: CopyQueueOptions) {
    this.#options = options;
  }

  /** Copies that were lost because the recording could not keep up, or has ended. */
  get lost(): number {
    return this.#lost;
  }

  get waiting(): number {
    return this.#count;
  }

  add(copy: Copy): void {
    if (this.#ended || this.#count >= MAX_ON_THE_WAY || this.#bytes + copy.bytes.length > MAX_BYTES) {
      this.#lost += 1;
      return;
    }
    this.#count += 1;
    this.#bytes += copy.bytes.length;
    this.#batch.push(copy);
    if (this.#batch.length === 1) this.#options.soon(() => this.flush());
  }

  /** Posts what has gathered. */
  flush(): void {
    if (this.#batch.length === 0) return;
    const batch = this.#batch;
    this.#batch = [];
    for (const { bytes } of batch) this.#onTheWay.push(bytes.length);
    this.#options.post(batch);
  }

  /** The recorder has stored the oldest `count`. */
  stored(count: number): void {
    for (let i = 0; i < count; i++) {
      const bytes = this.#onTheWay.shift();
      if (bytes === undefined) return;
      this.#count -= 1;
      this.#bytes -= bytes;
    }
  }

  /** The recording is gone for good: what is on its way is lost, and whatever comes. */
  end(): void {
    this.#ended = true;
    this.#lost += this.#count;
    this.#count = 0;
    this.#bytes = 0;
    this.#batch = [];
    this.#onTheWay.clear();
  }
}
