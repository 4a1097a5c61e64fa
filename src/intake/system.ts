/** What does the operating system say and grant: the time, what its buffers lost, and which thread comes first? */
import { readFile } from "node:fs/promises";
import { isIP } from "node:net";
import { endianness, setPriority } from "node:os";
import { setFlagsFromString } from "node:v8";
import type { Endpoint } from "../model/datagram.ts";

// What time is it, to the microsecond? The system's clock, anchored to the monotonic clock: the time given never runs
// backwards. When the system's clock is set forward, or the machine slept, the time follows. When it is set back, the
// time goes on from where it was until the system's clock has caught up: otherwise frames would overtake each other.

/** A difference below this is no step: both clocks are read one after the other. */
const STEP_US = 50_000;
/** From this on a step forward is a boundary of recorded time. Chosen: shorter than any keepalive interval. */
const BOUNDARY_US = 1_000_000;

/** The system's clock was set, or the machine slept, between two readings. */
export interface ClockStep {
  /** The time before and after it, as given. Equal when the clock was set back. */
  readonly fromUs: number;
  readonly toUs: number;
  /** By how much the system's clock moved against the monotonic one, microseconds. */
  readonly byUs: number;
}

/** The clocks that a steady clock is made from. */
export interface ClockReadings {
  /** Microseconds since 1970. */
  readonly systemUs: () => number;
  /** Microseconds that never run back; they may stand still while the machine sleeps. */
  readonly monotonicUs: () => number;
}

/** Gives times that never run backwards, and the steps that the system's clock made. */
export class SteadyClock {
  readonly #readings: ClockReadings;
  /** Time given, and the two clocks, at the last reading. */
  #anchor: { readonly atUs: number; readonly systemUs: number; readonly monotonicUs: number } | null = null;
  #steps: ClockStep[] = [];

  constructor(readings: ClockReadings) {
    this.#readings = readings;
  }

