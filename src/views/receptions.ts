/** The receptions beneath every figure, newest first; and one frame opened to its octets. */

import type { FrameView, ReceptionPage, ReceptionRow } from "../contract/index.ts";
import { formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { fromTenths } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { airtimeNotKnown } from "../radio/airtime.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { keysById } from "../store/keys.ts";
import type { Store } from "../store/open.ts";
import { type LabelRecord, labels, livesOf } from "../store/queries/lives.ts";
import {
  type FrameOctets,
  frameIdsAfter,
  frameOctets,
  newestFrameId,
  type PageStart,
  type ReceptionRecord,
  receptionCount,
  receptionPage as receptionRecords,
  receptionsAfter,
  receptionsOfFrame,
} from "../store/queries/receptions.ts";
import type { DecodeAnswer } from "../wire/lorawan/decode-answer.ts";
import { explainPayload } from "../wire/lorawan/explain-payload.ts";
import { mapFields } from "../wire/lorawan/field-map.ts";
import { describeCommand } from "../wire/lorawan/mac-commands.ts";
import { MESSAGE_TYPES } from "../wire/lorawan/message.ts";
import { figure } from "../words/format.ts";
import { siteOf } from "./gateways.ts";
import { marginDb } from "./node-levels.ts";

export interface ReceptionQuery {
  readonly window: TimeRange;
  readonly devAddr?: string | undefined;
  /** With `devAddr`: one life of it. */
  readonly life?: number | undefined;
  readonly gatewayEui?: string | undefined;
  /** Cursor from the page before. */
  readonly before?: string | undefined;
  readonly limit: number;
}

/** A page, or null when the cursor or the life does not exist. */
export function receptionPage(store: Store, query: ReceptionQuery): ReceptionPage | null {
  const before = query.before === undefined ? null : readCursor(query.before);
  if (before === undefined) return null;
  let lifeId: number | undefined;
  if (query.devAddr !== undefined) {
    const lives = livesOf(store, parseDevAddr(query.devAddr));
    lifeId = lives.find(({ number }) => number === (query.life ?? 1))?.id;
    if (lifeId === undefined) return null;
  }
  const { window, gatewayEui, limit } = query;
  const records = receptionRecords(store, { window, lifeId, gatewayEui, before, limit });
  const last = records.at(-1);
  const next = records.length < limit || last === undefined ? null : `${last.atUs}-${last.id}`;
  return { receptions: rowsOf(store, records), next };
}

/** What was stored after certain rows: receptions, and frames up to `frameUpTo`, in the order in which they were stored. */
export interface RowsAfter {
  readonly receptions: readonly ReceptionRow[];
  /** Octets as they were on the air: nothing is decrypted. */
  readonly frames: readonly FrameView[];
  /** Highest identifiers in the store. */
  readonly newest: { readonly receptionId: number; readonly frameId: number };
}

export interface RowsAsked {
  readonly receptionId: number;
  readonly frameId: number;
  readonly frameUpTo: number;
  /** Rows of each kind at most; 0: none, only which are the newest. */
  readonly most: number;
}

export function rowsAfter(store: Store, { receptionId, frameId, frameUpTo, most }: RowsAsked): RowsAfter {
  return {
    receptions: rowsOf(store, receptionsAfter(store, receptionId, most)),
    frames: frameIdsAfter(store, frameId, frameUpTo, most).flatMap((id) => frameView(store, id, false) ?? []),
    newest: { receptionId: receptionCount(store), frameId: newestFrameId(store) },
  };
}

/** null when there is no such frame. Decrypted, if asked for, where the keys that proved the frame allow it. */
export function frameView(store: Store, frameId: number, isDecrypted = true): FrameView | null {
  const frame = frameOctets(store, frameId);
  if (frame === null) return null;
  const octets = Buffer.from(frame.payload);
  const { counter, keyId } = frame;
  const keys = keyId === null || !isDecrypted ? {} : (keysById(store, keyId)?.keys ?? {});
  const answer = explainPayload({
    bytes: octets,
    keys,
    ...(counter === null ? {} : { facts: { fCntHigh: Math.floor(counter / 65_536) } }),
  });
  return {
    id: frameId,
    at: isoTime(frame.atUs),
    hex: octets.toString("hex").toUpperCase(),
    base64: octets.toString("base64"),
    fields: mapFields(octets).map(copyField),
    fault: answer.errorText ?? null,
    ...micStanding(frame),
    counter,
    decryptedHex: answer.decryptedHex ?? null,
    decryptedText: answer.decryptedText ?? null,
    commands: commandsIn(answer),
    commandsAre: answer.macCommandsAre ?? null,
    receptions: rowsOf(store, receptionsOfFrame(store, frameId)),
  };
}

function micStanding({ micVerdict, counter }: FrameOctets): Pick<FrameView, "mic" | "micWords"> {
  if (micVerdict === 1) {
    return { mic: "proved", micWords: `proved by keys, counter ${figure(counter ?? 0)}` };
  }
  if (micVerdict === 0)
    return { mic: "invalid", micWords: "fits no key available: another sender, or other keys" };
  return { mic: "unknown", micWords: "no key available could say" };
}

/** Each command with its fields in words: "power ack yes, data rate ack yes". */
function commandsIn(answer: DecodeAnswer): FrameView["commands"] {
  return (answer.macCommands ?? []).map((command) => ({
    name: command.name,
    words: describeCommand({ ...command, cid: Number(command.cid) }),
  }));
}

type Field = FrameView["fields"][number];

/** The contract's arrays are mutable, the wire floor's are not. */
function copyField(field: ReturnType<typeof mapFields>[number]): Field {
  const { at, size, name, value, note, children } = field;
  return { at, size, name, value, note, children: children?.map(copyField) };
}

/** undefined when it is none. */
function readCursor(text: string): PageStart | undefined {
  const match = /^(\d{1,17})-(\d{1,15})$/.exec(text);
  return match === null ? undefined : { atUs: Number(match[1]), id: Number(match[2]) };
}

const CRCS = ["ok", "bad", "none", "unknown"] as const;

function rowsOf(store: Store, records: readonly ReceptionRecord[]): ReceptionRow[] {
  const gateways = labels(store, "gateway");
  const nodes = labels(store, "node");
  return records.map((record) => rowOf(record, gateways, nodes));
}

function rowOf(
  record: ReceptionRecord,
  gateways: ReadonlyMap<string, LabelRecord>,
  nodes: ReadonlyMap<string, LabelRecord>,
): ReceptionRow {
  const devAddr = record.devAddr === null ? null : formatDevAddr(record.devAddr);
  const modulation = modulationFromCodes(record.dataRate, record.codingRate);
  return {
    id: record.id,
    frameId: record.frameId,
    at: isoTime(record.atUs),
    gatewayEui: record.gatewayEui,
    gatewayName: gateways.get(record.gatewayEui)?.name ?? null,
    ...siteOf(gateways.get(record.gatewayEui)),
    antenna: record.antenna,
    devAddr,
    nodeName: devAddr === null ? null : (nodes.get(devAddr)?.name ?? null),
    life: record.life,
    messageType: messageTypeOf(record),
    counter: record.counter ?? record.fcnt,
    port: record.port,
    repeat: record.repeat === 1,
    ghost: record.ghost === 1,
    crc: CRCS[record.crc] ?? "unknown",
    frequencyHz: record.frequencyHz,
    dataRate: describeModulation(modulation),
    codingRate: "codingRate" in modulation ? modulation.codingRate : null,
    rssiDbm: fromTenths(record.rssiTenths),
    signalRssiDbm: fromTenths(record.signalRssiTenths),
    snrDb: fromTenths(record.snrTenths),
    marginDb: marginDb(record.snrTenths, record.dataRate),
    frequencyOffsetHz: record.frequencyOffsetHz,
    airtimeMs: record.airtimeUs / 1000,
    airtimeNotKnown: record.airtimeUs === 0 ? airtimeNotKnown(modulation) : null,
    size: record.size ?? 0,
  };
}

/** The type, or what the packet is instead of a frame. */
export function messageTypeOf(record: Pick<ReceptionRecord, "messageType" | "ghost" | "crc">): string {
  if (record.messageType !== null) return MESSAGE_TYPES[record.messageType] ?? "unknown";
  if (record.ghost === 1) return "ghost";
  if (record.crc === 1) return "CRC failed";
  if (record.crc > 1) return "no CRC";
  return "not LoRaWAN";
}
