/**
 * Which MAC commands does a clear octet string hold? One table-driven reader and writer for both directions.
 * Source: LoRaWAN 1.1, section 5; rows in mac-command-table.ts.
 * Lengths are not on air, so an unknown CID ends the list (LoRaWAN 1.0.3, section 5, note). Never throws.
 */

import { cryptFOpts, type FrameIdentity } from "./frame-mic.ts";
import { type BitField, COMMAND_TABLE, type CommandRow, type FieldValue } from "./mac-command-table.ts";
import { hexOf, littleEndian, octet, octetsOfHex, putLittleEndian } from "./octets.ts";
import type { DataFrame, Direction } from "./phy-payload.ts";

/** One command with its fields, units in their names. Commands without a field table carry `parametersHex`. */
export interface MacCommand {
  readonly cid: number;
  readonly name: string;
  readonly [field: string]: FieldValue;
}

/** Why a list ended before its octets did. */
export type MacCommandStop = "unknownCid" | "proprietaryCid" | "truncated";

interface MacCommandList {
  readonly commands: readonly MacCommand[];
  /** What was not read, from the CID at which reading stopped; empty when everything was. */
  readonly unparsed: Uint8Array;
  readonly stop: MacCommandStop | null;
}

const ROWS = {
  up: byCid("up"),
  down: byCid("down"),
} as const;

/** Reads a list of commands in clear text: FOpts of 1.0.x, decrypted FOpts of 1.1, decrypted FRMPayload of FPort 0. */
export function decodeMacCommands(bytes: Uint8Array, direction: Direction): MacCommandList {
  const commands: MacCommand[] = [];
  let at = 0;
  while (at < bytes.length) {
    const row = ROWS[direction].get(octet(bytes, at));
    if (row === undefined) {
      // LoRaWAN 1.1, table 5: CIDs 80 to FF are proprietary, of a length nobody else knows.
      const stop = octet(bytes, at) >= 0x80 ? "proprietaryCid" : "unknownCid";
      return { commands, unparsed: bytes.subarray(at), stop };
    }
    const body = bytes.subarray(at + 1);
    const length = commandLength(row, body);
    if (body.length < length) return { commands, unparsed: bytes.subarray(at), stop: "truncated" };
    commands.push(decodeCommand(row, body.subarray(0, length)));
    at += 1 + length;
  }
  return { commands, unparsed: bytes.subarray(at), stop: null };
}

/**
 * Writes commands one after another. A field that is missing counts as 0; a command that no row of this
 * direction knows is left out. RFU bits are 0; derived fields are ignored.
 */
export function encodeMacCommands(commands: readonly MacCommand[], direction: Direction): Uint8Array {
  const octets: number[] = [];
  for (const command of commands) {
    const row = ROWS[direction].get(command.cid);
    if (row !== undefined) octets.push(row.cid, ...encodeCommand(row, command));
  }
  return Uint8Array.from(octets);
}

/** Octets that a command takes on air, CID included; 0 when no row of this direction knows it. */
export function encodedLength(command: MacCommand, direction: Direction): number {
  return encodeMacCommands([command], direction).length;
}

/** Consecutive LinkADRReq commands act as one block (LoRaWAN 1.1, section 5.3); other commands stand alone. */
export function linkAdrBlocks(commands: readonly MacCommand[]): readonly (readonly MacCommand[])[] {
  const blocks: MacCommand[][] = [];
  for (const command of commands) {
    const last = blocks.at(-1);
    if (command.name === "LinkADRReq" && last?.[0]?.name === "LinkADRReq") last.push(command);
    else blocks.push([command]);
  }
  return blocks;
}

function byCid(direction: Direction): ReadonlyMap<number, CommandRow> {
  return new Map(COMMAND_TABLE.filter((row) => row.direction === direction).map((row) => [row.cid, row]));
}

function commandLength(row: CommandRow, body: Uint8Array): number {
  return row.length + (row.tailLength === undefined ? 0 : row.tailLength(body));
}

function decodeCommand(row: CommandRow, body: Uint8Array): MacCommand {
  const command: Record<string, FieldValue> = {};
  for (const field of row.fields) command[field.name] = readField(field, body);
  if (row.fields.length === 0 && body.length > 0) command.parametersHex = hexOf(body);
  const derived = row.derive?.((name) => Number(command[name] ?? 0));
  return { cid: row.cid, name: row.name, ...command, ...derived };
}

function encodeCommand(row: CommandRow, command: MacCommand): Uint8Array {
  if (row.fields.length === 0) {
    const parameters = octetsOfHex(String(command.parametersHex ?? "")) ?? new Uint8Array(0);
    const body = new Uint8Array(commandLength(row, parameters));
    body.set(parameters.subarray(0, body.length));
    return body;
  }
  const body = new Uint8Array(row.length);
  for (const field of row.fields) writeField(field, body, command[field.name]);
  return body;
}

function readField(field: BitField, body: Uint8Array): number | boolean {
  const range = 2 ** field.width;
  const raw = Math.floor(littleEndian(body, field.at, field.size) / 2 ** field.shift) % range;
  if (field.kind === "flag") return raw === 1;
  if (field.kind === "signed" && raw >= range / 2) return raw - range;
  return raw * field.scale;
}

