/** `mastlog keys`: which keys of one's own nodes does this machine hold? Adds, lists and removes them; never shows one. */
import { readFileSync } from "node:fs";
import { Command } from "commander";
import { readNodeKeysFile } from "../ledger/keys/file.ts";
import { errorCode } from "../model/fault.ts";
import { addKeys, type KeysListed, listKeys, removeKeys } from "../store/keys.ts";
import { openStore, type Store } from "../store/open.ts";
import { Recorder } from "../store/recorder.ts";
import { plural } from "../words/format.ts";
import { CannotRun, guarded, storeCommand, withReader } from "./options.ts";
import { print, printJson, table } from "./terminal.ts";

interface KeysOptions {
  readonly db: string;
  readonly json?: boolean;
}

const HELP = `
The file: {"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": "…", "appSKey": "…"}, {"devEui": "…", "appKey": "…"}]}
with any of the key names of 'mastlog decode', 32 hex digits each, and counterBits (16 or 32) and note if you like.
Keys stay in the store on this machine, which only its owner can read; no command, view, export or log shows them.`;

export function keysCommand(): Command {
  return new Command("keys")
    .description("session and root keys of your own nodes: prove counters and devices by MIC")
    .addCommand(addCommand())
    .addCommand(listCommand())
    .addCommand(removeCommand())
    .addHelpText("after", HELP);
}

function addCommand(): Command {
  return storeCommand("add", "add the keys of a file to the store, and count the past again with them")
    .argument("<file>", "JSON file with keys")
    .action((file: string, options: KeysOptions) =>
      guarded(() => {
        const entries = readKeys(file);
        const { result: added, accounted } = changeKeys(options.db, (db) => addKeys(db, entries));
        if (options.json === true)
          return printJson({ added, given: entries.length, accountedAnew: accounted });
        print(`${plural(added, "new set")} of keys; ${pastWords(accounted)}\n`);
      }),
    );
}

function listCommand(): Command {
  return storeCommand("list", "which keys are held, by name").action((options: KeysOptions) =>
    guarded(() => {
      const keys = withReader(options.db, listKeys);
      if (options.json === true) return printJson({ keys });
      print(keys.length === 0 ? "No keys are held.\n" : `${keyTable(keys)}\n`);
    }),
  );
}

function removeCommand(): Command {
  return storeCommand("remove", "forget the keys of an address or a device")
    .argument("<node>", "device address (8 hex digits) or DevEUI (16 hex digits)")
    .action((node: string, options: KeysOptions) =>
      guarded(() => {
        const of = nodeNamed(node);
        const { result: removed, accounted } = changeKeys(options.db, (db) => removeKeys(db, of));
        if (removed === 0) throw new CannotRun(`No keys are held for ${Object.values(of).join("")}.`);
        if (options.json === true) return printJson({ removed, accountedAnew: accounted });
        print(`${plural(removed, "set")} of keys removed; ${pastWords(accounted)}\n`);
      }),
    );
}

function readKeys(file: string) {
  let text: string;
  try {
    text = readFileSync(file, "utf8");
  } catch (error) {
    const code = errorCode(error) || "unknown error";
    throw new CannotRun(`The key file cannot be read (${code}).`);
  }
  const read = readNodeKeysFile(text);
  if (!read.ok) throw new CannotRun(read.sentence);
  return read.nodes;
}

/** Changes what is held and accounts the past anew at once, beside a running service or without one. */
function changeKeys<T>(path: string, change: (db: Store) => T): { result: T; accounted: number } {
  const db = openStore(path);
  try {
    const recorder = new Recorder(db);
    const result = recorder.write(change);
    const accounted = recorder.settle().nodes.size;
    recorder.close();
    // What was overwritten must not stay readable in the log of changes.
    db.pragma("wal_checkpoint(TRUNCATE)");
    return { result, accounted };
  } finally {
    db.close();
  }
}

function nodeNamed(text: string): { devAddr: string } | { devEui: string } {
  if (/^[0-9a-fA-F]{8}$/.test(text)) return { devAddr: text.toUpperCase() };
  if (/^[0-9a-fA-F]{16}$/.test(text)) return { devEui: text.toUpperCase() };
  // What was typed is not repeated: it may be a key.
  throw new CannotRun("A node is named by its device address (8 hex digits) or its DevEUI (16 hex digits).");
}

function keyTable(keys: readonly KeysListed[]): string {
  return table(keys, [
    { title: "address", of: ({ devAddr }) => devAddr ?? "" },
    { title: "device", of: ({ devEui }) => devEui ?? "" },
    { title: "holds", of: ({ holds }) => holds.join(" ") },
    { title: "counter", of: ({ counterBits }) => (counterBits === null ? "" : `${counterBits} bits`) },
    { title: "from", of: ({ origin }) => (origin === "join" ? "a join that was followed" : "a key file") },
    { title: "note", of: ({ note }) => note ?? "" },
  ]);
}

function pastWords(accounted: number): string {
  return accounted === 0
    ? "nothing of the past had to be counted again."
    : `the past of ${plural(accounted, "address", "addresses")} was counted again.`;
}
