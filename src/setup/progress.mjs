/**
 * How far is a long step? A line on the terminal that is rewritten each second, by a thread of its own: the main one
 * waits for the program that does the work. Nothing where stderr is no terminal.
 */
import { existsSync, writeSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { isMainThread, Worker, workerData } from "node:worker_threads";

const STDERR = 2;
const EVERY_MS = 1_000;
/** Rewrites the line from its begin: carriage return, and "erase in line" (ECMA-48, EL). */
const LINE_BEGIN = "\r\u001b[K";

/**
 * Runs `work` and shows meanwhile for how long it has run, and how many of `files` are there. `done`: what is said when
 * all are.
 */
export function withProgress({ what, files = [], done = what }, work) {
  if (process.stderr.isTTY !== true) return work();
  const worker = new Worker(fileURLToPath(import.meta.url), { workerData: { what, files, done } });
  worker.unref();
  try {
    return work();
  } finally {
    void worker.terminate();
    process.stderr.write(LINE_BEGIN);
  }
}

/** "packages: 120 of 431, 12 s". */
export function progressText({ what, files, done }, there, seconds) {
  if (files.length === 0) return `${what}, ${seconds} s`;
  if (there >= files.length) return `${done}, ${seconds} s`;
  return `${what}: ${there} of ${files.length}, ${seconds} s`;
}

if (!isMainThread && workerData?.files !== undefined) {
  const beganMs = performance.now();
  setInterval(() => {
    const there = workerData.files.filter((file) => existsSync(file)).length;
    const seconds = Math.round((performance.now() - beganMs) / 1_000);
    writeSync(STDERR, `${LINE_BEGIN}${progressText(workerData, there, seconds)}`);
  }, EVERY_MS);
}
