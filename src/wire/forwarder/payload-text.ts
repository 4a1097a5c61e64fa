/**
 * Which octets does `data` hold? Base64 in either alphabet, padded or not (RFC 4648 sections 4 and 5); the
 * decoded length is the truth, `size` is only compared with it.
 */
import type { JsonObject } from "./body.ts";
import { fieldType, readNumber } from "./fields.ts";
import type { OddityLog } from "./oddity-log.ts";

// The radio's length field has eight bits.
const longestPayload = 255;

const alphabet = /^[A-Za-z0-9+/_-]*={0,2}$/;
const sizeRule = {
  min: 0,
  max: Number.MAX_SAFE_INTEGER,
  integer: true,
} as const;

/**
 * The PHYPayload; null when it cannot be read, is too long, or is missing although `size` says that there
 * was one. An announced length of zero gives no octets rather than null. Notes `base64`, `data_long`,
 * `data_empty`, `size_mismatch`.
 */
export function readPayload(object: JsonObject, log: OddityLog): Uint8Array | null {
  const { data } = object;
  const size = readNumber(object, "size", sizeRule, log);
  if (data === undefined || data === null || data === "") {
    log.note("data_empty", false, size === null ? "no size" : `size ${size}`);
    return size === 0 || (data === "" && size === null) ? new Uint8Array(0) : null;
  }
  if (typeof data !== "string") {
    log.note("base64", true, `data is ${fieldType(data)}`);
    return null;
  }
  // Checked first, so that a long text costs no decoding: four characters are three octets.
  if (data.length > (longestPayload / 3) * 4 + 2) {
    const isBase64 = alphabet.test(data);
    log.note(isBase64 ? "data_long" : "base64", true, `${data.length} characters`);
    return null;
  }
  const characters = data.indexOf("=") < 0 ? data.length : data.indexOf("=");
  if (!alphabet.test(data) || characters % 4 === 1) {
    log.note("base64", true, data);
    return null;
  }
  // Buffer reads both alphabets; the copy keeps a stored payload from holding the shared slab alive.
  const octets = new Uint8Array(Buffer.from(data, "base64"));
  if (octets.length > longestPayload) {
    log.note("data_long", true, `${octets.length} octets`);
    return null;
  }
  if (octets.length === 0) log.note("data_empty", false, data);
  if (size !== null && size !== octets.length)
    log.note("size_mismatch", false, `${size} for ${octets.length}`);
  return octets;
}

/** `size` and `data` as a forwarder writes them: standard alphabet, padded (PROTOCOL.TXT from revision 1.1 on). */
export function writePayload(payload: Uint8Array | null): string {
  if (payload === null) return "";
  const text = Buffer.from(payload.buffer, payload.byteOffset, payload.length).toString("base64");
  return `,"size":${payload.length},"data":"${text}"`;
}
