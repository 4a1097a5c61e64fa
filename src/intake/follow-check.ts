/**
 * Checks a large store for damage while the service runs: in a process of its own, of the lowest priority, that can be
 * ended at any moment. A small store was checked when it was opened. This file is the process's program as well.
 */
import { type ChildProcess, fork } from "node:child_process";
import { constants, setPriority } from "node:os";
import { fileURLToPath } from "node:url";
import { openAnyVersion, type Store } from "../store/open.ts";
import { type CheckStep, checkStore, isCheckedAtOpening, rescueCommand } from "../store/store-error.ts";

/** How far the check of the store is. */
export interface StoreCheck {
  readonly state: "sound" | "running" | "damaged" | "unknown";
  readonly words: string;
}

export const NOT_CHECKED: StoreCheck = { state: "unknown", words: "" };

export interface CheckFollowing {
  now(): StoreCheck;
  /** Ends the check. Resolves once its process has let go of the store. */
  stop(): Promise<void>;
}

type FromCheck = CheckStep | { readonly trouble: string };

/** The first answers to gateways come before it. Chosen. */
const BEGIN_AFTER_MS = 2_000;

/** Begins the check; `onDamage` is called once, with the sentences for the log. */
export function followCheck(db: Store, onDamage: (sentences: string) => void): CheckFollowing {
  if (isCheckedAtOpening(db)) {
    const sound: StoreCheck = { state: "sound", words: "Checked at the start: no damage." };
    return { now: () => sound, stop: async () => undefined };
  }
  let check: StoreCheck = { state: "running", words: "The store is being checked for damage." };
  let child: ChildProcess | null = null;
  let ended: Promise<void> = Promise.resolve();
  const heard = (message: FromCheck): void => {
    if ("trouble" in message)
      check = { state: "unknown", words: `The store could not be checked for damage: ${message.trouble}` };
    else if (message.finding !== null) {
      check = { state: "damaged", words: damageWords(db.name, message.finding) };
      onDamage(check.words);
    } else if (message.done < message.of) {
      const words = `The store is being checked for damage: ${message.done} of ${message.of} tables.`;
      check = { state: "running", words };
    } else check = { state: "sound", words: "Checked while running: no damage." };
  };
  const begin = (): void => {
    const started = fork(fileURLToPath(import.meta.url), [CHECK_WORD, db.name], {
      execArgv: [],
      env: {},
      stdio: ["ignore", "ignore", "ignore", "ipc"],
    });
    child = started;
    started.on("message", (message) => heard(message as FromCheck));
    started.on("error", (error) => heard({ trouble: error.message }));
    ended = new Promise((resolve) => {
      started.once("exit", (code, signal) => {
        if (check.state === "running") heard({ trouble: `its process ended (${signal ?? code}).` });
        resolve();
      });
      started.once("error", () => resolve());
    });
    giveWay(started);
  };
  const timer = setTimeout(begin, BEGIN_AFTER_MS);
  return {
    now: () => check,
    stop: async () => {
      clearTimeout(timer);
      child?.kill("SIGKILL");
      await ended;
    },
  };
}

function giveWay({ pid }: ChildProcess): void {
  try {
    if (pid !== undefined) setPriority(pid, constants.priority.PRIORITY_LOW);
  } catch {
    // It has ended already, or the system does not allow it: then it shares the processor as others do.
  }
}

/** What was found, what goes on meanwhile, and what to do. */
export function damageWords(path: string, finding: string): string {
  return `The store ${path} is damaged: ${finding}. What arrives is still recorded, as far as that is possible. Stop Mastlog soon, then rescue what is readable with ${rescueCommand(path)}, and use --db NEW.db.`;
}

const CHECK_WORD = "check-store";

/** The process's own part: a table at a time, so that it notices when nobody asks any more. */
function check(path: string): void {
  const say = (message: FromCheck): boolean => process.send?.(message) ?? false;
  process.once("disconnect", () => process.exit());
  const steps = checkStore(() => openAnyVersion(path));
  const next = (): void => {
    try {
      const { value, done } = steps.next();
      if (done === true) {
        process.disconnect?.();
        return;
      }
      say(value);
      setImmediate(next);
    } catch (error) {
      say({ trouble: error instanceof Error ? error.message : String(error) });
      process.disconnect?.();
    }
  };
  next();
}

const [, , word, path] = process.argv;
if (process.send !== undefined && word === CHECK_WORD && path !== undefined) check(path);
