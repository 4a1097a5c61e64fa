/**
 * When are two transmissions the same frame sent again? When this number is equal.
 *
 * For data frames it covers MType, DevAddr, FCnt, FOpts, FPort, FRMPayload and the last two octets of the
 * MIC: in LoRaWAN 1.1 the first two depend on channel and data rate and differ between repeats of one frame
 * (LoRaWAN 1.1, section 4.4: MIC = cmacS[0..1] | cmacF[0..1]). For everything else it covers all octets.
 */

/** Octets before the frame counter's content: MHDR 1, DevAddr 4, FCtrl 1 (LoRaWAN 1.1, section 4). */
const FCTRL_AT = 5;
const MIC_SIZE = 4;

/** A 53-bit hash of what makes the frame; a collision needs about 10^8 frames in one address and window. */
export function contentOf(phyPayload: Uint8Array, isData: boolean): number {
  const hash = new Hash53();
  if (!isData) {
    hash.addAll(phyPayload, 0, phyPayload.length);
    return hash.value();
  }
  hash.add((phyPayload[0] ?? 0) & 0xe0);
  hash.addAll(phyPayload, 1, FCTRL_AT);
  hash.addAll(phyPayload, FCTRL_AT + 1, phyPayload.length - MIC_SIZE);
  hash.addAll(phyPayload, phyPayload.length - 2, phyPayload.length);
  return hash.value();
}

/** The same hash over arbitrary octets: recognises a datagram or payload that was seen before. */
export function digestOf(bytes: Uint8Array): number {
  const hash = new Hash53();
  hash.addAll(bytes, 0, bytes.length);
  return hash.value();
}

/**
 * Two multiply-and-xor lanes of 32 bits, mixed at the end into 53 bits: the public-domain construction known
 * as cyrb53 (from memory). Not cryptographic: nobody gains by forging a repeat of his own frame.
 */
class Hash53 {
  #a = 0xdeadbeef;
  #b = 0x41c6ce57;

  add(octet: number): void {
    this.#a = Math.imul(this.#a ^ octet, 2654435761);
    this.#b = Math.imul(this.#b ^ octet, 1597334677);
  }

  addAll(bytes: Uint8Array, from: number, to: number): void {
    let a = this.#a;
    let b = this.#b;
    for (let i = from; i < to; i++) {
      const octet = bytes[i] ?? 0;
      a = Math.imul(a ^ octet, 2654435761);
      b = Math.imul(b ^ octet, 1597334677);
    }
    this.#a = a;
    this.#b = b;
  }

  value(): number {
    let a = this.#a;
    let b = this.#b;
    a = Math.imul(a ^ (a >>> 16), 2246822507) ^ Math.imul(b ^ (b >>> 13), 3266489909);
    b = Math.imul(b ^ (b >>> 16), 2246822507) ^ Math.imul(a ^ (a >>> 13), 3266489909);
    return 4294967296 * (2097151 & b) + (a >>> 0);
  }
}
