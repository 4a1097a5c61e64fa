/**
 * Runs the parts of a long work side by side, each as soon as the parts that it needs have passed. A part waits much
 * and computes little, or the other way round: together they keep every core at work.
 */
import { spawn } from "node:child_process";
import { constants, getPriority, setPriority } from "node:os";

/** Parts that are stopped end by themselves within this time, else they are killed. */
const END_MS = 10_000;
/** By so much a part that only computes comes after this program: what waits for time to pass goes first (getpriority(2)). */
const COMPUTING = 10;

/**
 * Runs all parts; returns null, or the name of the first that failed: the others are stopped then. A part is
 * `{ name, needs, commands, computes, after }`: names of parts before it; `[program, ...arguments]` one after another,
 * with `env` beside; whether it gives way to the others; what is called once it ended. What a part prints is written in
 * one piece when it ended, so that parts do not mix.
 */
export async function runParts(parts, { cwd, write = (text) => process.stdout.write(text) }) {
  const passed = new Set();
  const running = new Map();
  const waiting = new Set(parts);
  let failed = null;

  const startReady = () => {
    for (const part of waiting) {
      if (failed !== null || !(part.needs ?? []).every((name) => passed.has(name))) continue;
      waiting.delete(part);
      write(`── ${part.name}: begins\n`);
      running.set(part, start(part, cwd));
    }
  };

  const stopAll = () => {
    for (const { stop } of running.values()) stop();
  };
  process.once("exit", stopAll);
  startReady();
  while (running.size > 0) {
    const { part, status, text, seconds } = await Promise.race(
      [...running.values()].map(({ ended }) => ended),
    );
    running.delete(part);
    part.after?.();
    // Stopped because another failed: what it printed until then helps nobody.
    if (failed !== null) continue;
    write(`\n── ${part.name}\n${text}── ${part.name}: ${seconds} s\n`);
    if (status === 0) passed.add(part.name);
    else {
      failed = part.name;
      stopAll();
    }
    startReady();
  }
  process.off("exit", stopAll);
  return failed;
}

/** Starts a part's first command, and the next when one ended well. `ended` never rejects. */
function start(part, cwd) {
  const beganMs = performance.now();
  let text = "";
  let child = null;
  let isStopped = false;
  const runOne = ([program, ...args]) =>
    new Promise((resolve) => {
      child = spawn(program, args, {
        cwd,
        stdio: ["ignore", "pipe", "pipe"],
        env: { ...process.env, ...part.env },
      });
      if (part.computes === true) giveWay(child.pid);
      for (const stream of [child.stdout, child.stderr])
        stream.setEncoding("utf8").on("data", (more) => {
          text += more;
        });
      child.once("error", (error) => {
        text += `${program} could not be started: ${error.message}\n`;
        resolve(1);
      });
      child.once("close", (status) => resolve(status ?? 1));
    });
  const all = async () => {
    for (const command of part.commands) {
      if (isStopped) return 1;
      const status = await runOne(command);
      if (status !== 0) return status;
    }
    return 0;
  };
  const stop = () => {
    isStopped = true;
    child?.kill("SIGTERM");
    setTimeout(() => child?.kill("SIGKILL"), END_MS).unref();
  };
  const ended = all().then((status) => {
    const seconds = Math.round((performance.now() - beganMs) / 1_000);
    return { part, status, text: text === "" || text.endsWith("\n") ? text : `${text}\n`, seconds };
  });
  return { ended, stop };
}

function giveWay(pid) {
  try {
    setPriority(pid, Math.min(constants.priority.PRIORITY_LOW, getPriority() + COMPUTING));
  } catch {
    // It ended already, or this system has no priorities.
  }
}
