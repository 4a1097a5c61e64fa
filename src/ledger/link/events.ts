/**
 * What happened to a node's link? The story that its frames tell: data rates and who changed them, what the network
 * commanded and how the node answered, battery and margin, ADR, class, repeats.
 *
 * Sources: LoRaWAN 1.1, sections 4.3.1 (FCtrl) and 5 (MAC commands). Pure: no keys, no clock. What rests on FOpts read
 * as clear text without a proof says `assumed 1.0 clear text`, and is left out where the node's FOpts do not read so.
 */

import { describeModulation, type Modulation } from "../../model/modulation.ts";
import { decodeMacCommands } from "../../wire/lorawan/mac-commands.ts";
import { figure, megahertz } from "../../words/format.ts";
import { CommandStory } from "./command-story.ts";
import {
  type BelievedCommands,
  type EventDetail,
  explainDataRate,
  isUplink,
  joinRestless,
  type LinkEvent,
  type LinkEventDraft,
  type LinkEventKind,
  type LinkFrame,
  sameDataRate,
} from "./data-rate.ts";

// Which MAC commands of a node's frames may be believed without knowing its LoRaWAN version?
// Sources: LoRaWAN 1.0.3, section 5 (FOpts in clear); LoRaWAN 1.1, section 4.3.1.6 (FOpts encrypted).
// One frame cannot tell clear text from ciphertext: about one random octet in 28 is a whole command. All frames of a
// life can: the FOpts of a 1.0 device parse in every frame, ciphertext fails soon.

/** Share of a life's assumed lists that must parse to their end. Chosen: room for a damaged frame in ten. */
const CLEAN_SHARE = 0.9;

const NOTHING: BelievedCommands = { commands: [], certainty: "seen" };

/** Whether the FOpts of these frames, taken as they are on air, read as the clear text of a 1.0 device. */
export function readsAsClearText(frames: Iterable<LinkFrame>): boolean {
  let lists = 0;
  let clean = 0;
  for (const frame of frames) {
    if (frame.fOptsAre !== "assumed 1.0 clear text" || frame.repeat || frame.fOpts.length === 0) continue;
    lists += 1;
    if (listOf(frame).stop === null) clean += 1;
  }
  return clean >= lists * CLEAN_SHARE;
}

/** The commands of one frame; none when they are ciphertext or may be. */
export function believedCommands(frame: LinkFrame, clearTextBelieved: boolean): BelievedCommands {
  if (frame.fOpts.length === 0 || frame.fOptsAre === "encrypted") return NOTHING;
  const list = listOf(frame);
  if (frame.fOptsAre !== "assumed 1.0 clear text") return { commands: list.commands, certainty: "proved" };
  // A list that does not end cleanly may be ciphertext: then its beginning is as doubtful as its end.
  if (!clearTextBelieved || list.stop !== null) return NOTHING;
  return { commands: list.commands, certainty: "assumed 1.0 clear text" };
}

function listOf(frame: LinkFrame) {
  return decodeMacCommands(frame.fOpts, isUplink(frame) ? "up" : "down");
}

// How often does a node send each frame, as far as that can be heard, and when did that change?
// NbTrans applies to unconfirmed uplinks in every version (LoRaWAN 1.0.3, section 5.2); retries of confirmed ones say
// nothing about it and are left out. Repeats that nobody heard are missing, so a level is what at least two of the
// newest counters showed, and it falls only when a whole row of counters stays below it.

interface RepeatChange {
  readonly atUs: number;
  readonly counter: number | null;
  /** Transmissions of one counter. */
  readonly from: number;
  readonly to: number;
}

/** Counters after which a level is known, and in which it may go unseen before it falls. Chosen, no source. */
const ROW = 8;
/** Newest counters of which two must show more before the level rises. Chosen, no source. */
const RISE = 4;

interface Sent {
  readonly atUs: number;
  readonly counter: number | null;
  count: number;
}

class RepeatLevel {
  readonly #row: number[] = [];
  #level: number | null = null;
  #open: Sent | null = null;

  /** The first transmission of a counter. Tells a change that the counter before made plain. */
  first(atUs: number, counter: number | null, confirmed: boolean): RepeatChange | null {
    const change = this.#close();
    this.#open = confirmed ? null : { atUs, counter, count: 1 };
    return change;
  }

