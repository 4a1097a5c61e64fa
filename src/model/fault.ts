/**
 * How does a decoder say that something is wrong? As a value: never by throwing.
 * `reason` is what gets counted and never changes its wording; `describeFault` makes the sentence.
 */

/** The layer whose rule was broken. */
export type FaultLayer =
  | "capture"
  | "ip"
  | "udp"
  | "datagram"
  | "body"
  | "packet"
  | "lorawan"
  | "mac-command";

/** Something that could not be read, said in data. Offsets are octets from the start of that layer's input. */
export interface WireFault {
  readonly reason: string;
  readonly layer: FaultLayer;
  /** Octet at which the trouble shows. */
  readonly at: number;
  /** Octets that were needed and had, where length is the trouble. */
  readonly need?: number;
  readonly have?: number;
  /** The offending value or a short detail, never more than 80 characters. */
  readonly detail?: string;
}

/** The fault of a datagram that met an error of this program: reason `internal`, the error's message as detail. */
export function internalFault(error: unknown): WireFault {
  const detail = error instanceof Error ? error.message.slice(0, 80) : "unknown";
  return { reason: "internal", layer: "datagram", at: 0, detail };
}

/** Something odd that did not stop the reading; counted by `reason`. */
export interface Oddity {
  readonly reason: string;
  readonly detail?: string;
  /** Whether the raw datagram is worth keeping among the newest samples of this reason. */
  readonly keepRaw: boolean;
  /** How many packets it concerns; 1 when absent. */
  readonly count?: number;
}

/** What every decoder returns: a value, or a named fault. */
export type Decoded<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly fault: WireFault };

/** The one place that turns a fault into words: "datagram: 12 octets needed at octet 0, 9 there (short_eui)". */
export function describeFault(fault: WireFault): string {
  const lengths =
    fault.need === undefined
      ? `at octet ${fault.at}`
      : `${fault.need} octets needed at octet ${fault.at}, ${fault.have ?? 0} there`;
  const detail = fault.detail === undefined ? "" : `: ${fault.detail}`;
  return `${fault.layer}: ${lengths}${detail} (${fault.reason})`;
}

/** What a caught value says: an error's message, anything else as text. */
export function errorText(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

/** The code of an error of the system or of SQLite, such as ENOENT; empty without one. */
export function errorCode(error: unknown): string {
  return error instanceof Error && "code" in error ? String(error.code) : "";
}
