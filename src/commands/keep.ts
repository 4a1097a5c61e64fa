/** `mastlog keep`: how long receptions are kept, or how large the store may grow; what is older goes, its hours stay. */
import { existsSync } from "node:fs";
import { createInterface } from "node:readline/promises";
import type { Command } from "commander";
import { z } from "zod";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { isoTime } from "../model/time-range.ts";
import { openStore, type Store } from "../store/open.ts";
import { Recorder } from "../store/recorder.ts";
import { wouldRemove } from "../store/removal.ts";
import { givesBack, removedOf } from "../store/retention.ts";
import { closeBesideService, isServiceRunning } from "../store/service-claim.ts";
import { KEPT_LIMITS, keptRule, writeKeptRule } from "../store/settings.ts";
import { keptView } from "../views/bookkeeping.ts";
import { figure, fileSize, type KeptRule, keptRuleText, plural, removedSentence } from "../words/format.ts";
import { CannotRun, guarded, storeCommand, withReader } from "./options.ts";
import { complain, interruptible, print, printJson } from "./terminal.ts";

const HELP = `
Without options it says what is kept. What is older than --days, or the oldest of what makes the file larger than --size,
is removed by whole days (UTC), behind the traffic, once you confirmed it (--yes does not ask); the newest day stays in any case. What goes: receptions, frames,
datagrams and status reports. What stays: sums of whole hours by node, gateway and channel, gaps, outages, findings,
and all that people wrote. Views say where their window begins later for it. There is no way back but the captures.

While a service runs on the store, the service removes; else this command does, until all is gone. A store of an older
version gives space back to the disk only after one 'mastlog keep --shrink', with no service on it; until then free pages
are used for what comes.`;

const Options = z.object({
  db: z.string().min(1),
  days: z.coerce.number().int().min(KEPT_LIMITS.minAgeDays).max(KEPT_LIMITS.maxAgeDays).optional(),
  size: z
    .string()
    .regex(/^\d+(\.\d+)?\s*[MGT]B$/i)
    .optional(),
  everything: z.boolean().default(false),
  shrink: z.boolean().default(false),
  yes: z.boolean().default(false),
  json: z.boolean().default(false),
});
type Options = z.infer<typeof Options>;

const TAKES: Readonly<Record<string, string>> = {
  days: `--days takes a whole number from ${KEPT_LIMITS.minAgeDays} to ${figure(KEPT_LIMITS.maxAgeDays)}.`,
  size: "--size takes a size such as 500MB or 2GB.",
};

export function keepCommand(): Command {
  return storeCommand(
    "keep",
    "how long receptions are kept, or how large the store may grow (default: everything is kept)",
  )
    .option("--days <number>", "keep receptions of so many days before the newest")
    .option("--size <size>", "keep the store's file below a size, such as 2GB")
    .option("--everything", "remove nothing from now on")
    .option("--shrink", "write the file again without its free pages, once for a store of an older version")
    .option("--yes", "do not ask")
    .addHelpText("after", HELP)
    .action((given: unknown) => guarded(() => keep(given)));
}

async function keep(given: unknown): Promise<void> {
  const parsed = Options.safeParse(given);
  if (!parsed.success)
    throw new CannotRun(TAKES[String(parsed.error.issues[0]?.path[0])] ?? "--db takes the name of a file.");
  const options = parsed.data;
  const { db: path, everything, days, size, shrink } = options;
  if (everything && (days !== undefined || size !== undefined))
    throw new CannotRun("--everything stands alone.");
  if (!existsSync(path)) throw new CannotRun(`There is no store ${path}. Name it with --db.`);
  if (!everything && days === undefined && size === undefined && !shrink) {
    withReader(path, (store) => show(store, options, false));
    return;
  }
  const rule = everything
    ? { maxAgeDays: null, maxBytes: null }
    : { maxAgeDays: days ?? null, maxBytes: size === undefined ? null : bytesOf(size) };
  await change(
    path,
    shrink && days === undefined && size === undefined && !everything ? null : rule,
    options,
  );
}

