/**
 * What does a datagram from a server say? PUSH_ACK, PULL_ACK, or PULL_RESP with a packet to send. Only a
 * relay sees these; none of them names a gateway.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3, 5 and 6.
 * Never throws: every byte string gives a datagram with its oddities, or a named fault.
 */

import { internalFault, type Oddity, type WireFault } from "../../model/fault.ts";
import type { Modulation } from "../../model/modulation.ts";
import { field, object } from "./encode-packet.ts";
import {
  fieldText,
  isJsonObject,
  type JsonObject,
  type NumberRule,
  OddityLog,
  readNumber,
  readPayload,
  toNumber,
  writePayload,
} from "./fields.ts";
import { decodeHead, downstreamHeadOctets, identifiers, shortHeadOctets } from "./header.ts";
import { readBody } from "./json-body.ts";
import { readModulation, writeModulation } from "./modulation-text.ts";

// What does a server ask a gateway to send? The `txpk` object of a PULL_RESP datagram.
// Source: PROTOCOL.TXT revisions 1.0 to 1.6, section 6; parsing rules of the SX1302 daemon V2.1.0.

/** When to send: at once (class C), at a counter value (class A), at a GPS time (class B), or not said. */
export type TransmitMoment =
  | { readonly kind: "immediate" }
  | { readonly kind: "counter"; readonly tmstUs: number }
  | { readonly kind: "gps"; readonly gpsTimeMs: number }
  | { readonly kind: "unsaid" };

/** One packet that a server wants sent. */
export interface Transmission {
  readonly moment: TransmitMoment;
  readonly frequencyHz: number | null;
  readonly rfChain: number | null;
  readonly powerDbm: number | null;
  readonly modulation: Modulation;
  /** FSK only. Hz. */
  readonly frequencyDeviationHz: number | null;
  /** True for what devices shall hear. */
  readonly invertedPolarity: boolean;
  /** LoRa symbols or FSK octets. */
  readonly preamble: number | null;
  readonly payload: Uint8Array | null;
  readonly withoutCrc: boolean;
  readonly implicitHeader: boolean;
}

const rules = {
  tmst: { min: 0, max: 4_294_967_295, integer: true, keepRaw: true },
  tmms: { min: 0, max: Number.MAX_SAFE_INTEGER, integer: true, keepRaw: true },
  rfch: { min: 0, max: 255, integer: true },
  // From memory: far outside what any radio emits.
  powe: { min: -100, max: 100 },
  fdev: { min: 0, max: 10_000_000 },
  // The daemon's fields are 16 bits wide.
  prea: { min: 0, max: 65_535, integer: true },
} as const satisfies Record<string, NumberRule>;

/** Reads one `txpk` object. What cannot be read is null or "unsaid", and the log says why. */
function readTransmission(txpk: JsonObject, log: OddityLog): Transmission {
  return {
    moment: readMoment(txpk, log),
    frequencyHz: readFrequency(txpk, log),
    rfChain: readNumber(txpk, "rfch", rules.rfch, log),
    powerDbm: readNumber(txpk, "powe", rules.powe, log),
    modulation: readModulation(txpk, log),
    frequencyDeviationHz: readNumber(txpk, "fdev", rules.fdev, log),
    invertedPolarity: txpk.ipol === true,
    preamble: readNumber(txpk, "prea", rules.prea, log),
    payload: readPayload(txpk, log),
    withoutCrc: txpk.ncrc === true,
    implicitHeader: txpk.nhdr === true,
  };
}

/** The daemon's order: `imme` when it is the boolean true, else `tmst`, else `tmms`. */
function readMoment(txpk: JsonObject, log: OddityLog): TransmitMoment {
  // Some servers write the word in the counter's place.
  if (txpk.imme === true || txpk.tmst === "immediate") return { kind: "immediate" };
  const tmstUs = readNumber(txpk, "tmst", rules.tmst, log);
  if (tmstUs !== null) return { kind: "counter", tmstUs };
  const gpsTimeMs = readNumber(txpk, "tmms", rules.tmms, log);
  return gpsTimeMs === null ? { kind: "unsaid" } : { kind: "gps", gpsTimeMs };
}

