/**
 * Who installs and builds when several commands start at once? One at a time: the others wait, and find it done. A
 * folder in the machine's temporary folder is the turn, because node_modules is replaced by an installation.
 */
import { createHash } from "node:crypto";
import { mkdirSync, readFileSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** A turn this old is somebody's who was killed, whatever runs under that number now. */
const STALE_MS = 30 * 60_000;
/** A turn without a name yet has just been taken. */
const NAMELESS_MS = 5_000;
const LOOK_EVERY_MS = 200;

/** Does the work when it is this process's turn; `root` names the checkout. Faults of the work pass through. */
export function inTurn(root, work) {
  const name = createHash("sha256").update(root).digest("hex").slice(0, 16);
  const turn = join(tmpdir(), `mastlog-turn-${name}`);
  if (!take(turn)) return work();
  const giveBack = () => rmSync(turn, { recursive: true, force: true });
  process.once("exit", giveBack);
  try {
    return work();
  } finally {
    process.off("exit", giveBack);
    giveBack();
  }
}

/** Waits for the turn. False: there is no place for one on this machine, so nobody waits. */
function take(turn) {
  let isTold = false;
  for (;;) {
    try {
      mkdirSync(turn);
      writeFileSync(join(turn, "pid"), String(process.pid));
      return true;
    } catch (error) {
      if (error.code !== "EEXIST") return false;
    }
    if (isAbandoned(turn)) {
      rmSync(turn, { recursive: true, force: true });
      continue;
    }
    if (!isTold)
      process.stderr.write("Another start of Mastlog is installing or building; waiting for it…\n");
    isTold = true;
    Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, LOOK_EVERY_MS);
  }
}

function isAbandoned(turn) {
  try {
    const ageMs = Date.now() - statSync(turn).mtimeMs;
    if (ageMs > STALE_MS) return true;
    const pid = Number(pidOf(turn));
    return pid > 0 ? !isRunning(pid) : ageMs > NAMELESS_MS;
  } catch {
    // Given back meanwhile.
    return false;
  }
}

function pidOf(turn) {
  try {
    return readFileSync(join(turn, "pid"), "utf8");
  } catch {
    return "";
  }
}

function isRunning(pid) {
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    return error.code === "EPERM";
  }
}
