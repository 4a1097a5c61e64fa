/**
 * How does a person read the explanation of a packet? A tree with the octets of each field, then what keys added.
 */
import type { DecodeAnswer, ExplainedCommand } from "./decode-answer.ts";
import { describeCommand } from "./describe-command.ts";
import type { FieldSpan } from "./field-map.ts";

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
