/** How does a test get a running service? Started on free ports, ready when its one line is there, always ended. */
import type { ChildProcess } from "node:child_process";
import { join } from "node:path";
import { type Ended, endOf, spawnProgram, temporaryFolder } from "./program.ts";

const READY_MS = 60_000;
/** Ends what hangs; a service that is told to end does so within seconds on an idle machine. */
const END_MS = 60_000;
const READY_LINE =
  /^Mastlog listens: gateways to UDP port (\d+) of (.+), dashboard at (http:\/\/\S+:(\d+)\/)(?:\?token=(\S+))?$/;

export interface ServiceOptions {
  /** The store; by default one in a folder of its own. */
  readonly db?: string;
  /** Further words of the command line; the last of an option counts. */
  readonly words?: readonly string[];
  /** Further variables of its environment. */
  readonly environment?: Readonly<Record<string, string>>;
}

export interface Service {
  readonly child: ChildProcess;
  readonly pid: number;
  readonly db: string;
  readonly udpPort: number;
  readonly webPort: number;
  readonly readyLine: string;
  readonly token: string | null;
  /** Sends the signal and waits for the end; status null: it had to be killed. */
  end(signal: NodeJS.Signals): Promise<Ended>;
  /** GET of a path of the HTTP side, JSON. Rejects unless 200. */
  json<T>(path: string): Promise<T>;
  text(path: string): Promise<string>;
}

/** Starts `mastlog listen` and waits for its line. Rejects with what it said when it ends before. */
export async function startService(options: ServiceOptions = {}): Promise<Service> {
  const folder = temporaryFolder();
  const db = options.db ?? join(folder, "site.db");
  const words = ["listen", "--udp-port", "0", "--web-port", "0", "--db", db, ...(options.words ?? [])];
  const child = spawnProgram(words, folder, options.environment);
  const ended = endOf(child);
  const readyLine = await firstLine(child, ended);
  const parts = READY_LINE.exec(readyLine);
  if (parts === null) throw new Error(`The ready line is another one than these tests know: ${readyLine}`);
  const webPort = Number(parts[4]);
  const get = async (path: string): Promise<Response> => {
    const answer = await fetch(`http://127.0.0.1:${webPort}${path}`, { signal: AbortSignal.timeout(30_000) });
    if (answer.status !== 200) throw new Error(`${path} answered ${answer.status}: ${await answer.text()}`);
    return answer;
  };
  return {
    child,
    pid: child.pid ?? 0,
    db,
    udpPort: Number(parts[1]),
    webPort,
    readyLine,
    token: parts[5] ?? null,
    end: async (signal) => {
      child.kill(signal);
      const timer = setTimeout(() => child.kill("SIGKILL"), END_MS);
      const how = await ended;
      clearTimeout(timer);
      return how;
    },
    json: async <T>(path: string) => (await (await get(path)).json()) as T,
    text: async (path) => (await get(path)).text(),
  };
}

function firstLine(child: ChildProcess, ended: Promise<Ended>): Promise<string> {
  return new Promise((resolve, reject) => {
    let text = "";
    const timer = setTimeout(() => reject(new Error(`No ready line within ${READY_MS} ms.`)), READY_MS);
    child.stdout?.on("data", (more: string) => {
      text += more;
      const at = text.indexOf("\n");
      if (at < 0) return;
      clearTimeout(timer);
      resolve(text.slice(0, at));
    });
    void ended.then(({ status, err }) => {
      clearTimeout(timer);
      reject(new Error(`The service ended with ${status} before it was ready: ${err}`));
    });
  });
}

/** Between two questions of `until` at first; each further pause is half as long again. */
const FIRST_PAUSE_MS = 20;

/**
 * Asks until the answer satisfies; rejects with the last answer when it never does. The bound only ends what hangs.
 * `maxPauseMs`: a question costs the processor that is waited for, so they become rare; less where a moment passes soon.
 */
export async function until<T>(
  ask: () => Promise<T> | T,
  satisfies: (answer: T) => boolean,
  withinMs = 60_000,
  maxPauseMs = 200,
): Promise<T> {
  let pauseMs = FIRST_PAUSE_MS;
  const endMs = performance.now() + withinMs;
  for (;;) {
    const answer = await ask();
    if (satisfies(answer)) return answer;
    if (performance.now() > endMs)
      throw new Error(`Not within ${withinMs} ms; last answer: ${JSON.stringify(answer).slice(0, 2_000)}`);
    await pause(Math.min(pauseMs, maxPauseMs));
    pauseMs *= 1.5;
  }
}

export function pause(ms: number): Promise<void> {
  return new Promise((done) => setTimeout(done, ms));
}
