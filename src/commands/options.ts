/** What do all commands share? The store's place, the window of time, and how a fault is reported. */
import { existsSync, mkdirSync, readFileSync } from "node:fs";
import { homedir } from "node:os";
import { dirname, posix, win32 } from "node:path";
import { Command, Option } from "commander";
import { z } from "zod";
import type { WindowQuery } from "../contract/common.ts";
import { errorCode } from "../model/fault.ts";
import { plainLine } from "../model/text.ts";
import { readOwnPlans } from "../radio/regions/own-plans.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { HeldLog, isAnythingHeld } from "../store/held-log.ts";
import { narrowToSite } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { isServiceRunning, openReaderOfNow } from "../store/service-claim.ts";
import { describeStoreError } from "../store/store-error.ts";
import { packageRoot } from "../store/upgrade.ts";
import { type AskedWindow, askedWindow, type Basis, windowView } from "../views/window.ts";
import { plural } from "../words/format.ts";
import { complain, joined, print, printJson } from "./terminal.ts";

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

/** `--db FILE`: by default the environment variable MASTLOG_DB, else where storePlace says. */
export function dbOption(): Option {
  return new Option("--db <file>", "the store").env("MASTLOG_DB").default(defaultStore());
}

/** A command that works on the store: it takes `--db` and `--json`. */
export function storeCommand(name: string, description: string): Command {
  return withStoreOptions(new Command(name).description(description));
}

/** Adds `--db` and `--json`. */
export function withStoreOptions(command: Command): Command {
  return command.addOption(dbOption()).option("--json", "print one JSON document");
}

/** Before a command of an installed package that uses the store nobody named: makes its folder, and shows its path. */
export function showDefaultStore(command: Command): void {
  if (isCheckout || command.getOptionValueSource("db") !== "default") return;
  const path = String(command.getOptionValue("db"));
  makeStoreFolder(path);
  // A script's stderr stays empty; a service's log has it.
  if (process.stderr.isTTY || command.name() === "listen") complain(`The store is ${path}\n`);
}

/** Adds `--from`, `--to`, `--site`, `--db` and `--json`, as the commands that answer a view's question have them. */
export function withViewOptions(command: Command): Command {
  return withStoreOptions(
    command
      .option("--from <time>", "begin of the window, ISO 8601 (default: all that is stored)")
      .option("--to <time>", "end of the window, ISO 8601")
      .option("--site <name>", SITE_HELP),
  );
}

/** What `--site` does in every command that answers a question. */
export const SITE_HELP =
  "only the gateways of this site, what they heard, and its nodes; see 'mastlog sites'";

const Time = z.iso.datetime({ offset: true }).or(z.iso.date());