/** MHz, cut (not rounded) to whole hertz as the daemon does, which sends on what it cut. */
function readFrequency(txpk: JsonObject, log: OddityLog): number | null {
  const mhz = toNumber(txpk.freq, "freq", log);
  const exact = mhz === null ? Number.NaN : mhz * 1e6;
  // A double cannot hold most decimals: within a thousandth the whole hertz is what was meant.
  const hz = Math.abs(exact - Math.round(exact)) < 0.001 ? Math.round(exact) : Math.trunc(exact);
  if (hz >= 1_000_000 && hz <= 100_000_000_000) return hz;
  log.note("freq", true, fieldText(txpk.freq));
  return null;
}

/** One `txpk` object, keys in the order in which the protocol's text lists them. */
export function writeTransmission(transmission: Transmission): string {
  const { moment } = transmission;
  return object([
    moment.kind === "unsaid" ? "" : field("imme", String(moment.kind === "immediate")),
    moment.kind === "counter" ? field("tmst", moment.tmstUs) : "",
    moment.kind === "gps" ? field("tmms", moment.gpsTimeMs) : "",
    field("freq", transmission.frequencyHz === null ? null : transmission.frequencyHz / 1e6),
    field("rfch", transmission.rfChain),
    field("powe", transmission.powerDbm),
    writeModulation(transmission.modulation),
    field("fdev", transmission.frequencyDeviationHz),
    transmission.invertedPolarity ? ',"ipol":true' : "",
    field("prea", transmission.preamble),
    writePayload(transmission.payload),
    transmission.withoutCrc ? ',"ncrc":true' : "",
    transmission.implicitHeader ? ',"nhdr":true' : "",
  ]);
}

interface DownstreamHead {
  readonly version: 1 | 2;
  /** Octets 1 and 2, most significant first. In PULL_RESP of version 1 the field is unused. */
  readonly token: number;
}

export interface PushAck extends DownstreamHead {
  readonly kind: "push-ack";
}

export interface PullAck extends DownstreamHead {
  readonly kind: "pull-ack";
}

export interface PullResponse extends DownstreamHead {
  readonly kind: "pull-response";
  /** Null when the body could not be read. */
  readonly transmission: Transmission | null;
}

/** What a server may send to a gateway. */
export type DownstreamDatagram = PushAck | PullAck | PullResponse;

export type DownstreamDecoding =
  | { readonly ok: false; readonly fault: WireFault }
  | {
      readonly ok: true;
      readonly datagram: DownstreamDatagram;
      readonly oddities: readonly Oddity[];
    };

const fromServer: readonly number[] = [identifiers.pushAck, identifiers.pullAck, identifiers.pullResponse];

/**
 * Decodes one datagram that a server sent. Faults: `short`, `version`, `ident`, `direction`, and `internal` for an
 * error of this program.
 */
export function decodeDownstream(bytes: Uint8Array): DownstreamDecoding {
  try {
    return decode(bytes);
  } catch (error) {
    return { ok: false, fault: internalFault(error) };
  }
}

function decode(bytes: Uint8Array): DownstreamDecoding {
  const decoded = decodeHead(bytes, fromServer);
  if (!decoded.ok) return decoded;
  const log = new OddityLog();
  const { version, token, identifier } = decoded.head;
  let datagram: DownstreamDatagram;
  if (identifier === identifiers.pullResponse) {
    datagram = {
      kind: "pull-response",
      version,
      token,
      transmission: readResponse(bytes, log),
    };
  } else {
    if (bytes.length > shortHeadOctets)
      log.note("trailing", true, `${bytes.length - shortHeadOctets} octets`);
    datagram = {
      kind: identifier === identifiers.pushAck ? "push-ack" : "pull-ack",
      version,
      token,
    };
  }
  return { ok: true, datagram, oddities: log.entries };
}

/** The packet to send. Nothing is repaired here: the gateway's own parser would not repair it either. */
function readResponse(bytes: Uint8Array, log: OddityLog): Transmission | null {
  const body = readBody(bytes, downstreamHeadOctets, log, false);
  if (body === "empty") log.note("body_empty", true);
  if (body === "empty" || body === "broken") return null;
  // The reference daemon refuses an array of packets.
  if (isJsonObject(body.txpk)) return readTransmission(body.txpk, log);
  log.note("body_unknown", true, "no txpk object");
  return null;
}