/** `rule` null: stays as it is. */
async function change(path: string, rule: KeptRule | null, options: Options): Promise<void> {
  const db = openStore(path);
  try {
    const isServed = isServiceRunning(db);
    if (options.shrink && isServed)
      throw new CannotRun("A service runs on this store. Stop it, then run 'mastlog keep --shrink' again.");
    if (rule !== null && !options.yes) await assertConfirmed(db, rule);
    const recorder = new Recorder(db, judgeGap);
    if (rule !== null) recorder.write((store) => writeKeptRule(store, rule));
    const { maxAgeDays, maxBytes } = keptRule(db);
    if (!isServed && (maxAgeDays ?? maxBytes) !== null) await removeAll(recorder);
    recorder.close();
    if (options.shrink) db.exec("PRAGMA auto_vacuum = INCREMENTAL; VACUUM");
    show(db, options, isServed);
  } finally {
    const leftBeside = closeBesideService(db);
    if (leftBeside !== null) complain(`${leftBeside}\n`);
  }
}

/** Rejects with CannotRun unless a person wants gone what the rule takes away. */
async function assertConfirmed(db: Store, rule: KeptRule): Promise<void> {
  const removal = wouldRemove(db, rule);
  if (removal === null) return;
  const { beforeUs, receptions, tooManyBytes } = removal;
  const parts = [
    ...(receptions === 0 ? [] : [`${plural(receptions, "reception")} before ${isoTime(beforeUs)}`]),
    ...(tooManyBytes === null || rule.maxBytes === null
      ? []
      : [
          `the oldest whole days until the file holds ${fileSize(rule.maxBytes)} (now ${fileSize(tooManyBytes)})`,
        ]),
  ];
  const words = `This removes ${parts.join(", and ")}.`;
  if (!process.stdin.isTTY) throw new CannotRun(`${words} Add --yes to do it.`);
  const line = createInterface({ input: process.stdin, output: process.stderr });
  try {
    const typed = await line.question(`${words}\nType yes to confirm: `);
    if (typed.trim().toLowerCase() !== "yes") throw new CannotRun("Nothing was changed.");
  } finally {
    line.close();
  }
}

/** Rows in one transaction: another command may write in between. */
const ROWS_A_STEP = 2_000;

async function removeAll(recorder: Recorder): Promise<void> {
  let isStopped = false;
  const stop = () => {
    isStopped = true;
  };
  await interruptible(stop, async () => {
    // What rows tell is worked out to the end before they go.
    while (!isStopped && recorder.workOnGaps({ patient: false, nowUs: null })) await pause();
    const nowUs = Date.now() * 1000;
    while (!isStopped && recorder.removeMore({ nowUs, most: ROWS_A_STEP })) await pause();
  });
}

const pause = () => new Promise<void>((resume) => setImmediate(resume));

function show(store: Store, { json }: Options, isServed: boolean): void {
  const rule = keptRule(store);
  const removed = removedOf(store);
  if (json) {
    printJson(keptView(store));
    return;
  }
  const rules = [
    ...(rule.maxAgeDays === null ? [] : [keptRuleText({ ...rule, maxBytes: null })]),
    ...(rule.maxBytes === null ? [] : [`as much as fits ${fileSize(rule.maxBytes)}`]),
  ];
  print(rules.length === 0 ? "Everything is kept.\n" : `Receptions are kept: ${rules.join(", ")}.\n`);
  if (isServed && rules.length > 0)
    print("The service on this store removes what is older, behind the traffic.\n");
  if (removed !== null) print(`${removedSentence(isoTime(removed.beforeUs), removed.rule)}\n`);
  if (!givesBack(store))
    print(
      "The file of this store keeps its size; what is free in it is used again. 'mastlog keep --shrink' gives space back.\n",
    );
}

const UNITS: Readonly<Record<string, number>> = { MB: 1e6, GB: 1e9, TB: 1e12 };

function bytesOf(size: string): number {
  const bytes = Number.parseFloat(size) * (UNITS[size.slice(-2).toUpperCase()] ?? 1);
  if (bytes < KEPT_LIMITS.minBytes || bytes > KEPT_LIMITS.maxBytes)
    throw new CannotRun(
      `--size takes ${fileSize(KEPT_LIMITS.minBytes)} to ${fileSize(KEPT_LIMITS.maxBytes)}.`,
    );
  return Math.round(bytes);
}
