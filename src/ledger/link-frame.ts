/**
 * What goes into the story of a node's link, and what comes out? One frame as the ledger knows it, one event as people
 * read it.
 */
import type { Modulation } from "../model/modulation.ts";
import type { MacCommand } from "../wire/lorawan/mac-commands.ts";
import type { DataMessageType } from "../wire/lorawan/phy-payload.ts";

/**
 * How far the octets in `fOpts` may be believed. `assumed 1.0 clear text`: as on air, no key at hand; `1.0 clear text`:
 * as on air, and the MIC proved 1.0; `decrypted`: with NwkSEncKey (or FRMPayload of FPort 0 with the network key);
 * `encrypted`: known to be ciphertext, nothing is read.
 */
export type FOptsCertainty = "assumed 1.0 clear text" | "1.0 clear text" | "decrypted" | "encrypted";

/** One transmission of a node, or one downlink to it that a capture showed. All frames of one counter life. */
export interface LinkFrame {
  /** Microseconds since 1970. */
  readonly atUs: number;
  /** Reconstructed 32-bit counter; of a downlink the downlink's own, null where unknown. */
  readonly counter: number | null;
  /** Tells the direction too. */
  readonly messageType: DataMessageType;
  /** The FCtrl octet. */
  readonly fCtrl: number;
  /** FOpts, or the decrypted FRMPayload of FPort 0: the two never stand in one frame. */
  readonly fOpts: Uint8Array;
  readonly fOptsAre: FOptsCertainty;
  /** null: a downlink whose modulation was not told. */
  readonly modulation: Modulation | null;
  readonly frequencyHz: number | null;
  readonly fPort: number | null;
  /** The same counter and content sent again. */
  readonly repeat: boolean;
}

export type LinkEventKind =
  | "data-rate"
  | "link-adr-asked"
  | "link-adr-answered"
  | "device-status"
  | "device-status-asked"
  | "link-check-asked"
  | "link-check-answered"
  | "duty-cycle-limit"
  | "receive-windows"
  | "channel-plan"
  | "transmit-limits"
  | "device-time-asked"
  | "device-time-answered"
  | "class"
  | "adr-bit"
  | "adr-ack-req"
  | "repeats"
  | "channel-used"
  | "other-command";

/** `seen`: from fields that are always in clear (FCtrl, counter) or from the radio. */
export type EventCertainty = "seen" | "assumed 1.0 clear text" | "proved";

export type EventDetail = string | number | boolean | null;

/** One thing that happened to the link. */
export interface LinkEvent {
  readonly atUs: number;
  /** Counter of the uplink that showed it; null for downlinks without a known counter. */
  readonly counter: number | null;
  readonly direction: "up" | "down";
  readonly kind: LinkEventKind;
  /** One sentence. It says `assumed 1.0 clear text` where it rests on that. */
  readonly sentence: string;
  readonly certainty: EventCertainty;
  /** In how many uplinks running the same was said; 1 for most. */
  readonly times: number;
  /** The numbers behind the sentence, units in their names. */
  readonly details: Readonly<Record<string, EventDetail>>;
}

/** An event while its story is still being told. */
export type LinkEventDraft = { -readonly [field in keyof LinkEvent]: LinkEvent[field] };

/** The commands of one frame that may be believed. */
export interface BelievedCommands {
  readonly commands: readonly MacCommand[];
  readonly certainty: EventCertainty;
}

export function isUplink(frame: LinkFrame): boolean {
  return frame.messageType === "UnconfirmedDataUp" || frame.messageType === "ConfirmedDataUp";
}