function writeField(field: BitField, body: Uint8Array, value: FieldValue | undefined): void {
  const range = 2 ** field.width;
  const number = Math.round(Number(value ?? 0) / field.scale);
  const raw = Number.isFinite(number) ? ((number % range) + range) % range : 0;
  const before = littleEndian(body, field.at, field.size);
  putLittleEndian(body, field.at, field.size, before + raw * 2 ** field.shift);
}

// Where do a frame's MAC commands stand, and may they be believed? One place that settles clear text against ciphertext.
// Source: LoRaWAN 1.0.3, section 5 (FOpts in clear); LoRaWAN 1.1, section 4.3.1.6 (FOpts encrypted);
// both: FRMPayload of FPort 0 is always encrypted.

/** How sure it is that what was read is what the device sent. */
export type CommandCertainty =
  | "none"
  | "assumed 1.0 clear text"
  | "1.0 clear text"
  | "decrypted, 1.1"
  | "decrypted, 1.1 as first printed"
  | "clear text in a 1.1 frame"
  | "decrypted FPort 0"
  | "encrypted"
  | "unreadable";

export interface FrameCommands {
  readonly commands: readonly MacCommand[];
  readonly certainty: CommandCertainty;
  /** The clear octets that were read; null when they stayed encrypted. */
  readonly clear: Uint8Array | null;
  readonly list: MacCommandList | null;
}

const NONE: FrameCommands = { commands: [], certainty: "none", clear: null, list: null };

/**
 * The commands in FOpts without any key. A list that does not read cleanly to its end is not shown as commands:
 * it may be 1.1 ciphertext.
 */
export function assumeClearFOpts(frame: DataFrame): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const list = decodeMacCommands(frame.fOpts, frame.direction);
  if (list.stop !== null) return { commands: [], certainty: "encrypted", clear: null, list };
  return { commands: list.commands, certainty: "assumed 1.0 clear text", clear: frame.fOpts, list };
}

/** The commands in FOpts of a frame whose MIC proved it to be of 1.0.x: clear text, read as far as it goes. */
export function clearFOpts(frame: DataFrame): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const list = decodeMacCommands(frame.fOpts, frame.direction);
  return { commands: list.commands, certainty: "1.0 clear text", clear: frame.fOpts, list };
}

/** The commands in FOpts of a 1.1 frame: the errata's form, then the one first printed, then clear text. */
export function decryptFOpts(
  nwkSEncKey: Uint8Array,
  frame: DataFrame,
  identity: FrameIdentity,
): FrameCommands {
  if (frame.fOpts.length === 0) return NONE;
  const tries = [
    { certainty: "decrypted, 1.1", form: "errata" },
    { certainty: "decrypted, 1.1 as first printed", form: "original" },
    { certainty: "clear text in a 1.1 frame", form: null },
  ] as const;
  for (const { certainty, form } of tries) {
    const clear =
      form === null ? frame.fOpts : cryptFOpts(nwkSEncKey, frame.fOpts, identity, frame.fPort, form);
    const list = decodeMacCommands(clear, frame.direction);
    if (list.stop === null) return { commands: list.commands, certainty, clear, list };
  }
  return { commands: [], certainty: "unreadable", clear: null, list: null };
}

/** The commands in the decrypted FRMPayload of FPort 0. */
export function commandsOfFPort0(clear: Uint8Array, frame: DataFrame): FrameCommands {
  const list = decodeMacCommands(clear, frame.direction);
  return { commands: list.commands, certainty: "decrypted FPort 0", clear, list };
}

// How does a person read a MAC command? One line, units written out: "margin 20 dB, gateways 3".
// The names of the fields say what they are; only special values need words of their own.
// Source of the special values: LoRaWAN 1.1, section 5 (DevStatusAns, NewChannelReq, LinkADRReq).

// Longest first: a field's suffix tells its unit.
const UNITS: readonly (readonly [string, string])[] = [
  ["Seconds", " s"],
  ["Dbm", " dBm"],
  ["Db", " dB"],
  ["Ms", " ms"],
];

/** The fields of a command in one line; empty for a command without fields. */
export function describeCommand(command: MacCommand): string {
  return Object.entries(command)
    .filter(([name]) => name !== "cid" && name !== "name")
    .map(([name, value]) => describeField(name, value))
    .join(", ");
}

function describeField(name: string, value: FieldValue): string {
  if (typeof value === "boolean") return `${words(name)} ${value ? "yes" : "no"}`;
  if (typeof value === "string") return `${words(name)} ${value}`;
  if (name === "frequencyHz") return value === 0 ? "frequency 0 (none, default)" : `${value / 1e6} MHz`;
  if (name === "chMask") return `channel mask 0x${value.toString(16).toUpperCase().padStart(4, "0")}`;
  // LoRaWAN 1.1, table 21: 0 external power, 255 the device cannot tell.
  if (name === "battery" && value === 0) return "battery: external power";
  if (name === "battery" && value === 255) return "battery: unknown";
  if (name === "battery") return `battery ${value} of 254`;
  if (name.endsWith("Ratio")) return `${words(name.slice(0, -5))} ${Number((value * 100).toPrecision(3))} %`;
  const unit = UNITS.find(([suffix]) => name.endsWith(suffix));
  if (unit === undefined) return `${words(name)} ${value}`;
  return `${words(name.slice(0, -unit[0].length))} ${value}${unit[1]}`;
}

/** `rx1DrOffsetAck` → `rx1 dr offset ack`. */
function words(name: string): string {
  return name.replace(/[A-Z]+/g, (capitals) => ` ${capitals.toLowerCase()}`);
}
