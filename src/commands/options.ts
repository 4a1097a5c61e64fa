/** What do all commands share? The store's place, the window of time, and how trouble is told. */
import { type Command, Option } from "commander";
import { z } from "zod";
import { plainLine } from "../model/plain-text.ts";
import { openReader, type Store } from "../store/open.ts";
import { describeStoreError } from "../store/store-error.ts";
import { complain } from "./view-output.ts";

export interface DbOptions {
  readonly db: string;
}

/** Wrong usage or unreadable input: one plain sentence on stderr, exit code 2. */
export class CannotRun extends Error {
  constructor(sentence: string) {
    super(sentence);
    this.name = "CannotRun";
  }
}

/** `--db FILE`: by default the environment variable MASTLOG_DB, else `mastlog.db` in the working folder. */
export function dbOption(): Option {
  return new Option("--db <file>", "the store").env("MASTLOG_DB").default("mastlog.db");
}

/** Adds `--from`, `--to`, `--db` and `--json`, as the commands that answer a view's question have them. */
export function withViewOptions(command: Command): Command {
  return command
    .option("--from <time>", "begin of the window, ISO 8601 (default: all that is stored)")
    .option("--to <time>", "end of the window, ISO 8601")
    .addOption(dbOption())
    .option("--json", "print one JSON document");
}

const Time = z.iso.datetime({ offset: true }).or(z.iso.date());

const ViewOptionsShape = z.object({
  from: Time.optional(),
  to: Time.optional(),
  db: z.string().min(1),
  json: z.boolean().default(false),
});
export type ViewOptions = z.infer<typeof ViewOptionsShape>;

/** Checks what a person typed; throws CannotRun with one sentence. Dates without a time mean midnight UTC. */
export function readViewOptions(given: unknown): ViewOptions {
  const parsed = ViewOptionsShape.safeParse(given);
  if (!parsed.success) {
    const name = parsed.error.issues[0]?.path.join(".") ?? "option";
    throw new CannotRun(
      name === "db"
        ? "--db takes the name of a file."
        : `--${name} takes a time such as 2026-03-14T09:00:00Z.`,
    );
  }
  const { from, to, ...rest } = parsed.data;
  if (from !== undefined && to !== undefined && Date.parse(from) >= Date.parse(to)) {
    throw new CannotRun("--from must be earlier than --to.");
  }
  const full = (time: string) => new Date(time).toISOString();
  return {
    ...rest,
    ...(from === undefined ? {} : { from: full(from) }),
    ...(to === undefined ? {} : { to: full(to) }),
  };
}

/** Opens the store for reading and hands it to `work`; closes it again. */
export function withReader<T>(path: string, work: (store: Store) => T): T {
  const store = openReader(path);
  try {
    return work(store);
  } finally {
    store.close();
  }
}

/** Runs a command's work; known trouble becomes one sentence on stderr and exit code 2. */
export async function guarded(work: () => void | Promise<void>): Promise<void> {
  try {
    await work();
  } catch (error) {
    const store = describeStoreError(error);
    if (store !== null) complain(`${plainLine(`${store.message} ${store.remedy}`)}\n`);
    else if (error instanceof CannotRun) complain(`${plainLine(error.message)}\n`);
    else throw error;
    process.exitCode = 2;
  }
}