  /** One more transmission of a counter. */
  again(counter: number | null): void {
    if (this.#open !== null && this.#open.counter === counter) this.#open.count += 1;
  }

  #close(): RepeatChange | null {
    const sent = this.#open;
    if (sent === null) return null;
    this.#row.push(sent.count);
    if (this.#row.length > ROW) this.#row.shift();
    const from = this.#level;
    if (from === null) {
      if (this.#row.length === ROW) this.#level = secondLargest(this.#row);
      return null;
    }
    const risen = secondLargest(this.#row.slice(-RISE));
    const fallen = Math.max(...this.#row);
    const to = risen > from ? risen : Math.min(from, fallen);
    if (to === from) return null;
    this.#level = to;
    return { atUs: sent.atUs, counter: sent.counter, from, to };
  }
}

function secondLargest(counts: readonly number[]): number {
  return [...counts].sort((a, b) => b - a)[1] ?? 1;
}

export type { LinkEvent, LinkEventKind, LinkFrame } from "./data-rate.ts";

/** The events of one counter life, from its frames in order of time. */
export function linkEvents(frames: Iterable<LinkFrame>): LinkEvent[] {
  const all = [...frames];
  const story = new LinkStory(readsAsClearText(all));
  for (const frame of all) story.hear(frame);
  // Repeats are noticed one counter late, and belong to the time at which they were heard.
  return joinRestless(story.events).sort((a, b) => a.atUs - b.atUs);
}

// LoRaWAN 1.1, figure 12: FCtrl of an uplink.
const ADR = 0x80;
const ADR_ACK_REQ = 0x40;
const CLASS_B = 0x10;

/** Uplinks after which a frequency never heard is news: one of eight channels stays unheard so long with 2e-4. */
const CHANNELS_KNOWN_UPLINKS = 64;

class LinkStory {
  readonly events: LinkEventDraft[] = [];
  readonly #clearTextBelieved: boolean;
  readonly #commands = new CommandStory(this.events);
  readonly #repeats = new RepeatLevel();
  readonly #frequencies = new Set<number>();
  #uplinks = 0;
  #before: LinkFrame | null = null;
  #modulation: Modulation | null = null;
  #ackReqFrom: number | null = null;

  constructor(clearTextBelieved: boolean) {
    this.#clearTextBelieved = clearTextBelieved;
  }

  hear(frame: LinkFrame): void {
    const believed = believedCommands(frame, this.#clearTextBelieved);
    if (!isUplink(frame)) {
      this.#commands.hearDownlink(frame, believed);
      return;
    }
    const confirmed = frame.messageType === "ConfirmedDataUp";
    if (frame.repeat) {
      this.#repeats.again(frame.counter);
      this.#followDataRate(frame, confirmed);
      return;
    }
    const change = this.#repeats.first(frame.atUs, frame.counter, confirmed);
    if (change !== null) this.#tellRepeats(change);
    this.#commands.hearUplink(frame, believed);
    this.#followDataRate(frame, false);
    this.#followBits(frame);
    this.#followChannel(frame);
    this.#before = frame;
    this.#uplinks += 1;
  }

  #followDataRate(frame: LinkFrame, confirmedRetry: boolean): void {
    const { modulation: to, counter } = frame;
    const from = this.#modulation;
    if (to === null || to.kind === "unknown") return;
    this.#modulation = to;
    if (from === null || sameDataRate(from, to)) return;
    const before = this.#before?.fCtrl ?? frame.fCtrl;
    const wasSet = (before & ADR_ACK_REQ) !== 0 && this.#ackReqFrom !== null;
    const { cause, clause } = explainDataRate(from, to, {
      asked: this.#commands.asked,
      ackReqCounters: wasSet ? (counter ?? 0) - (this.#ackReqFrom ?? 0) : null,
      adrBefore: (before & ADR) !== 0,
      adrNow: (frame.fCtrl & ADR) !== 0,
      confirmedRetry,
    });
    if (cause === "commanded") this.#commands.spendAsked();
    const names = { from: describeModulation(from), to: describeModulation(to) };
    const words = `The data rate went from ${names.from} to ${names.to}, ${clause}`;
    this.#see(frame, "data-rate", words, { ...names, cause });
  }

  #followBits(frame: LinkFrame): void {
    const before = this.#before?.fCtrl ?? frame.fCtrl;
    const went = (bit: number) => ((before ^ frame.fCtrl) & bit) !== 0;
    const on = (bit: number) => (frame.fCtrl & bit) !== 0;
    if (went(ADR)) {
      const words = on(ADR)
        ? "The node lets the network steer its data rate (ADR bit on)"
        : "The node steers its data rate itself (ADR bit off)";
      this.#see(frame, "adr-bit", words, { on: on(ADR) });
    }
    if (went(ADR_ACK_REQ)) {
      const words = on(ADR_ACK_REQ)
        ? "The node has heard nothing from the network for long and asks for any answer (ADRACKReq set)"
        : "The node no longer asks for an answer (ADRACKReq cleared)";
      this.#see(frame, "adr-ack-req", words, { set: on(ADR_ACK_REQ) });
    }
    if (!on(ADR_ACK_REQ)) this.#ackReqFrom = null;
    else this.#ackReqFrom ??= frame.counter;
    if (went(CLASS_B)) {
      const words = on(CLASS_B) ? "The node switched to class B" : "The node left class B";
      this.#see(frame, "class", words, { classB: on(CLASS_B) });
    }
  }

  #followChannel(frame: LinkFrame): void {
    const { frequencyHz } = frame;
    if (frequencyHz === null || this.#frequencies.has(frequencyHz)) return;
    this.#frequencies.add(frequencyHz);
    if (this.#uplinks < CHANNELS_KNOWN_UPLINKS) return;
    const uplinks = figure(this.#uplinks);
    const words = `The node was heard at ${megahertz(frequencyHz)} for the first time in ${uplinks} uplinks`;
    this.#see(frame, "channel-used", words, { frequencyHz });
  }

  #tellRepeats({ from, to, ...at }: RepeatChange): void {
    const asked = this.#commands.nbTrans === to ? ", as the network asked (NbTrans)" : "";
    const words = `Each frame was heard up to ${to === 1 ? "once" : `${to} times`}, before ${from === 1 ? "once" : `${from} times`}${asked}`;
    this.#see(at, "repeats", words, { from, to });
  }

  #see(
    at: { atUs: number; counter: number | null },
    kind: LinkEventKind,
    words: string,
    details: Readonly<Record<string, EventDetail>>,
  ): void {
    const { atUs, counter } = at;
    const sentence = `${words}.`;
    this.events.push({
      atUs,
      counter,
      direction: "up",
      kind,
      sentence,
      certainty: "seen",
      times: 1,
      details,
    });
  }
}
