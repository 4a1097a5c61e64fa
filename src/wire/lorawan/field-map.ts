/**
 * Which octet of a packet means what? A map for screens that light up octets: every octet stands in exactly one
 * outermost span, and `children` divide a span further.
 * Source: the layouts of phy-payload.ts (LoRaWAN 1.1, section 4) and mac-command-table.ts.
 * Without keys: what is encrypted is said to be encrypted.
 */
import { describeFault } from "../../model/fault.ts";
import { networkOf } from "./device-address.ts";
import { assumeClearFOpts, describeCommand, encodedLength } from "./mac-commands.ts";
import { hexOf, identifierAt, littleEndian, octet } from "./octets.ts";
import { type DataFrame, decodePhyPayload, MESSAGE_TYPES, type PhyPayload } from "./phy-payload.ts";

export interface FieldSpan {
  /** First octet, counted from the start of the packet. */
  readonly at: number;
  /** Octets, at least 1. */
  readonly size: number;
  readonly name: string;
  /** The value as text for people: identifiers most significant octet first. */
  readonly value: string;
  readonly note?: string;
  readonly children?: readonly FieldSpan[];
}

/** Divides a PHYPayload into named spans. A malformed one keeps the names that its octets still deserve. */
export function mapFields(bytes: Uint8Array): readonly FieldSpan[] {
  if (bytes.length === 0) return [];
  const decoded = decodePhyPayload(bytes);
  const spans = [headerSpan(bytes)];
  if (!decoded.ok) {
    const known = malformedSpans(bytes);
    spans.push(...known);
    const next = 1 + known.reduce((sum, span) => sum + span.size, 0);
    pushSpan(spans, bytes, next, bytes.length - next, "Rest", describeFault(decoded.fault));
    return spans;
  }
  spans.push(...bodySpans(bytes, decoded.value));
  return spans;
}

function headerSpan(bytes: Uint8Array): FieldSpan {
  const mhdr = octet(bytes, 0);
  const rfu = (mhdr >> 2) & 0x07;
  const bits = [`MType ${mhdr >> 5}`, ...(rfu === 0 ? [] : [`RFU ${rfu}`]), `Major ${mhdr & 0x03}`];
  return { at: 0, size: 1, name: "MHDR", value: MESSAGE_TYPES[mhdr >> 5] ?? "", note: bits.join(", ") };
}

function bodySpans(bytes: Uint8Array, message: PhyPayload): FieldSpan[] {
  switch (message.messageType) {
    case "JoinRequest":
      return [
        identifier(bytes, 1, 8, "JoinEUI", "AppEUI before 1.1"),
        identifier(bytes, 9, 8, "DevEUI"),
        number(bytes, 17, 2, "DevNonce"),
        micSpan(bytes),
      ];
    case "RejoinRequest": {
      const at = message.rejoinType === 1 ? 10 : 5;
      return [
        number(bytes, 1, 1, "RejoinType"),
        message.rejoinType === 1 ? identifier(bytes, 2, 8, "JoinEUI") : identifier(bytes, 2, 3, "NetID"),
        identifier(bytes, at, 8, "DevEUI"),
        number(bytes, at + 8, 2, message.rejoinType === 1 ? "RJcount1" : "RJcount0"),
        micSpan(bytes),
      ];
    }
    case "JoinAccept": {
      const note = "encrypted as a whole; only its length is known without the key";
      return [raw(bytes, 1, bytes.length - 1, "Encrypted", note)];
    }
    case "Proprietary": {
      const spans: FieldSpan[] = [];
      pushSpan(spans, bytes, 1, bytes.length - 1, "Payload", "proprietary: no layout is defined");
      return spans;
    }
    default:
      return dataSpans(bytes, message);
  }
}

function dataSpans(bytes: Uint8Array, frame: DataFrame): FieldSpan[] {
  const spans = [frameHeaderSpan(bytes, frame)];
  let at = 8 + frame.fOpts.length;
  if (frame.fPort !== null) {
    spans.push({ at, size: 1, name: "FPort", value: String(frame.fPort), note: portNote(frame.fPort) });
    at += 1;
  }
  const note = frame.fPort === 0 ? "MAC commands, encrypted with the network key" : "encrypted";
  pushSpan(spans, bytes, at, frame.frmPayload.length, "FRMPayload", note);
  spans.push(micSpan(bytes));
  return spans;
}

