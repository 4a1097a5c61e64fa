/**
 * Who changed a node's data rate: the network, the node's ADR back-off, a retry, the node itself, or nobody known?
 * Sources: LoRaWAN 1.1, sections 4.3.1.1 (ADR back-off) and 5.3 (LinkADRReq); LoRaWAN 1.0.2, section 18.4 (from memory: retries of
 * confirmed frames step the data rate down).
 */
import { describeModulation, type Modulation } from "../model/modulation.ts";
import type { LinkEvent } from "./link-frame.ts";

export type DataRateCause = "commanded" | "adr-back-off" | "confirmed-retry" | "node-itself" | "unexplained";

/** What was known when the data rate changed. */
export interface DataRateEvidence {
  /** A LinkADRReq that may have changed it: heard itself, told by its answer alone, or none. */
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
    const counters = evidence.ackReqCounters.toLocaleString("en-GB");
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
    sentence: `The data rate changed ${run.length} times within ${over.toLocaleString("en-GB")} counters, among ${names.join(", ")}, and the network asked for none of it.`,
  };
}
