/**
 * How are LoRaWAN numbers and identifiers laid out in octets? Little endian on air, most significant first
 * for people.
 * Source: LoRaWAN 1.0.2, section 1.2 (all multi-octet fields, EUIs included, are sent least significant first).
 * Octets beyond the end read as 0, so callers check lengths first; nothing here throws on any input.
 */

const HEX: readonly string[] = Array.from({ length: 256 }, (_, value) =>
  value.toString(16).toUpperCase().padStart(2, "0"),
);

/** One octet; 0 beyond the end. */
export function octet(bytes: Uint8Array, at: number): number {
  return bytes[at] ?? 0;
}

/** Unsigned little-endian number of 1 to 4 octets. */
export function littleEndian(bytes: Uint8Array, at: number, size: number): number {
  let value = 0;
  for (let index = size - 1; index >= 0; index--) value = value * 256 + octet(bytes, at + index);
  return value;
}

/** Writes an unsigned number of 1 to 4 octets, least significant first; higher bits are cut off. */
export function putLittleEndian(bytes: Uint8Array, at: number, size: number, value: number): void {
  let rest = value;
  for (let index = 0; index < size; index++) {
    bytes[at + index] = rest & 0xff;
    rest = Math.floor(rest / 256);
  }
}

/** Upper-case hex in the order of the octets. */
export function hexOf(bytes: Uint8Array): string {
  let text = "";
  for (const value of bytes) text += HEX[value] ?? "";
  return text;
}

/** Upper-case hex of an identifier sent least significant octet first: DevAddr, EUI, NetID, nonce. */
export function identifierAt(bytes: Uint8Array, at: number, size: number): string {
  let text = "";
  for (let index = size - 1; index >= 0; index--) text += HEX[octet(bytes, at + index)] ?? "";
  return text;
}

/** Writes hex text as an identifier, least significant octet first; text that is no hex of that size gives zeros. */
export function putIdentifier(bytes: Uint8Array, at: number, size: number, hex: string): void {
  const octets = octetsOfHex(hex);
  for (let index = 0; index < size; index++) {
    bytes[at + index] = octets?.length === size ? octet(octets, size - 1 - index) : 0;
  }
}

/** The octets of hex text (either case, spaces, colons and hyphens allowed between octets); null when it is none. */
export function octetsOfHex(text: string): Uint8Array | null {
  const digits = text.replace(/[\s:-]/g, "");
  if (digits.length % 2 !== 0 || !/^[0-9a-fA-F]*$/.test(digits)) return null;
  const bytes = new Uint8Array(digits.length / 2);
  for (let index = 0; index < bytes.length; index++) {
    bytes[index] = Number.parseInt(digits.slice(index * 2, index * 2 + 2), 16);
  }
  return bytes;
}

/** Whether two octet strings are equal. */
export function sameOctets(a: Uint8Array, b: Uint8Array): boolean {
  if (a.length !== b.length) return false;
  return a.every((value, index) => value === b[index]);
}

/** One octet string after another. */
export function joinOctets(...parts: readonly Uint8Array[]): Uint8Array {
  const whole = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    whole.set(part, at);
    at += part.length;
  }
  return whole;
}