  /** Returns microseconds since 1970. */
  nowUs(): number {
    const systemUs = this.#readings.systemUs();
    const monotonicUs = this.#readings.monotonicUs();
    if (this.#anchor === null) {
      this.#anchor = { atUs: systemUs, systemUs, monotonicUs };
      return Math.round(systemUs);
    }
    const passedUs = Math.max(0, monotonicUs - this.#anchor.monotonicUs);
    const steadyUs = this.#anchor.atUs + passedUs;
    const byUs = systemUs - this.#anchor.systemUs - passedUs;
    if (Math.abs(byUs) <= STEP_US) return Math.round(steadyUs);
    const atUs = Math.max(steadyUs, systemUs);
    if (Math.abs(byUs) >= BOUNDARY_US && this.#steps.length < MAX_STEPS)
      this.#steps.push({ fromUs: Math.round(steadyUs), toUs: Math.round(atUs), byUs });
    this.#anchor = { atUs, systemUs, monotonicUs };
    return Math.round(atUs);
  }

  /** Returns the steps since it was asked last, of a second and more, in order. */
  takeSteps(): ClockStep[] {
    const steps = this.#steps;
    this.#steps = [];
    return steps;
  }
}

/** Steps remembered until somebody asks for them. */
const MAX_STEPS = 64;

// performance.timeOrigin never follows a corrected system clock.
const clock = new SteadyClock({
  systemUs: () => Date.now() * 1000,
  monotonicUs: () => performance.now() * 1000,
});

/** Microseconds since 1970; never runs backwards. */
export function systemTimeUs(): number {
  return clock.nowUs();
}

/** The steps of the system's clock since this was asked last, by this thread. */
export function takeClockSteps(): ClockStep[] {
  return clock.takeSteps();
}

/** Milliseconds that never step back: the same count in every thread of this program. */
export function processMs(): number {
  return Number(process.hrtime.bigint() / 1_000n) / 1_000;
}

// Datagrams that the kernel threw away before this program could read them: its receive buffer was full, or a checksum
// was wrong. Linux counts them for each socket, in the last column ("drops") of /proc/net/udp and /proc/net/udp6 (kernel
// source net/ipv4/udp.c, udp4_format_sock). Other systems do not tell by socket.

export interface KernelDropsOptions {
  readonly endpoints: readonly Endpoint[];
  /** Reads a file as text; null where there is none. */
  readonly read?: (path: string) => Promise<string | null>;
}

export class KernelDrops {
  /** The table of each endpoint, and how it is written there. */
  readonly #sockets: readonly { path: string; local: string }[];
  readonly #read: (path: string) => Promise<string | null>;
  readonly #counts = new Map<string, number>();

  constructor({ endpoints, read = readText }: KernelDropsOptions) {
    this.#read = read;
    this.#sockets = endpoints.map(({ address, port }) => ({
      path: isIP(address) === 6 ? "/proc/net/udp6" : "/proc/net/udp",
      local: `${kernelAddress(address)}:${port.toString(16).toUpperCase().padStart(4, "0")}`,
    }));
  }

  /** Datagrams lost since the sockets were opened; null while that is not known. */
  get count(): number | null {
    if (this.#counts.size === 0) return null;
    let sum = 0;
    for (const count of this.#counts.values()) sum += count;
    return sum;
  }

  /** Reads the tables anew. Never throws; what cannot be read stays as it was. */
  async look(): Promise<void> {
    for (const path of new Set(this.#sockets.map((socket) => socket.path))) {
      const table = await this.#read(path);
      if (table === null) continue;
      const drops = readDrops(table);
      for (const { path: at, local } of this.#sockets) {
        const count = drops.get(local);
        if (at === path && count !== undefined) this.#counts.set(local, count);
      }
    }
  }
}

/** Drops by local address as the kernel writes it. Lines that read otherwise are left out. */
function readDrops(table: string): Map<string, number> {
  const drops = new Map<string, number>();
  for (const line of table.split("\n").slice(1)) {
    const fields = line.trim().split(/\s+/);
    const local = fields[1];
    const count = Number(fields.at(-1));
    // sl, local, remote, st, queues, timer, retransmits, uid, timeout, inode, ref, pointer, drops.
    if (local === undefined || fields.length < 13 || !Number.isSafeInteger(count)) continue;
    // A signed 32-bit number in the kernel's print: it goes on below zero.
    drops.set(local, (drops.get(local) ?? 0) + (count < 0 ? count + 2 ** 32 : count));
  }
  return drops;
}

/** An address as /proc/net writes it: words of 32 bits in the machine's own order of octets. */
export function kernelAddress(address: string): string {
  const octets = isIP(address) === 6 ? octetsOf6(address) : address.split(".").map(Number);
  let text = "";
  for (let at = 0; at < octets.length; at += 4) {
    const word = octets.slice(at, at + 4);
    if (endianness() === "LE") word.reverse();
    text += word.map((octet) => octet.toString(16).toUpperCase().padStart(2, "0")).join("");
  }
  return text;
}

function octetsOf6(address: string): number[] {
  // The URL parser writes any IPv6 address in its shortest form, without a dotted part.
  const plain = new URL(`http://[${address.replace(/%.*$/, "")}]/`).hostname.slice(1, -1);
  const [head = "", tail] = plain.split("::");
  const groups = (text: string) => (text === "" ? [] : text.split(":"));
  const left = groups(head);
  const right = tail === undefined ? [] : groups(tail);
  const zeros = Array.from({ length: 8 - left.length - right.length }, () => "0");
  return [...left, ...zeros, ...right].flatMap((group) => {
    const value = Number.parseInt(group, 16);
    return [value >> 8, value & 255];
  });
}

async function readText(path: string): Promise<string | null> {
  if (process.platform !== "linux") return null;
  return readFile(path, "latin1").catch(() => null);
}

// Who gets the processor first when there is too little of it? Where a network is in service, passing its datagrams on
// comes before recording them. Linux gives each thread a priority of its own; elsewhere threads are left as they are.

/** Sets the calling thread's priority (nice value: lower comes first); quietly leaves it where that is not allowed. */
export function setThreadPriority(nice: number): void {
  // 0 is the calling thread on Linux (setpriority(2), "C library/kernel differences"), the whole process elsewhere.
  if (process.platform !== "linux") return;
  try {
    setPriority(0, nice);
  } catch {
    // Raising it is for privileged users.
  }
}

/** What V8 would leave to helper threads while a thread's heap is emptied; marking is not among it: it cannot be changed once begun. */
const HELPED = [
  "parallel-scavenge",
  "concurrent-array-buffer-sweeping",
  "concurrent-sweeping",
  "parallel-compaction",
];

/**
 * From now on each thread of this process empties its heap by itself. V8's helper threads have the usual priority: on a
 * machine that is short of processors the listener waited for them for up to half a second (measured in a flood: 11 times
 * more than 0.12 s in 45 s, then 3 times in 40 s), and the kernel's buffer ran over. It costs no processor time.
 */
export function emptyHeapsAlone(): void {
  for (const help of HELPED) setFlagsFromString(`--no-${help}`);
}
