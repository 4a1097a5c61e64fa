/**
 * What became of a downlink, by the gateway's own word? The body of a TX_ACK datagram.
 * Source: PROTOCOL.TXT revisions 1.3 to 1.6, section 5 (TX_ACK) and 6 (txpk_ack).
 */
import type { TransmitOutcome } from "../../model/datagram.ts";
import { isJsonObject, readBody } from "./body.ts";
import { cutText, fieldType, readNumber } from "./fields.ts";
import { upstreamHeadOctets } from "./header.ts";
import type { OddityLog } from "./oddity-log.ts";

/** Longest error text that is kept: some daemons send sentences. */
const wordLimit = 64;

// PROTOCOL.TXT section 6; UNKNOWN occurs in the daemon's code only.
const errorWords: ReadonlySet<string> = new Set([
  "TOO_LATE",
  "TOO_EARLY",
  "COLLISION_PACKET",
  "COLLISION_BEACON",
  "TX_FREQ",
  "TX_POWER",
  "GPS_UNLOCKED",
  "UNKNOWN",
]);

// From memory: far outside what any radio emits or hears.
const powerRule = { min: -100, max: 100 } as const;

const accepted: TransmitOutcome = {
  result: "accepted",
  word: null,
  powerDbm: null,
};
const unreadable: TransmitOutcome = {
  result: "unreadable",
  word: null,
  powerDbm: null,
};

/**
 * Reads the body of a TX_ACK. No body, an empty `txpk_ack`, an empty error and the word NONE all mean
 * success. A body that cannot be read means that the outcome is not known, never success.
 */
export function readTransmitOutcome(bytes: Uint8Array, log: OddityLog): TransmitOutcome {
  const body = readBody(bytes, upstreamHeadOctets, log, false);
  if (body === "empty") return accepted;
  if (body === "broken") return unreadable;
  const ack = body.txpk_ack;
  if (!isJsonObject(ack)) {
    log.note("body_unknown", true, "no txpk_ack object");
    return unreadable;
  }
  const { error, warn } = ack;
  if (isSaid(error)) {
    if (typeof error !== "string") {
      log.note("txack_unknown", true, `error is ${fieldType(error)}`);
      return unreadable;
    }
    if (!errorWords.has(error.toUpperCase())) log.note("txack_unknown", true, error);
    return {
      result: "refused",
      word: cutText(error, wordLimit),
      powerDbm: readNumber(ack, "value", powerRule, log),
    };
  }
  if (!isSaid(warn)) return accepted;
  // Revision 1.5: TX_POWER is a warning, the packet is sent at the power in `value`.
  const powerDbm = readNumber(ack, "value", powerRule, log);
  if (typeof warn === "string" && warn.toUpperCase() === "TX_POWER") {
    return { result: "accepted-lower-power", word: warn, powerDbm };
  }
  log.note("txack_unknown", true, typeof warn === "string" ? warn : `warn is ${fieldType(warn)}`);
  return { result: "accepted", word: null, powerDbm };
}

/** Whether the key holds something other than the ways of saying nothing. */
function isSaid(field: unknown): boolean {
  if (field === undefined || field === null || field === "") return false;
  return typeof field !== "string" || field.toUpperCase() !== "NONE";
}
