/**
 * Who may take one of the last places for gateways? A few newcomers a second, and whoever was heard half a minute ago
 * already: invented identifiers come once, a gateway comes again. Remembers in bounded memory, however many come.
 */
import type { Eui } from "../../model/identifiers.ts";

/** The reference daemons send keepalives every 5 to 10 s and a status report every 30 s. */
const GENERATION_US = 30_000_000;
/** 100,000 identifiers in a generation fill 7 % of the bits: 3 in 10,000 strangers pass by chance. */
const BITS = 2 ** 22;
/** Newcomers that pass unproved. Chosen: 4,096 places last for minutes, long enough for a gateway to settle. */
const A_SECOND = 16;
const AT_ONCE = 64;

export class Newcomers {
  #generation = Number.NEGATIVE_INFINITY;
  #before = new Uint8Array(BITS / 8);
  #now = new Uint8Array(BITS / 8);
  #left = AT_ONCE;
  #sinceUs = Number.NEGATIVE_INFINITY;

  /** True when this identifier may be followed from now on. */
  admit(eui: Eui, atUs: number): boolean {
    this.#turnTo(Math.floor(atUs / GENERATION_US));
    const bits = bitsOf(eui);
    const cameBefore = bits.every((bit) => isSet(this.#before, bit));
    for (const bit of bits) this.#now[bit >> 3] = (this.#now[bit >> 3] ?? 0) | (1 << (bit & 7));
    if (cameBefore) return true;
    const passedUs = Math.abs(atUs - this.#sinceUs);
    this.#left = Math.min(AT_ONCE, this.#left + (passedUs / 1e6) * A_SECOND);
    this.#sinceUs = atUs;
    if (this.#left < 1) return false;
    this.#left -= 1;
    return true;
  }

  #turnTo(generation: number): void {
    if (generation === this.#generation) return;
    const isNext = generation === this.#generation + 1;
    const old = this.#before;
    this.#before = this.#now;
    this.#now = old.fill(0);
    if (!isNext) this.#before.fill(0);
    this.#generation = generation;
  }
}

function isSet(bits: Uint8Array, bit: number): boolean {
  return ((bits[bit >> 3] ?? 0) & (1 << (bit & 7))) !== 0;
}

/** Three places for an identifier: two halves, mixed by multiplication, and their sums (Kirsch and Mitzenmacher 2006). */
function bitsOf(eui: Eui): [number, number, number] {
  const mix = (half: string, by: number) => {
    const value = Math.imul(Number.parseInt(half, 16) ^ by, 0x9e3779b1);
    return (value ^ (value >>> 15)) >>> 0;
  };
  const one = mix(eui.slice(8), mix(eui.slice(0, 8), 0x5bd1e995));
  const other = mix(eui.slice(0, 8), one) | 1;
  return [one % BITS, (one + other) % BITS, (one + 2 * other) % BITS];
}
