/**
 * Who changed a node's data rate: the network, the node's ADR back-off, a retry, the node itself, or nobody known?
 * Sources: LoRaWAN 1.1, sections 4.3.1.1 (ADR back-off) and 5.3 (LinkADRReq); LoRaWAN 1.0.2, section 18.4 (from memory: retries of
 * confirmed frames step the data rate down).
 */
import { describeModulation, type Modulation } from "../../model/modulation.ts";
import type { MacCommand } from "../../wire/lorawan/mac-commands.ts";
import type { DataMessageType } from "../../wire/lorawan/phy-payload.ts";
import { figure } from "../../words/format.ts";

// What goes into the story of a node's link, and what comes out? One frame as the ledger knows it, one event as people
// read it.

/**
 * How far the octets in `fOpts` may be believed. `assumed 1.0 clear text`: as on air, no key available; `1.0 clear text`:
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
  /** null: a downlink whose modulation was not reported. */
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

/** An event while its story is still being written. */
export type LinkEventDraft = { -readonly [field in keyof LinkEvent]: LinkEvent[field] };

/** The commands of one frame that may be believed. */
export interface BelievedCommands {
  readonly commands: readonly MacCommand[];
  readonly certainty: EventCertainty;
}

export function isUplink(frame: LinkFrame): boolean {
  return frame.messageType === "UnconfirmedDataUp" || frame.messageType === "ConfirmedDataUp";
}

export type DataRateCause = "commanded" | "adr-back-off" | "confirmed-retry" | "node-itself" | "unexplained";

/** What was known when the data rate changed. */
export interface DataRateEvidence {
  /** A LinkADRReq that may have changed it: heard itself, known by its answer alone, or none. */
  readonly asked: "heard" | "answered" | null;
  /** Counters since ADRACKReq was first heard set, up to the uplink before; null: it was not set. */
  readonly ackReqCounters: number | null;
  /** The ADR bit before and after. */
  readonly adrBefore: boolean;
  readonly adrNow: boolean;
  /** A confirmed frame sent again. */
  readonly confirmedRetry: boolean;
}

/** The cause and its clause. */
export function explainDataRate(
  from: Modulation,
  to: Modulation,
  evidence: DataRateEvidence,
): { cause: DataRateCause; clause: string } {
  const slower = isSlower(to, from);
  if (evidence.asked === "heard") {
    return { cause: "commanded", clause: "as the network asked (LinkADRReq heard)" };
  }
  if (evidence.asked === "answered") {
    return {
      cause: "commanded",
      clause: "as the network asked (the node answered a LinkADRReq that was not heard)",
    };
  }
  if (evidence.confirmedRetry && slower) {
    return { cause: "confirmed-retry", clause: "to send an unacknowledged frame again" };
  }
  if (slower && evidence.ackReqCounters !== null && evidence.adrBefore) {
    const counters = figure(evidence.ackReqCounters);
    return {
      cause: "adr-back-off",
      clause: `in ADR back-off: ADRACKReq was set for ${counters} counters and no answer reached the node`,
    };
  }
  if (!evidence.adrBefore && !evidence.adrNow) {
    return { cause: "node-itself", clause: "by the node itself: its ADR bit is off" };
  }
  return { cause: "unexplained", clause: "and nothing that was heard explains it" };
}

/** Whether two modulations are one data rate; the coding rate is no part of it. */
export function sameDataRate(a: Modulation, b: Modulation): boolean {
  return describeModulation(a) === describeModulation(b);
}

function isSlower(a: Modulation, b: Modulation): boolean {
  return bitsPerSecond(a) < bitsPerSecond(b);
}

/** Raw bit rate, only to compare: unknown modulations compare as neither slower nor faster. */
function bitsPerSecond(modulation: Modulation): number {
  switch (modulation.kind) {
    case "lora":
      // A LoRa symbol carries SF bits and lasts 2^SF / BW (the symbol time of the airtime formula).
      return (modulation.spreadingFactor * modulation.bandwidthHz) / 2 ** modulation.spreadingFactor;
    case "fsk":
      return modulation.bitrateBps;
    case "lr-fhss":
      // From memory: 162 bit/s at coding rate 1/3, 325 bit/s at 2/3.
      return modulation.codingRate === "2/3" ? 325 : 162;
    case "unknown":
      return Number.NaN;
  }
}

/** Changes that nobody commanded, this close together in counters, are one restless stretch. Chosen, no source. */
const RESTLESS_COUNTERS = 4;
/** From this many changes on. Chosen, no source. */
const RESTLESS_CHANGES = 4;

/** A node that picks a data rate for every frame would fill the story: a stretch of such changes becomes one event. */
export function joinRestless(events: readonly LinkEvent[]): LinkEvent[] {
  const drop = new Set<LinkEvent>();
  const joined = new Map<LinkEvent, LinkEvent>();
  let run: LinkEvent[] = [];
  const close = () => {
    const [head] = run;
    if (head !== undefined && run.length >= RESTLESS_CHANGES) {
      for (const event of run) drop.add(event);
      joined.set(head, restlessEvent(head, run));
    }
    run = [];
  };
  for (const event of events) {
    if (event.kind !== "data-rate") continue;
    const before = run.at(-1);
    const isNear = before !== undefined && (event.counter ?? 0) - (before.counter ?? 0) <= RESTLESS_COUNTERS;
    if (!isNear || event.details.cause === "commanded") close();
    if (event.details.cause !== "commanded") run.push(event);
  }
  close();
  return events.flatMap((event) => joined.get(event) ?? (drop.has(event) ? [] : [event]));
}

function restlessEvent(head: LinkEvent, run: readonly LinkEvent[]): LinkEvent {
  const names = [...new Set(run.flatMap((event) => [event.details.from, event.details.to]))].sort();
  const over = (run.at(-1)?.counter ?? 0) - (head.counter ?? 0);
  return {
    ...head,
    times: run.length,
    details: {
      ...head.details,
      to: run.at(-1)?.details.to ?? null,
      changes: run.length,
      overCounters: over,
    },
    sentence: `The data rate changed ${run.length} times within ${figure(over)} counters, among ${names.join(", ")}, and the network asked for none of it.`,
  };
}