const ViewOptionsShape = z.object({
  from: Time.optional(),
  to: Time.optional(),
  site: z.string().min(1).optional(),
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
        : name === "site"
          ? "--site takes the name of a site."
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

/** Returns a gateway's identifier as it is stored; throws CannotRun with one sentence. */
export function readEui(text: string): string {
  const eui = text.replace(/[:\-\s]/g, "").toUpperCase();
  if (!/^[0-9A-F]{16}$/.test(eui))
    throw new CannotRun("The gateway's identifier is 16 hex digits, such as 02005E1000000001.");
  return eui;
}

/** Returns a node's address as it is stored; throws CannotRun with one sentence. */
export function readDevAddr(text: string): string {
  const devAddr = text.toUpperCase();
  if (!/^[0-9A-F]{8}$/.test(devAddr))
    throw new CannotRun("A node is named by its device address, 8 hex digits, such as 01A2B3C4.");
  return devAddr;
}

/** Returns the number by which `list` shows what a person made, such as a mark; throws CannotRun with one sentence. */
export function readRowNumber(what: string, text: string): number {
  if (!/^[1-9]\d{0,14}$/.test(text)) throw new CannotRun(`A ${what} is named by its number.`);
  return Number(text);
}

const Length = z.string().regex(/^\d{1,6}\s*(s|m|min|h|d)?$/);
const UNIT_SECONDS: Readonly<Record<string, number>> = { s: 1, m: 60, min: 60, h: 3_600, d: 86_400 };

/** Returns a length of time in seconds: "90s", "15m", "2h"; throws CannotRun with one sentence that names the option. */
export function readSeconds(option: string, text: string): number {
  if (!Length.safeParse(text).success) throw new CannotRun(`${option} takes a time such as 60s or 5m.`);
  const unit = text.replace(/[\d\s]/g, "");
  return Number.parseInt(text, 10) * (UNIT_SECONDS[unit] ?? 1);
}

/** The window of a command's options; on stderr, which receptions of it were removed. */
export function windowGiven(store: Store, options: WindowQuery, basis: Basis = "rows"): AskedWindow {
  const window = askedWindow(store, options, Date.now() * 1000, basis);
  const { removed } = windowView(window);
  if (removed !== undefined) complain(`${removed.sentence}\n`);
  return window;
}

/** Opens the store for reading, narrowed to a site if one is named, and hands it to `work`; closes it again. */
export function withReader<T>(path: string, work: (store: Store) => T, site?: string): T {
  const store = openReaderOfNow(path);
  try {
    tellLeftHeld(store);
    if (site !== undefined) narrowToSite(store, site);
    return work(store);
  } finally {
    store.close();
  }
}

/** Says on stderr what a service that was cut off left behind, which no reader can see yet. */
export function tellLeftHeld(store: Store): void {
  if (!isAnythingHeld(store) || isServiceRunning(store)) return;
  const { length } = new HeldLog(store).left().datagrams;
  if (length > 0)
    complain(
      `The last service was cut off: ${plural(length, "datagram")} of it ${length === 1 ? "is" : "are"} not shown yet. Start Mastlog once, or run 'mastlog rebuild'.\n`,
    );
}

/** Returns what `look` finds in the window and at the site that a person asked for. */
export function overWindow<T>(
  options: ViewOptions,
  look: (store: Store, window: AskedWindow) => T,
  basis: Basis = "rows",
): T {
  return withReader(options.db, (store) => look(store, windowGiven(store, options, basis)), options.site);
}

/**
 * Returns the action of a command that answers a view's question: `look` gives the view, which is printed as one JSON
 * document or as the parts of its text, a blank line between; a part without text is left out.
 */
export function viewAction<Given, View>(
  look: (store: Store, window: AskedWindow, given: Given) => View,
  partsOf: (view: View, window: AskedWindow) => readonly string[],
  basis: Basis = "rows",
): (given: Given) => Promise<void> {
  return (given) =>
    guarded(() => {
      const options = readViewOptions(given);
      overWindow(
        options,
        (store, window) => {
          const view = look(store, window, given);
          if (options.json) printJson(view);
          else print(joined(partsOf(view, window)));
        },
        basis,
      );
    });
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

// How do the commands take a user's own channel plans? `--plans FILE`, read once at the start.

/** `--plans FILE`, else the environment variable MASTLOG_PLANS, else none. */
export function plansOption(): Option {
  return new Option("--plans <file>", "channel plans of your own beside the regions, JSON").env(
    "MASTLOG_PLANS",
  );
}

const Given = z.object({ plans: z.string().optional() });

/** The plans of the file that a command was given, none without one; throws CannotRun with one sentence. */
export function ownPlansGiven(given: unknown): readonly RegionPlan[] {
  const { plans: file } = Given.parse(given);
  if (file === undefined) return [];
  if (file === "") throw new CannotRun("--plans and MASTLOG_PLANS take the name of a file.");
  let text: string;
  try {
    text = readFileSync(file, "utf8");
  } catch (error) {
    const code = errorCode(error) || "unknown error";
    throw new CannotRun(`The plan file ${file} cannot be read (${code}).`);
  }
  const read = readOwnPlans(text);
  if (!read.ok) throw new CannotRun(read.sentence);
  return read.plans;
}

// Where is the store when nobody names one? In a checkout: `mastlog.db` in the working folder. Of an installed package:
// in the folder that the system keeps for a user's data.

const STORE_FILE = "mastlog.db";

export interface StorePlaceFacts {
  readonly isCheckout: boolean;
  readonly platform: NodeJS.Platform;
  readonly home: string;
  readonly environment: Readonly<Record<string, string | undefined>>;
}

/**
 * Returns the store's path. Linux and others: `$XDG_DATA_HOME/mastlog`, by default `~/.local/share/mastlog` (XDG Base
 * Directory Specification 0.8; a relative path there "should be considered invalid and ignored"). macOS:
 * `~/Library/Application Support/Mastlog`. Windows: `%LOCALAPPDATA%\Mastlog`, since a store does not roam.
 */
export function storePlace({ isCheckout, platform, home, environment }: StorePlaceFacts): string {
  if (isCheckout) return STORE_FILE;
  if (platform === "win32") {
    const local = environment.LOCALAPPDATA ?? "";
    return win32.join(local === "" ? win32.join(home, "AppData", "Local") : local, "Mastlog", STORE_FILE);
  }
  if (platform === "darwin") return posix.join(home, "Library", "Application Support", "Mastlog", STORE_FILE);
  const named = environment.XDG_DATA_HOME ?? "";
  const data = posix.isAbsolute(named) ? named : posix.join(home, ".local", "share");
  return posix.join(data, "mastlog", STORE_FILE);
}

/** True where the program runs from a checkout of its sources. */
export const isCheckout: boolean = existsSync(new URL("src/main.ts", packageRoot));

/** The same for this machine and user. */
export function defaultStore(): string {
  return storePlace({ isCheckout, platform: process.platform, home: homedir(), environment: process.env });
}

/** Makes the folder of an installed package's store where it is missing, for its owner only. */
export function makeStoreFolder(path: string): void {
  if (!isCheckout) mkdirSync(dirname(path), { recursive: true, mode: 0o700 });
}
