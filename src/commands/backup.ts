/** `mastlog backup`: copies a store while it is in use, or rescues what is readable of a damaged one. */
import { Command } from "commander";
import { z } from "zod";
import { judgeGap } from "../diagnosis/findings/judge-gap.ts";
import { backupStore } from "../store/backup.ts";
import { rescueStore } from "../store/rescue.ts";
import { interruptible } from "./interrupt.ts";
import { CannotRun, dbOption, guarded } from "./options.ts";
import { progressBar } from "./progress.ts";
import { print, printJson } from "./view-output.ts";

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
  return new Command("backup")
    .description("copy the store into one file, also while the service runs")
    .argument("<file>", "the copy")
    .option("--overwrite", "replace the file if it is there")
    .option("--without-keys", "leave the keys of nodes out of the copy")
    .option("--rescue", "read what is readable of a damaged store into a new one")
    .addOption(dbOption())
    .option("--json", "print one JSON document")
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
        const result = await backupStore(db, file, { overwrite, withoutKeys, onProgress });
        bar.stop();
        if (json) printJson({ file, ...result });
        else print(`${file}: ${describe(result, withoutKeys)}\n`);
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
  const { tables, receptions } = await rescueStore(db, file, { ...options, judge: judgeGap });
  onDone();
  if (json) return printJson({ file, receptions, tables });
  const holes = tables.filter((table) => table.holes > 0);
  const lost =
    holes.length === 0
      ? "Every table could be read to its end."
      : `Not everything could be read: ${holes.map(({ name, holes: n }) => `${name} has ${count(n, "hole")}`).join(", ")}.`;
  print(`${file}: ${count(receptions, "reception")} rescued. ${lost} What is derived was derived again.\n`);
}

function describe(
  { bytes, receptions, keySets }: { bytes: number; receptions: number; keySets: number },
  withoutKeys: boolean,
): string {
  const size = `${count(receptions, "reception")}, ${(bytes / 1e6).toFixed(1)} MB.`;
  if (withoutKeys) return `${size} It holds no keys.`;
  if (keySets === 0) return size;
  return `${size} It holds ${count(keySets, "set")} of keys; keep it as safe as the store, or use --without-keys.`;
}

function count(value: number, noun: string): string {
  return `${value.toLocaleString("en-GB")} ${noun}${value === 1 ? "" : "s"}`;
}
