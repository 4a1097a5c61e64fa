/** Octets whose body cannot be taken out: they stand in for a decoder's error that nobody has found yet. */
export class UnreadableOctets extends Uint8Array {
  override get buffer(): never {
    throw new TypeError("unreadable octets");
  }
}