function frameHeaderSpan(bytes: Uint8Array, frame: DataFrame): FieldSpan {
  const children = frameHeaderStart(bytes);
  if (frame.fOpts.length > 0) children.push(fOptsSpan(bytes, frame));
  return { at: 1, size: 7 + frame.fOpts.length, name: "FHDR", value: frame.devAddr, children };
}

function frameHeaderStart(bytes: Uint8Array): FieldSpan[] {
  const devAddr = identifierAt(bytes, 1, 4);
  return [
    { at: 1, size: 4, name: "DevAddr", value: devAddr, note: networkOf(devAddr) },
    { at: 5, size: 1, name: "FCtrl", value: hexOf(bytes.subarray(5, 6)), note: fCtrlNote(bytes) },
    { at: 6, size: 2, name: "FCnt", value: String(littleEndian(bytes, 6, 2)), note: "low 16 bits" },
  ];
}

function fOptsSpan(bytes: Uint8Array, frame: DataFrame): FieldSpan {
  const { commands, certainty } = assumeClearFOpts(frame);
  const span = raw(bytes, 8, frame.fOpts.length, "FOpts");
  if (commands.length === 0)
    return { ...span, note: "no clear list of MAC commands: encrypted (1.1) or damaged" };
  const children: FieldSpan[] = [];
  let at = 8;
  for (const command of commands) {
    const size = encodedLength(command, frame.direction);
    children.push({ at, size, name: command.name, value: describeCommand(command) });
    at += size;
  }
  return { ...span, note: `MAC commands, ${certainty}`, children };
}

/** What a data frame that breaks a later rule still shows: address, control and counter stand before the trouble. */
function malformedSpans(bytes: Uint8Array): FieldSpan[] {
  const mhdr = octet(bytes, 0);
  const isData = mhdr >> 5 >= 2 && mhdr >> 5 <= 5 && (mhdr & 0x03) === 0;
  return isData && bytes.length >= 12 ? frameHeaderStart(bytes) : [];
}

function fCtrlNote(bytes: Uint8Array): string {
  const fCtrl = octet(bytes, 5);
  const isUp = octet(bytes, 0) >> 5 === 2 || octet(bytes, 0) >> 5 === 4;
  const flags = [
    (fCtrl & 0x80) !== 0 ? "ADR" : "",
    (fCtrl & 0x40) !== 0 ? (isUp ? "ADRACKReq" : "RFU") : "",
    (fCtrl & 0x20) !== 0 ? "ACK" : "",
    (fCtrl & 0x10) !== 0 ? (isUp ? "ClassB" : "FPending") : "",
    `FOptsLen ${fCtrl & 0x0f}`,
  ];
  return flags.filter((text) => text !== "").join(", ");
}

// LoRaWAN 1.1, section 4.3.2: 0 MAC commands, 1-223 application, 224 test protocol, 225-255 reserved.
function portNote(fPort: number): string {
  if (fPort === 0) return "MAC commands";
  if (fPort <= 223) return "application";
  if (fPort === 224) return "certification test protocol";
  // TS011-1.0.0: uplinks that a relay forwards.
  return fPort === 226 ? "relay" : "reserved for standard extensions";
}

function micSpan(bytes: Uint8Array): FieldSpan {
  return raw(bytes, bytes.length - 4, 4, "MIC");
}

function identifier(bytes: Uint8Array, at: number, size: number, name: string, note?: string): FieldSpan {
  return { at, size, name, value: identifierAt(bytes, at, size), ...(note === undefined ? {} : { note }) };
}

function number(bytes: Uint8Array, at: number, size: number, name: string): FieldSpan {
  return { at, size, name, value: String(littleEndian(bytes, at, size)) };
}

function raw(bytes: Uint8Array, at: number, size: number, name: string, note?: string): FieldSpan {
  const value = hexOf(bytes.subarray(at, at + size));
  return { at, size, name, value, ...(note === undefined ? {} : { note }) };
}

function pushSpan(
  spans: FieldSpan[],
  bytes: Uint8Array,
  at: number,
  size: number,
  name: string,
  note: string,
): void {
  if (size > 0) spans.push(raw(bytes, at, size, name, note));
}
