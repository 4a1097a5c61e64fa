/**
 * Which rate of 100 gateways holds, and what bounds it? Their physical most is 10,000 datagrams with 19,400 receptions a
 * second (eight demodulators each, all receiving). First the whole of it, then halved intervals, each run of ten seconds
 * over an empty store: a rate holds when nothing is lost and all is stored one and a half seconds after the last datagram. At
 * last the rate found for a minute (`--seconds=N`; `--rate=N`: that one alone). The floor program likewise; sender and server share the processors.
 */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { sendBusily } from "./busy-gateways.ts";
import { here, type Program, progress, row, startProgram, threadsMs, wordOf } from "./programs.ts";
import type { BenchResult } from "./run.ts";
import { BUSY_PACKETS } from "./traffic.ts";

const GATEWAYS = 100;
const MOST_A_SECOND = 10_000;
const TRIAL_SECONDS = 10;
const HALVINGS = 5;
/** Of the rate found, what a minute is tried with. */
const CAREFUL = 0.9;

export async function benchGateways(): Promise<BenchResult[]> {
  const seconds = Number(wordOf("seconds") ?? 60);
  const given = wordOf("rate");
  if (given !== null) return steady(Number(given), seconds);
  const floor = await highestRate("floor-server.ts");
  const measured = await highestRate("whole-server.ts");
  return [
    row("datagrams/s of 100 gateways that hold", floor, measured),
    row("receptions/s", floor * BUSY_PACKETS, measured * BUSY_PACKETS),
    row("datagrams/s, of 10,000", MOST_A_SECOND, measured),
    ...(await steady(Math.round((measured * CAREFUL) / GATEWAYS) * GATEWAYS, seconds)),
  ];
}

async function steady(perSecond: number, seconds: number): Promise<BenchResult[]> {
  const { lost, answersLost, writerUs } = await trial("whole-server.ts", perSecond, seconds);
  const most = MOST_A_SECOND * BUSY_PACKETS;
  return [
    row(`lost of ${perSecond * seconds} in ${seconds} s`, perSecond * seconds, lost),
    row("without an answer, of these", perSecond * seconds, answersLost),
    row("receptions/s of the recorder with a processor to itself", most, 1e6 / writerUs),
  ];
}

/** Datagrams a second. */
async function highestRate(server: string): Promise<number> {
  if ((await trial(server, MOST_A_SECOND, TRIAL_SECONDS)).holds) return MOST_A_SECOND;
  let [holds, fails] = [0, MOST_A_SECOND];
  for (let i = 0; i < HALVINGS; i++) {
    const middle = Math.round((holds + fails) / 2 / GATEWAYS) * GATEWAYS;
    if ((await trial(server, middle, TRIAL_SECONDS)).holds) holds = middle;
    else fails = middle;
  }
  return holds;
}

interface Trial {
  readonly holds: boolean;
  /** Datagrams that are not stored, wherever they were lost. */
  readonly lost: number;
  readonly answersLost: number;
  /** Processor time of the busiest thread, microseconds a reception that was stored. */
  readonly writerUs: number;
}

async function trial(server: string, perSecond: number, seconds: number): Promise<Trial> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const program = await startProgram(here(server), [join(folder, "bench.db")]);
  try {
    const before = threadsMs(program.child);
    const waits = await sendBusily(Number(program.firstLine), {
      gateways: GATEWAYS,
      perSecond,
      seconds,
      first: 0,
    });
    const threads = [...threadsMs(program.child)].map(([thread, ms]) => ms - (before.get(thread) ?? 0));
    // The busiest is the recorder's, where it keeps up (where it does not, the listener's may be).
    const writerUs = Math.max(...threads) * 1_000;
    const answersLost = waits.filter(Number.isNaN).length;
    const said = `${server}: ${perSecond} a second for ${seconds} s: without an answer ${answersLost}`;
    if (server === "floor-server.ts") {
      progress(said);
      const receptions = (waits.length - answersLost) * BUSY_PACKETS;
      return { holds: answersLost === 0, lost: answersLost, answersLost, writerUs: writerUs / receptions };
    }
    const { datagrams, waiting, dropped, kernelDrops } = await figuresOf(program);
    const lost = waits.length - datagrams + dropped;
    progress(
      `${said}; not read ${waits.length - datagrams} (kernel ${kernelDrops}), dropped ${dropped}, waiting ${waiting}`,
    );
    const receptions = (datagrams - dropped - waiting) * BUSY_PACKETS;
    return { holds: lost === 0 && waiting === 0, lost, answersLost, writerUs: writerUs / receptions };
  } finally {
    await program.end();
    rmSync(folder, { recursive: true, force: true });
  }
}

interface Figures {
  readonly datagrams: number;
  readonly waiting: number;
  readonly dropped: number;
  readonly kernelDrops: number | null;
}

/** What the intake says one and a half seconds after the last datagram; it tells its figures twice a second. */
async function figuresOf(program: Program): Promise<Figures> {
  await new Promise((done) => setTimeout(done, 1_500));
  return JSON.parse(await program.say("figures")) as Figures;
}
