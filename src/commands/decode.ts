/**
 * `mastlog decode`: what does this one packet say? Reads the arguments, asks explainPayload, prints.
 */
import { readFile } from "node:fs/promises";
import { Command } from "commander";
import { z } from "zod";
import { plainLines } from "../model/text.ts";
import { type DecodeAnswer, describeAnswer, readPacketText } from "../wire/lorawan/decode-answer.ts";
import { explainPayload } from "../wire/lorawan/explain-payload.ts";
import { type FrameFacts, KEY_NAMES, type KeyName, type LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { octetsOfHex } from "../wire/lorawan/octets.ts";
import { jsonText } from "./terminal.ts";

interface Options {
  readonly keys?: string;
  readonly fcntHigh?: string;
  readonly confFcnt?: string;
  readonly txDr?: string;
  readonly txCh?: string;
  readonly devNonce?: string;
  readonly joinEui?: string;
  readonly devEui?: string;
  readonly joinReqType?: string;
  readonly json?: boolean;
}

/** What a person wrote that cannot be read; its message is the one sentence on stderr. */
class Unreadable extends Error {}

const HELP = `
PAYLOAD is one PHYPayload as the gateway heard it, in hex or base64. Without keys everything that is encrypted is
said to be encrypted. The key file is a JSON object with any of
  ${KEY_NAMES.join(" ")}
each 32 hex digits; keys are never taken from the command line, where other users could read them.

Exit status: 0 read, 1 malformed or a MIC that the keys prove wrong, 2 unreadable input or wrong usage.`;

/** The `decode` command, to be added to the program. */
export function decodeCommand(): Command {
  const command = new Command("decode")
    .description("explain one LoRaWAN packet, octet by octet")
    .argument("<payload>", "PHYPayload, hex or base64")
    .option("--keys <file>", "JSON file with keys")
    .option("--fcnt-high <n>", "upper 16 bits of the frame counter (default: tried from 0 on)")
    .option("--conf-fcnt <n>", "LoRaWAN 1.1: counter of the frame that this one acknowledges")
    .option("--tx-dr <n>", "LoRaWAN 1.1 uplink: data rate index (default: tried)")
    .option("--tx-ch <n>", "LoRaWAN 1.1 uplink: channel index of the device (default: tried)")
    .option("--dev-nonce <n>", "join-accept: DevNonce, or RJcount, of the request that it answers")
    .option("--join-eui <eui>", "join-accept of LoRaWAN 1.1: JoinEUI of the request")
    .option(
      "--dev-eui <eui>",
      "join-accept of LoRaWAN 1.1: DevEUI, from which NwkKey gives the join server's keys",
    )
    .option("--join-req-type <n>", "join-accept of LoRaWAN 1.1: 255 for a join, 0 to 2 for a rejoin")
    .option("--json", "one JSON document on stdout")
    .addHelpText("after", HELP);
  command.action(async (payload: string, options: Options) => {
    const { writeOut, writeErr } = command.configureOutput();
    try {
      const answer = await explain(payload, options);
      writeOut?.(`${options.json === true ? jsonText(answer) : plainLines(describeAnswer(answer))}\n`);
      if (isBad(answer)) process.exitCode = 1;
    } catch (error) {
      if (!(error instanceof Unreadable)) throw error;
      writeErr?.(plainLines(`${error.message}\n`));
      process.exitCode = 2;
    }
  });
  return command;
}

/** "The answer is bad": malformed, or a MIC that a key given proves wrong. */
function isBad(answer: DecodeAnswer): boolean {
  return answer.error !== undefined || answer.micValid === false;
}

async function explain(payload: string, options: Options): Promise<DecodeAnswer> {
  const bytes = readPacketText(payload);
  if (bytes === null) throw new Unreadable("The payload is neither hex nor base64.");
  const facts = readFacts(options);
  const keys = options.keys === undefined ? {} : await readKeys(options.keys);
  return explainPayload({ bytes, keys, facts });
}

function readFacts(options: Options): FrameFacts {
  const joinReqType = readNumber("--join-req-type", options.joinReqType, 255);
  if (joinReqType !== undefined && joinReqType !== 255 && !(joinReqType <= 2)) {
    throw new Unreadable("--join-req-type must be 255, 0, 1 or 2.");
  }
  return withoutUndefined({
    fCntHigh: readNumber("--fcnt-high", options.fcntHigh, 65535),
    confFCnt: readNumber("--conf-fcnt", options.confFcnt, 65535),
    txDr: readNumber("--tx-dr", options.txDr, 15),
    txCh: readNumber("--tx-ch", options.txCh, 255),
    devNonce: readNumber("--dev-nonce", options.devNonce, 65535),
    joinEui: readEui("--join-eui", options.joinEui),
    devEui: readEui("--dev-eui", options.devEui),
    joinReqType: joinReqType as FrameFacts["joinReqType"],
  });
}

function readNumber(option: string, text: string | undefined, maximum: number): number | undefined {
  if (text === undefined) return undefined;
  const value = /^(?:\d+|0x[0-9a-f]+)$/i.test(text) ? Number(text) : Number.NaN;
  if (!(value <= maximum)) throw new Unreadable(`${option} must be a whole number from 0 to ${maximum}.`);
  return value;
}

function readEui(option: string, text: string | undefined): string | undefined {
  if (text === undefined) return undefined;
  const digits = text.replace(/[:-]/g, "");
  if (!/^[0-9a-f]{16}$/i.test(digits)) throw new Unreadable(`${option} must be 16 hex digits.`);
  return digits.toUpperCase();
}

const keySchema = z.string().regex(/^[0-9a-fA-F]{32}$/);
const keyFileSchema = z.strictObject({
  nwkSKey: keySchema.optional(),
  appSKey: keySchema.optional(),
  fNwkSIntKey: keySchema.optional(),
  sNwkSIntKey: keySchema.optional(),
  nwkSEncKey: keySchema.optional(),
  appKey: keySchema.optional(),
  nwkKey: keySchema.optional(),
  jsIntKey: keySchema.optional(),
  jsEncKey: keySchema.optional(),
} satisfies Record<KeyName, z.ZodOptional<z.ZodString>>);

async function readKeys(file: string): Promise<LorawanKeys> {
  const text = await readFile(file, "utf8").catch(() => {
    throw new Unreadable("The key file cannot be read.");
  });
  const parsed = keyFileSchema.safeParse(parseJson(text));
  if (!parsed.success) throw new Unreadable(keyFileTrouble(parsed.error));
  const keys: Partial<Record<KeyName, Uint8Array>> = {};
  for (const name of KEY_NAMES) {
    const octets = octetsOfHex(parsed.data[name] ?? "");
    if (octets?.length === 16) keys[name] = octets;
  }
  return keys;
}

function parseJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // The parser's own message would quote the file, and with it a key.
    throw new Unreadable("The key file is not JSON.");
  }
}

/** Names the entry, never its value. */
function keyFileTrouble(error: z.ZodError): string {
  const [issue] = error.issues;
  const entry = issue?.path[0];
  if (typeof entry === "string") return `The key file's ${entry} must be 32 hex digits.`;
  if (issue?.code === "unrecognized_keys") return `The key file may only hold ${KEY_NAMES.join(", ")}.`;
  return "The key file must be a JSON object of keys.";
}

type Defined<T> = { [K in keyof T]?: Exclude<T[K], undefined> };

function withoutUndefined<T extends object>(values: T): Defined<T> {
  return Object.fromEntries(Object.entries(values).filter(([, value]) => value !== undefined)) as Defined<T>;
}
