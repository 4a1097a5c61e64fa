/**
 * Which MAC commands does a clear octet string hold? One table-driven reader and writer for both directions.
 * Source: LoRaWAN 1.1, section 5; rows in mac-command-table.ts.
 * Lengths are not on air, so an unknown CID ends the list (LoRaWAN 1.0.3, section 5, note). Never throws.
 */
import { type BitField, COMMAND_TABLE, type CommandRow, type FieldValue } from "./mac-command-table.ts";
import { hexOf, littleEndian, octet, octetsOfHex, putLittleEndian } from "./octets.ts";
import type { Direction } from "./phy-payload.ts";

/** One command with its fields, units in their names. Commands without a field table carry `parametersHex`. */
export interface MacCommand {
  readonly cid: number;
  readonly name: string;
  readonly [field: string]: FieldValue;
}

/** Why a list ended before its octets did. */
export type MacCommandStop = "unknownCid" | "proprietaryCid" | "truncated";

export interface MacCommandList {
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
