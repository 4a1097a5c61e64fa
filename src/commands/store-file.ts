/** `mastlog backup`: copies a store while it is in use, or rescues what is readable of a damaged one. */
import { existsSync } from "node:fs";
import { createInterface } from "node:readline/promises";
import { Command } from "commander";
import { z } from "zod";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { forgottenWords } from "../diagnosis/notices.ts";
import { recordLeftHeld } from "../intake/recording-queue.ts";
import { isoTime } from "../model/time-range.ts";
import { backupStore } from "../store/backup.ts";
import { beginForgetting, type Forgettable, toBeForgotten } from "../store/forget.ts";
import { openStore } from "../store/open.ts";
import { rebuildInSteps } from "../store/rebuild.ts";
import { Recorder } from "../store/recorder.ts";
import { rescueStore } from "../store/rescue.ts";
import type { Removed } from "../store/retention.ts";
import { closeBesideService, isServiceRunning } from "../store/service-claim.ts";
import { figure, fileSize, plural, removedSentence } from "../words/format.ts";
import { CannotRun, type DbOptions, dbOption, guarded, storeCommand } from "./options.ts";
import { complain, interruptible, print, printJson, progressBar } from "./terminal.ts";

const Options = z.object({
  db: z.string().min(1),
  overwrite: z.boolean().default(false),
  withoutKeys: z.boolean().default(false),
  rescue: z.boolean().default(false),
  json: z.boolean().default(false),
});

const HELP = `
The copy is one state of the store, complete and checked, in one file that only you can read. The service may run
meanwhile. The copy holds the keys of your nodes, if there are any; --without-keys leaves them out.

--rescue reads a damaged store row by row and goes on behind each unreadable place. It needs room for two copies, and
never changes the damaged file. Where even that finds nothing, the sqlite3 tool may:
  sqlite3 DAMAGED.db .recover | sqlite3 NEW.db`;

export function backupCommand(): Command {
  return storeCommand("backup", "copy the store into one file, also while the service runs")
    .argument("<file>", "the copy")
    .option("--overwrite", "replace the file if it is there")
    .option("--without-keys", "leave the keys of nodes out of the copy")
    .option("--rescue", "read what is readable of a damaged store into a new one")
    .addHelpText("after", HELP)
    .action((file: string, given: unknown) => guarded(() => backup(file, given)));
}

async function backup(file: string, given: unknown): Promise<void> {
  const parsed = Options.safeParse(given);
  if (!parsed.success) throw new CannotRun("--db takes the name of a file.");
  const { db, overwrite, withoutKeys, rescue, json } = parsed.data;
  if (file === "") throw new CannotRun("The copy needs a name.");
  if (rescue && withoutKeys)
    throw new CannotRun(
      "--rescue takes everything. Rescue first, then copy the new store with --without-keys.",
    );
  const bar = progressBar(rescue ? "tables" : "pages");
  let isStopped = false;
  const onProgress = (share: number) => {
    if (isStopped) throw new CannotRun("Stopped; no copy was made.");
    bar.at(share);
  };
  const stop = () => {
    isStopped = true;
  };
  await interruptible(stop, async () => {
    try {
      if (rescue) await printRescue(db, file, { overwrite, onProgress }, json, () => bar.stop());
      else {
        const { removed, ...result } = await backupStore(db, file, { overwrite, withoutKeys, onProgress });
        bar.stop();
        if (json) printJson({ file, ...result, ...removedKey(removed) });
        else print(`${file}: ${describe(result, withoutKeys)}${removedText(removed)}\n`);
      }
    } finally {
      bar.stop();
    }
  });
}

async function printRescue(
  db: string,
  file: string,
  options: { overwrite: boolean; onProgress: (share: number) => void },
  json: boolean,
  onDone: () => void,
): Promise<void> {
  const { tables, receptions, removed } = await rescueStore(db, file, { ...options, judge: judgeGap });
  onDone();
  if (json) return printJson({ file, receptions, tables, ...removedKey(removed) });
  const gone =
    removed === null
      ? ""
      : ` Receptions before ${isoTime(removed.beforeUs)} had been removed; the hours of that time are not rescued, and it counts as not recorded.`;
  const holes = tables.filter((table) => table.holes > 0);
  const lost =
    holes.length === 0
      ? "Every table could be read to its end."
      : `Not everything could be read: ${holes.map(({ name, holes: n }) => `${name} has ${plural(n, "hole")}`).join(", ")}.`;
  print(
    `${file}: ${plural(receptions, "reception")} rescued. ${lost} What is derived was derived again.${gone}\n`,
  );
}

/** The key is there only where receptions were removed. */
function removedKey(removed: Removed | null): { readonly removedBefore?: string } {
  return removed === null ? {} : { removedBefore: isoTime(removed.beforeUs) };
}

function removedText(removed: Removed | null): string {
  return removed === null ? "" : ` ${removedSentence(isoTime(removed.beforeUs), removed.rule)}`;
}

function describe(
  { bytes, receptions, keySets }: { bytes: number; receptions: number; keySets: number },
  withoutKeys: boolean,
): string {
  const size = `${plural(receptions, "reception")}, ${fileSize(bytes)}.`;
  if (withoutKeys) return `${size} It holds no keys.`;
  if (keySets === 0) return size;
  return `${size} It holds ${plural(keySets, "set")} of keys; keep it as safe as the store, or use --without-keys.`;
}

// `mastlog rebuild`: derives frames, counters and loads again from the stored receptions.

export function rebuildCommand(): Command {
  return new Command("rebuild")
    .description("derive frames, counters and loads again from the stored receptions (after an update)")
    .addOption(dbOption())
    .addHelpText("after", "\nStopped before its end (Ctrl-C), it leaves the store as it was.")
    .action((options: DbOptions) => guarded(() => rebuildStore(options.db)));
}

async function rebuildStore(path: string): Promise<void> {
  if (!existsSync(path)) throw new CannotRun(`There is no store ${path}. Name it with --db.`);
  let isStopped = false;
  const stop = () => {
    isStopped = true;
  };
  await interruptible(stop, async () => {
    const db = openStore(path);
    const bar = progressBar("receptions");
    const steps = rebuildInSteps(db, (share) => bar.at(share), judgeGap);
    try {
      while (!isStopped) {
        const step = steps.next();
        if (step.done === true) {
          bar.stop();
          print(`${figure(step.value)} receptions gone through.\n`);
          return;
        }
        // Signals get their turn.
        await new Promise((resume) => setImmediate(resume));
      }
    } finally {
      // Undoes what is not complete.
      steps.return(0);
      bar.stop();
      const leftBeside = closeBesideService(db);
      if (leftBeside !== null) complain(`${leftBeside}\n`);
    }
  });
}

// `mastlog forget`: takes a gateway or a node out of the store, with all its rows; says first what will go.

interface ForgetOptions {
  readonly db: string;
  readonly yes?: boolean;
  readonly json?: boolean;
}

/** Rows in one transaction: a service beside this one goes on recording in between. */
const ROWS_A_STEP = 2_000;
const PAUSE_MS = 5;

const FORGET_HELP = `
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
    .addHelpText("after", FORGET_HELP);
}

function one(kind: string, word: string, what: string, read: (text: string) => Forgettable): Command {
  return storeCommand(kind, `forget a ${kind}`)
    .argument(word, what)
    .option("--yes", "do not ask")
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
    if (!isServiceRunning(db)) recordLeftHeld(recorder);
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
