/**
 * What came back to one node: confirmed uplinks with or without an answer, join-requests with or without an accept,
 * data-rate commands with or without effect? Known from what passed here, in line or in a capture.
 */
import type { AnsweredRow, LinkEventRow, NodeAnswers } from "../contract/index.ts";
import { type AnswerCounts, answersSentence } from "../diagnosis/relay-sentences.ts";
import { lateness } from "../ledger/downlink-timing.ts";
import { linkAdrWords } from "../ledger/link/command-text.ts";
import { isUplink, type LinkFrame } from "../ledger/link/data-rate.ts";
import { believedCommands, linkEvents, readsAsClearText } from "../ledger/link/events.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { keysById } from "../store/keys.ts";
import type { Store } from "../store/open.ts";
import {
  confirmedUplinks,
  type DownlinkRecord,
  downlinksToAddress,
  joinsOfDevice,
  serverSeen,
} from "../store/queries/downlinks.ts";
import { type LinkFrameRecord, linkFrames } from "../store/queries/frames.ts";
import type { LifeRecord } from "../store/queries/lives.ts";
import { explainPayload } from "../wire/lorawan/explain-payload.ts";
import type { LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { decodePhyPayload } from "../wire/lorawan/phy-payload.ts";

const MAX_ROWS = 100;
const MAX_READ = 2_000;
/** A node has the answer to a confirmed uplink in one of two windows: RX2 opens 16 s after it at the latest. */
const ANSWER_WITHIN_US = 17_000_000;
/** A node answers a command in its next uplink (LoRaWAN 1.1, section 5); one or two may be lost. Chosen. */
const ANSWERED_WITHIN_UPLINKS = 3;
// FCtrl of a downlink; LoRaWAN 1.1, figure 13.
const ACK = 0x20;

/** `frames`: uplinks and downlinks of the life within the window, as its link's story reads them. */
export function nodeAnswers(
  store: Store,
  life: LifeRecord,
  window: TimeRange,
  frames: readonly LinkFrame[],
): NodeAnswers {
  const downlinks = downlinksToAddress(store, life.devAddr, reachOf(window), MAX_READ);
  const confirmed = confirmedRows(store, life, window, downlinks);
  const joins = life.devEui === null ? [] : joinRows(store, life.devEui, window);
  const commands = commandRows(frames);
  const rows = [...confirmed, ...joins, ...commands].sort((a, b) => b.at.localeCompare(a.at));
  const counts: AnswerCounts = {
    seen: serverSeen(store, window),
    confirmed: countOf(confirmed, "answered"),
    joins: countOf(joins, "answered"),
    commands: countOf(commands, "effective"),
  };
  return {
    seen: counts.seen,
    sentence: answersSentence(counts),
    confirmed: { sent: counts.confirmed.all, answered: counts.confirmed.good },
    joins: { requested: counts.joins.all, accepted: counts.joins.good },
    commands: { asked: counts.commands.all, effective: counts.commands.good },
    rows: counts.seen ? rows.slice(0, MAX_ROWS) : [],
    rowsCut: rows.length > MAX_ROWS,
  };
}

function countOf(rows: readonly AnsweredRow[], fate: AnsweredRow["fate"]): { all: number; good: number } {
  return { all: rows.length, good: rows.filter((row) => row.fate === fate).length };
}

function reachOf({ fromUs, toUs }: TimeRange): TimeRange {
  return { fromUs, toUs: toUs + ANSWER_WITHIN_US };
}

function confirmedRows(
  store: Store,
  life: LifeRecord,
  window: TimeRange,
  downlinks: readonly DownlinkRecord[],
): AnsweredRow[] {
  const acks = downlinks.filter(({ frameControl }) => frameControl !== null && (frameControl & ACK) !== 0);
  const records = confirmedUplinks(store, life.id, window, MAX_READ);
  return records.map(({ atUs, lastAtUs, counter, frames }, index) => {
    // An acknowledgement belongs to the newest confirmed uplink before it.
    const nextAtUs = records[index - 1]?.atUs ?? Number.POSITIVE_INFINITY;
    const untilUs = Math.min(lastAtUs + ANSWER_WITHIN_US, nextAtUs);
    const own = acks.filter((ack) => ack.atUs >= atUs - 1_000_000 && ack.atUs < untilUs);
    const times = frames === 1 ? "sent once" : `sent ${frames} times`;
    const row = { at: isoTime(atUs), what: "confirmed uplink" as const, counter };
    if (own.length === 0)
      return { ...row, fate: "unanswered", standing: "bad", words: `${times}, no answer passed` };
    if (own.some(isSent))
      return {
        ...row,
        fate: "answered",
        standing: frames === 1 ? "good" : "look",
        words: `${times}, answered`,
      };
    return { ...row, fate: "late", standing: "bad", words: `${times}; ${whyNot(own[0])}` };
  });
}

function joinRows(store: Store, devEui: string, window: TimeRange): AnsweredRow[] {
  return joinsOfDevice(store, devEui, window, MAX_READ).map((join) => {
    const row = { at: isoTime(join.atUs), what: "join-request" as const, counter: null };
    if (join.accepted === 0)
      return { ...row, fate: "unanswered", standing: "bad", words: "no join-accept passed" };
    const fate = { ...join, moment: "counter" };
    if (isSent(fate)) return { ...row, fate: "answered", standing: "good", words: "a join-accept was sent" };
    return { ...row, fate: "late", standing: "bad", words: whyNot(fate) };
  });
}

type Fate = Pick<DownlinkRecord, "moment" | "leadUs" | "outcome" | "word">;

function isSent(downlink: Fate): boolean {
  return downlink.outcome !== "refused" && lateness(downlink) !== "late";
}

function whyNot(downlink: Fate | undefined): string {
  if (downlink === undefined) return "the answer was not sent";
  if (lateness(downlink) === "late") return "the answer came too late to be sent";
  return `the gateway refused the answer (${downlink.word ?? "no reason given"})`;
}

/** LinkADRReq with what the node said to it. */
function commandRows(frames: readonly LinkFrame[]): AnsweredRow[] {
  const believed = readsAsClearText(frames);
  const commandsOf = (frame: LinkFrame) => believedCommands(frame, believed).commands;
  const rows: AnsweredRow[] = [];
  for (const [index, frame] of frames.entries()) {
    if (isUplink(frame)) continue;
    const asked = commandsOf(frame)
      .filter(({ name }) => name === "LinkADRReq")
      .at(-1);
    if (asked === undefined) continue;
    const words = (linkAdrWords(asked, null) ?? "The network asked for no change").replace(
      / \(LinkADRReq\)$/,
      "",
    );
    const row = { at: isoTime(frame.atUs), what: "data-rate command" as const, counter: frame.counter };
    const after = frames.slice(index + 1).filter((one) => isUplink(one) && !one.repeat);
    const answer = after
      .slice(0, ANSWERED_WITHIN_UPLINKS)
      .flatMap((one) => commandsOf(one))
      .find(({ name }) => name === "LinkADRAns");
    if (answer !== undefined) {
      const isTaken =
        answer.powerAck === true && answer.dataRateAck === true && answer.channelMaskAck === true;
      rows.push(
        isTaken
          ? { ...row, fate: "effective", standing: "good", words: `${words}; the node took it` }
          : { ...row, fate: "refused by node", standing: "look", words: `${words}; the node refused it` },
      );
    } else if (after.length >= ANSWERED_WITHIN_UPLINKS) {
      rows.push({
        ...row,
        fate: "without effect",
        standing: "bad",
        words: `${words}; the next ${ANSWERED_WITHIN_UPLINKS} uplinks did not answer it`,
      });
    } else rows.push({ ...row, fate: "open", standing: "waiting", words: `${words}; not answered yet` });
  }
  return rows;
}

// The story of a node's link over the window: data rates, commands, status; with keys also what was encrypted.

/** Frames read for a story: about half a second of work at the most. */
const MAX_FRAMES = 5_000;
const MAX_EVENTS = 200;
/** An answer to a life's last uplink passes this long after it at the latest: RX2 opens after 16 s. */
const AFTER_LAST_US = 17_000_000;

interface LinkStory {
  readonly story: LinkEventRow[];
  readonly storyCut: boolean;
}

/** A life's frames over the window as its story reads them, and the downlinks to it that passed, in order of time. */
export function linkFramesOf(
  store: Store,
  life: Pick<LifeRecord, "id" | "devAddr" | "firstAtUs" | "lastAtUs">,
  window: TimeRange,
): { readonly frames: readonly LinkFrame[]; readonly cut: boolean } {
  const records = linkFrames(store, life.id, window, MAX_FRAMES);
  const keysOf = new Map<number, LorawanKeys>();
  const frames = records.flatMap((record) => {
    const { keyId } = record;
    if (keyId !== null && !keysOf.has(keyId)) keysOf.set(keyId, keysById(store, keyId)?.keys ?? {});
    const frame = linkFrameOf(record, keyId === null ? {} : (keysOf.get(keyId) ?? {}));
    return frame === null ? [] : [frame];
  });
  const keyId = records.findLast((record) => record.keyId !== null)?.keyId ?? null;
  const span = {
    fromUs: Math.max(window.fromUs, life.firstAtUs),
    toUs: Math.min(window.toUs, life.lastAtUs + AFTER_LAST_US),
  };
  const down = downlinksToAddress(store, life.devAddr, span, MAX_FRAMES).flatMap((record) => {
    // A counter of its own that nothing here reconstructs: its upper half is taken for 0.
    const asFrame = { ...record, keyId, counter: record.fcnt, repeat: 0 };
    const frame = linkFrameOf(asFrame, keyId === null ? {} : (keysOf.get(keyId) ?? {}));
    return frame === null ? [] : [frame];
  });
  return {
    frames: [...frames, ...down].sort((a, b) => a.atUs - b.atUs),
    cut: records.length === MAX_FRAMES,
  };
}

/** `frames` and `cut` of linkFramesOf. */
export function linkStory({ frames, cut }: ReturnType<typeof linkFramesOf>): LinkStory {
  const events = linkEvents(frames);
  return {
    story: events.slice(-MAX_EVENTS).map(({ atUs, counter, kind, sentence, certainty, times }) => ({
      at: isoTime(atUs),
      counter,
      kind,
      sentence,
      certainty,
      times,
    })),
    storyCut: events.length > MAX_EVENTS || cut,
  };
}

function linkFrameOf(record: LinkFrameRecord, keys: LorawanKeys): LinkFrame | null {
  const decoded = decodePhyPayload(record.payload);
  if (!decoded.ok || !("fCnt" in decoded.value)) return null;
  const frame = decoded.value;
  return {
    atUs: record.atUs,
    counter: record.counter,
    messageType: frame.messageType,
    fCtrl: frame.fCtrl.raw,
    ...commandOctets(record, keys, frame.fOpts, frame.fPort === 0),
    modulation: modulationFromCodes(record.dataRate, 0),
    frequencyHz: record.frequencyHz,
    fPort: frame.fPort,
    repeat: record.repeat === 1,
  };
}

/** Where the commands of a frame stand, in clear if the keys allow it. */
function commandOctets(
  record: LinkFrameRecord,
  keys: LorawanKeys,
  fOpts: Uint8Array,
  isPort0: boolean,
): Pick<LinkFrame, "fOpts" | "fOptsAre"> {
  const nothing = new Uint8Array(0);
  if (fOpts.length === 0 && !isPort0) return { fOpts: nothing, fOptsAre: "assumed 1.0 clear text" };
  if (Object.keys(keys).length === 0 || record.counter === null) {
    return isPort0
      ? { fOpts: nothing, fOptsAre: "encrypted" }
      : { fOpts, fOptsAre: "assumed 1.0 clear text" };
  }
  const answer = explainPayload({
    bytes: record.payload,
    keys,
    facts: { fCntHigh: Math.floor(record.counter / 65_536) },
  });
  const clearHex = isPort0 ? answer.decryptedHex : answer.fOptsDecryptedHex;
  if (clearHex !== undefined) return { fOpts: Buffer.from(clearHex, "hex"), fOptsAre: "decrypted" };
  if (!isPort0 && answer.micValid === true && answer.lorawanVersion === "1.0") {
    return { fOpts, fOptsAre: "1.0 clear text" };
  }
  return { fOpts: nothing, fOptsAre: "encrypted" };
}
