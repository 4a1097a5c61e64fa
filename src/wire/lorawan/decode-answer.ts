/**
 * What does the explanation of one packet hold? The keys of `mastlog decode --json`.
 * Identifiers are upper-case hex, most significant octet first; `…Hex` are octets in air order.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import type { Beacon } from "./beacon.ts";
import type { FieldSpan } from "./field-map.ts";
import type { FieldValue } from "./mac-command-table.ts";
import { describeCommand } from "./mac-commands.ts";
import { octetsOfHex } from "./octets.ts";
import type { MessageType } from "./phy-payload.ts";

/** A MAC command as JSON shows it: the CID as `0x02`. */
interface ExplainedCommand {
  readonly cid: string;
  readonly name: string;
  readonly [field: string]: FieldValue;
}

export interface DecodeAnswer {
  /** null when not even MHDR could be read as LoRaWAN R1. */
  readonly messageType: MessageType | "ClassBBeacon" | null;
  readonly direction?: "up" | "down";
  readonly devAddr?: DevAddr;
  /** Label of the network that the address points to. */
  readonly network?: string;
  readonly fCtrl?: {
    readonly adr: boolean;
    readonly adrAckReq?: boolean;
    readonly ack: boolean;
    readonly classB?: boolean;
    readonly fPending?: boolean;
    readonly fOptsLen: number;
  };
  readonly fCnt?: number;
  /** The full counter: proved by the MIC, or with the upper half handed in or assumed 0. */
  readonly fCnt32?: number;
  readonly fPort?: number | null;
  readonly macCommands?: readonly ExplainedCommand[];
  /** How sure the commands are: `assumed 1.0 clear text` until a key settles it. */
  readonly macCommandsAre?: string;
  /** Octets of a command list that could not be read, from the CID on, and why. */
  readonly macCommandsUnparsedHex?: string;
  readonly macCommandsStop?: string;
  readonly fOptsHex?: string;
  readonly fOptsDecryptedHex?: string;
  readonly frmPayloadHex?: string;
  readonly micHex?: string;
  /** Absent when no key could check it. */
  readonly micValid?: boolean;
  /** `half`: two of the four octets of a 1.1 uplink's MIC. */
  readonly micChecked?: "half" | "whole";
  readonly lorawanVersion?: "1.0" | "1.1";
  readonly decryptedHex?: string;
  /** The decrypted octets as text, when all of them are printable ASCII. */
  readonly decryptedText?: string;
  readonly joinEui?: Eui;
  readonly devEui?: Eui;
  readonly devNonce?: number;
  readonly rejoinType?: 0 | 1 | 2;
  readonly rjCount0?: number;
  readonly rjCount1?: number;
  readonly netId?: string;
  readonly joinNonce?: string;
  readonly dlSettings?: number;
  readonly optNeg?: boolean;
  readonly rx1DrOffset?: number;
  readonly rx2DataRate?: number;
  readonly rxDelay?: number;
  readonly rxDelaySeconds?: number;
  readonly cfListType?: number;
  readonly cfListFrequenciesHz?: readonly number[];
  readonly cfListChMasks?: readonly number[];
  readonly encryptedHex?: string;
  readonly payloadHex?: string;
  readonly beacon?: Beacon;
  /** A frame that a relay forwarded inside this one. */
  readonly relayed?: {
    readonly worChannel: number;
    readonly rssiDbm: number;
    readonly snrDb: number;
    readonly dataRate: number;
    readonly frequencyHz: number;
    readonly phyPayloadHex: string;
    readonly fields: readonly FieldSpan[];
  };
  /** Parts that stayed encrypted for want of a key. */
  readonly encrypted?: readonly string[];
  /** Named fault of a malformed packet. */
  readonly error?: string;
  readonly errorText?: string;
  readonly notes: readonly string[];
  readonly fields: readonly FieldSpan[];
}

// How does a person read the explanation of a packet? A tree with the octets of each field, then what keys added.

const NAME_WIDTH = 24;
// Chosen: 12 octets fit beside the names on a terminal of 110 columns; a longer span shows its value alone.
const OCTETS_SHOWN = 12;

/** The whole explanation as lines of text, without a final line break. */
export function describeAnswer(answer: DecodeAnswer): string {
  const lines = [headline(answer), ...answer.fields.flatMap((span) => spanLines(span, 1))];
  lines.push(...commandLines(answer), ...decryptedLines(answer), ...relayedLines(answer));
  if (answer.error !== undefined) lines.push("", `Malformed: ${answer.errorText ?? answer.error}`);
  lines.push(...micLines(answer));
  if (answer.encrypted !== undefined) {
    lines.push(`Encrypted, and not guessed: ${answer.encrypted.join(", ")}`);
  }
  lines.push(...answer.notes.map((note) => `Note: ${note}`));
  return lines.join("\n");
}

function headline(answer: DecodeAnswer): string {
  const size = answer.fields.reduce((sum, span) => sum + span.size, 0);
  const version = answer.lorawanVersion === undefined ? "" : `, LoRaWAN ${answer.lorawanVersion}`;
  return `${answer.messageType ?? "Not LoRaWAN R1"}, ${size} octets${version}`;
}

