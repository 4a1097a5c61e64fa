/**
 * How does a packet typed or pasted by a person become octets? Hex (either case, octets may be parted by a space,
 * colon or hyphen, `0x` in front allowed) or base64 (RFC 4648, sections 4 and 5, padding optional).
 * Text that can be hex is read as hex. Never throws.
 */
import { octetsOfHex } from "./octets.ts";

/** The octets of a packet; null when the text is neither hex nor base64. */
export function readPacketText(text: string): Uint8Array | null {
  const trimmed = text.trim();
  const digits = trimmed.replace(/^0x/i, "");
  if (digits === "" || /^[0-9a-f]{2}(?:[\s:-]?[0-9a-f]{2})*$/i.test(digits)) return octetsOfHex(digits);
  // An odd number of hex digits is a slip of the hand, not base64.
  if (/^[0-9a-f]+$/i.test(trimmed) && trimmed.length % 2 === 1) return null;
  return readBase64(trimmed);
}

function readBase64(text: string): Uint8Array | null {
  const body = text.replace(/={1,2}$/, "");
  // Padding, where there is any, must fill the last group; a single character over cannot hold an octet.
  if (body.length % 4 === 1 || (body.length !== text.length && text.length % 4 !== 0)) return null;
  if (!/^[A-Za-z0-9+/]+$/.test(body) && !/^[A-Za-z0-9_-]+$/.test(body)) return null;
  const standard = body.replace(/-/g, "+").replace(/_/g, "/");
  const octets = Buffer.from(standard, "base64");
  // RFC 4648, section 3.5: the bits beyond the last octet are zero; anything else is not an encoding of octets.
  return octets.toString("base64").replace(/=+$/, "") === standard ? new Uint8Array(octets) : null;
}
