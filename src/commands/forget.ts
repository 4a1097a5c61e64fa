/** `mastlog forget`: takes a gateway or a node out of the store, with all its rows; says first what will go. */
import { createInterface } from "node:readline/promises";
import { Command } from "commander";
import { forgottenWords } from "../diagnosis/forgotten-words.ts";
import { beginForgetting, type Forgettable, toBeForgotten } from "../store/forget.ts";
import { openStore } from "../store/open.ts";
import { Recorder } from "../store/recorder.ts";
import { CannotRun, dbOption, guarded } from "./options.ts";
import { printJson } from "./view-output.ts";

interface ForgetOptions {
  readonly db: string;
  readonly yes?: boolean;
  readonly json?: boolean;
}

/** Rows in one transaction: a service beside this one goes on recording in between. */
const ROWS_A_STEP = 2_000;
const PAUSE_MS = 5;

const HELP = `
What will go is said first, and the identifier must be typed again; --yes does without. There is no way back but the
captures: reading them again brings a gateway back, and a node only with 'rebuild' of a new store.`;

export function forgetCommand(): Command {
  return new Command("forget")
    .description("take a gateway or a node out of the store, with all that is kept of it")
    .addCommand(
      one("gateway", "<eui>", "its identifier, 16 hex digits", (text) => {
        if (!/^[0-9A-F]{16}$/.test(text))
          throw new CannotRun("A gateway is named by its EUI, 16 hex digits.");
        return { kind: "gateway", id: text };
      }),
    )
    .addCommand(
      one("node", "<address>", "its device address, 8 hex digits; all its counter lives go", (text) => {
        if (!/^[0-9A-F]{8}$/.test(text))
          throw new CannotRun("A node is named by its device address, 8 hex digits.");
        return { kind: "node", id: text };
      }),
    )
    .addHelpText("after", HELP);
}

function one(kind: string, word: string, what: string, read: (text: string) => Forgettable): Command {
  return new Command(kind)
    .description(`forget a ${kind}`)
    .argument(word, what)
    .option("--yes", "do not ask")
    .addOption(dbOption())
    .option("--json", "print one JSON document")
    .action((text: string, options: ForgetOptions) =>
      guarded(() => forget(read(text.toUpperCase()), options)),
    );
}

async function forget(thing: Forgettable, { db: path, yes, json }: ForgetOptions): Promise<void> {
  const db = openStore(path);
  try {
    const forgotten = toBeForgotten(db, thing);
    if (forgotten === null) throw new CannotRun(`No ${thing.kind} ${thing.id} is in this store.`);
    const words = forgottenWords(thing.kind, forgotten);
    if (yes !== true && !(await isConfirmed(thing, words)))
      throw new CannotRun("Nothing was forgotten: the identifier was not typed again.");
    const recorder = new Recorder(db);
    recorder.write((store) => beginForgetting(store, thing));
    while (recorder.forgetMore(ROWS_A_STEP)) await new Promise((resume) => setTimeout(resume, PAUSE_MS));
    recorder.reconsider();
    recorder.close();
    if (json === true) return printJson({ forgotten });
    process.stdout.write(`The ${thing.kind} ${thing.id} is forgotten. Gone: ${words}.\n`);
  } finally {
    db.close();
  }
}

async function isConfirmed({ kind, id }: Forgettable, words: string): Promise<boolean> {
  if (!process.stdin.isTTY)
    throw new CannotRun(`To forget the ${kind} ${id} takes away ${words}. Add --yes to do it.`);
  const line = createInterface({ input: process.stdin, output: process.stderr });
  try {
    const typed = await line.question(
      `To forget the ${kind} ${id} takes away ${words}.\nType ${id} to confirm: `,
    );
    return typed.trim().toUpperCase() === id;
  } finally {
    line.close();
  }
}