function spanLines(span: FieldSpan, depth: number): string[] {
  const children = span.children ?? [];
  const indent = "  ".repeat(depth);
  const place = `${String(span.at).padStart(3)} +${String(span.size).padEnd(3)}`;
  const name = `${indent}${span.name}`.padEnd(NAME_WIDTH);
  const note = span.note === undefined ? "" : ` (${span.note})`;
  const line = `${place} ${name} ${clip(span)}${note}`.trimEnd();
  return [line, ...children.flatMap((child) => spanLines(child, depth + 1))];
}

function clip(span: FieldSpan): string {
  const isLongHex = span.value.length > OCTETS_SHOWN * 2 && /^[0-9A-F]+$/.test(span.value);
  return isLongHex ? (span.value.match(/.{1,64}/g) ?? []).join(" ") : span.value;
}

function commandLines(answer: DecodeAnswer): string[] {
  const commands = answer.macCommands ?? [];
  const lines = commands.map((command) => `  ${command.cid} ${command.name}${fieldsOf(command)}`);
  if (answer.macCommandsStop !== undefined) {
    lines.push(`  not read: ${answer.macCommandsUnparsedHex ?? ""} (${answer.macCommandsStop})`);
  }
  return lines.length === 0 ? [] : ["", `MAC commands, ${answer.macCommandsAre ?? ""}`, ...lines];
}

function fieldsOf({ cid: _cid, ...rest }: ExplainedCommand): string {
  const text = describeCommand({ ...rest, cid: 0, name: "" });
  return text === "" ? "" : `: ${text}`;
}

function decryptedLines(answer: DecodeAnswer): string[] {
  if (answer.decryptedHex === undefined) return [];
  const text = answer.decryptedText === undefined ? "" : `  "${answer.decryptedText}"`;
  const lines = ["", `Decrypted: ${answer.decryptedHex === "" ? "(empty)" : answer.decryptedHex}${text}`];
  if (answer.joinNonce === undefined) return lines;
  lines.push(
    `  JoinNonce ${answer.joinNonce}, NetID ${answer.netId ?? ""}, DevAddr ${answer.devAddr ?? ""} (${answer.network ?? ""})`,
    `  RX1 offset ${answer.rx1DrOffset ?? ""}, RX2 data rate ${answer.rx2DataRate ?? ""}, RX1 after ${answer.rxDelaySeconds ?? ""} s, OptNeg ${answer.optNeg === true ? 1 : 0}`,
  );
  if (answer.cfListFrequenciesHz !== undefined) {
    const channels = answer.cfListFrequenciesHz.map((hz) => (hz === 0 ? "unused" : `${hz / 1e6} MHz`));
    lines.push(`  CFList: ${channels.join(", ")}`);
  }
  if (answer.cfListChMasks !== undefined) {
    const masks = answer.cfListChMasks.map((mask) => mask.toString(16).toUpperCase().padStart(4, "0"));
    lines.push(`  CFList: channel masks ${masks.join(" ")}`);
  }
  return lines;
}

function relayedLines(answer: DecodeAnswer): string[] {
  if (answer.relayed === undefined) return [];
  const { rssiDbm, snrDb, dataRate, frequencyHz, fields } = answer.relayed;
  const heard = `heard by the relay at ${rssiDbm} dBm, SNR ${snrDb} dB, data rate ${dataRate}, ${frequencyHz / 1e6} MHz`;
  return ["", `Forwarded frame, ${heard}`, ...fields.flatMap((span) => spanLines(span, 1))];
}

function micLines(answer: DecodeAnswer): string[] {
  if (answer.micValid === undefined) return [];
  const part = answer.micChecked === "half" ? " (half of it checked)" : "";
  const counter = answer.fCnt32 === undefined || !answer.micValid ? "" : `, counter ${answer.fCnt32}`;
  return ["", `MIC ${answer.micValid ? "valid" : "INVALID"}${part}${counter}`];
}

// How does a packet typed or pasted by a person become octets? Hex (either case, octets may be parted by a space,
// colon or hyphen, `0x` in front allowed) or base64 (RFC 4648, sections 4 and 5, padding optional).
// Text that can be hex is read as hex. Never throws.

/** The octets of a packet; null when the text is neither hex nor base64. */
export function readPacketText(text: string): Uint8Array | null {
  const trimmed = text.trim();
  const digits = trimmed.replace(/^0x/i, "");
  if (digits === "" || /^[0-9a-f]{2}(?:[\s:-]?[0-9a-f]{2})*$/i.test(digits)) return octetsOfHex(digits);
  // An odd number of hex digits is a slip of the hand, not base64.
  if (/^[0-9a-f]+$/i.test(trimmed) && trimmed.length % 2 === 1) return null;
  return readBase64(trimmed);
}

function readBase64(text: string): Uint8Array | null {
  const body = text.replace(/={1,2}$/, "");
  // Padding, where there is any, must fill the last group; a single character over cannot hold an octet.
  if (body.length % 4 === 1 || (body.length !== text.length && text.length % 4 !== 0)) return null;
  if (!/^[A-Za-z0-9+/]+$/.test(body) && !/^[A-Za-z0-9_-]+$/.test(body)) return null;
  const standard = body.replace(/-/g, "+").replace(/_/g, "/");
  const octets = Buffer.from(standard, "base64");
  // RFC 4648, section 3.5: the bits beyond the last octet are zero; anything else is not an encoding of octets.
  return octets.toString("base64").replace(/=+$/, "") === standard ? new Uint8Array(octets) : null;
}
