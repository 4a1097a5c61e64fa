/**
 * A bounded buffer in which every source has its share: addresses take turns, and within an address its ports do. A
 * source that sends too much fills its own share; the others still find room and are served next.
 *
 * Serving: deficit round robin over octets (Shreedhar and Varghese, "Efficient Fair Queuing Using Deficit Round-Robin",
 * IEEE/ACM Transactions on Networking 4(3), 1996). Room: dynamic thresholds (Choudhury and Hahne, "Dynamic Queue Length
 * Thresholds for Shared-Memory Packet Switches", IEEE/ACM Transactions on Networking 6(2), 1998): a source may hold
 * SHARE times what is free. One source alone gets about nine tenths, and some room always stays free.
 */
import type { Endpoint } from "../model/datagram.ts";

/** First in, first out, at a cost that does not depend on how many wait (Array.shift moves all of them). */
export class Fifo<T> {
  #items: (T | undefined)[] = [];
  #at = 0;

  get length(): number {
    return this.#items.length - this.#at;
  }

  /** The oldest; undefined when empty. */
  get head(): T | undefined {
    return this.#items[this.#at];
  }

  push(item: T): void {
    this.#items.push(item);
  }

  /** Takes the oldest out; undefined when empty. */
  shift(): T | undefined {
    const item = this.#items[this.#at];
    if (this.#at === this.#items.length) return undefined;
    this.#items[this.#at] = undefined;
    this.#at += 1;
    if (this.#at === this.#items.length) {
      this.#items = [];
      this.#at = 0;
    } else if (this.#at > 1_024 && this.#at * 2 > this.#items.length) {
      this.#items = this.#items.slice(this.#at);
      this.#at = 0;
    }
    return item;
  }

  clear(): void {
    this.#items = [];
    this.#at = 0;
  }
}

/** Chosen: a single gateway may use nearly all while the store stands still. */
const SHARE = 8;
/** Octets that one turn allows: one or two radio packets. */
const TURN_BYTES = 500;

export interface FairQueueLimits {
  readonly maxItems: number;
  readonly maxBytes: number;
}

/** What a source holds of the buffer. */
interface Held {
  items: number;
  bytes: number;
}

interface Sized<T> {
  readonly item: T;
  readonly bytes: number;
}

/** One source, or one group of sources, that takes turns with its like. */
abstract class Member<T> implements Held {
  items = 0;
  bytes = 0;
  /** Octets that it may still send in its turn. */
  credit = TURN_BYTES;
  /** Octets of what it would give next. */
  abstract nextBytes(): number;
  abstract take(): Sized<T> | null;
}

class PortQueue<T> extends Member<T> {
  readonly #waiting = new Fifo<Sized<T>>();

  push(sized: Sized<T>): void {
    this.#waiting.push(sized);
  }
  nextBytes(): number {
    return this.#waiting.head?.bytes ?? 0;
  }
  take(): Sized<T> | null {
    return this.#waiting.shift() ?? null;
  }
}

/** Members by their key; those that hold something take turns. */
class Turns<K, M extends Member<T>, T> extends Member<T> {
  readonly #members = new Map<K, M>();
  readonly #order = new Fifo<readonly [K, M]>();

  get(key: K): M | undefined {
    return this.#members.get(key);
  }

  add(key: K, member: M): void {
    this.#members.set(key, member);
    this.#order.push([key, member]);
  }

  nextBytes(): number {
    return this.#turnTo()?.nextBytes() ?? 0;
  }

  take(): Sized<T> | null {
    const member = this.#turnTo();
    const sized = member?.take() ?? null;
    if (member === undefined || sized === null) return null;
    member.credit -= sized.bytes;
    member.items -= 1;
    member.bytes -= sized.bytes;
    if (member.items === 0) {
      const first = this.#order.shift();
      // A member that holds nothing is forgotten: as many are kept as hold something.
      if (first !== undefined) this.#members.delete(first[0]);
    }
    return sized;
  }

  /** The member whose turn it is and whose credit covers what it gives next. */
  #turnTo(): M | undefined {
    for (;;) {
      const first = this.#order.head;
      if (first === undefined) return undefined;
      const [, member] = first;
      if (member.credit >= member.nextBytes()) return member;
      this.#order.shift();
      this.#order.push(first);
      member.credit += TURN_BYTES;
    }
  }
}

export class FairQueue<T> {
  readonly #limits: FairQueueLimits;
  readonly #addresses = new Turns<string, Turns<number, PortQueue<T>, T>, T>();
  readonly #held: Held = { items: 0, bytes: 0 };

  constructor(limits: FairQueueLimits) {
    this.#limits = limits;
  }

  get size(): number {
    return this.#held.items;
  }

  /** False when the source has used its share: then nothing is kept. */
  push(source: Endpoint, bytes: number, item: T): boolean {
    const { maxItems, maxBytes } = this.#limits;
    let ports = this.#addresses.get(source.address);
    let port = ports?.get(source.port);
    const addressRoom = {
      items: SHARE * (maxItems - this.#held.items) - (ports?.items ?? 0),
      bytes: SHARE * (maxBytes - this.#held.bytes) - (ports?.bytes ?? 0),
    };
    if (!fits(addressRoom, bytes)) return false;
    const portRoom = {
      items: SHARE * addressRoom.items - (port?.items ?? 0),
      bytes: SHARE * addressRoom.bytes - (port?.bytes ?? 0),
    };
    if (!fits(portRoom, bytes)) return false;
    // What is free bounds it in any case.
    if (!fits({ items: maxItems - this.#held.items, bytes: maxBytes - this.#held.bytes }, bytes))
      return false;
    if (ports === undefined) {
      ports = new Turns();
      this.#addresses.add(source.address, ports);
    }
    if (port === undefined) {
      port = new PortQueue();
      ports.add(source.port, port);
    }
    port.push({ item, bytes });
    for (const held of [port, ports, this.#held]) {
      held.items += 1;
      held.bytes += bytes;
    }
    return true;
  }

  /** The next in turn; undefined when nothing waits. */
  take(): T | undefined {
    const sized = this.#addresses.take();
    if (sized === null) return undefined;
    this.#held.items -= 1;
    this.#held.bytes -= sized.bytes;
    return sized.item;
  }
}

function fits(room: Held, bytes: number): boolean {
  return room.items >= 1 && room.bytes >= bytes;
}
