/**
 * `mastlog simulate`: play a synthetic site to a listener, or into a packet capture. Reads the arguments and the
 * scenario, hands over to src/simulate, says what was done.
 */
import { access, constants, readFile, writeFile } from "node:fs/promises";
import { dirname } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { Command } from "commander";
import { z } from "zod";
import { type Play, playSite } from "../simulate/play-site.ts";
import { readScenario, type Scenario } from "../simulate/scenario.ts";
import {
  captureOctets,
  captureSite,
  type LiveSummary,
  type Machine,
  sendLive,
  thisMachine,
} from "../simulate/site-output.ts";
import { createRandom, type ScenarioClock } from "../simulate/time-and-chance.ts";
import { packageRoot } from "../store/upgrade.ts";
import { percent, plural } from "../words/format.ts";

const HELP = `
Without SCENARIO it plays the sample site Fennick Orchard. Nothing is transmitted by radio: what leaves are the UDP
datagrams that gateways would send, or a file.

--to sends in real time, the scenario's start being now, until the scenario ends or Ctrl-C. --speed N lets the
scenario pass N times as fast. A listener dates what it hears by its arrival, so at --speed 10 a node's rhythm of
60 s looks like 6 s, and a repeat after 3 s like one after 0.3 s; airtimes stay what they are.
--pcap writes at once what a capture on the listener's machine would hold, acknowledgements included; a name that
ends in .gz is compressed. The same scenario and seed give the same capture, octet for octet.
--truth writes what really happened, as JSON: what each node sent and what of it reached the listener.

Exit status: 0 done, 2 unreadable scenario or wrong usage.`;

const Options = z
  .object({
    seed: z.coerce
      .number({ error: "--seed takes a whole number, 0 or more" })
      .int("--seed takes a whole number, 0 or more")
      .min(0, "--seed takes a whole number, 0 or more")
      .max(Number.MAX_SAFE_INTEGER, "--seed is too large")
      .optional(),
    speed: z.coerce
      .number({ error: "--speed takes a number above 0" })
      .positive("--speed takes a number above 0")
      .max(100_000, "--speed takes at most 100000")
      .optional(),
    to: z
      .string()
      .regex(/^(?:\[[0-9A-Fa-f:.]+\]|[^\s:[\]]+):\d{1,5}$/, "--to takes HOST:PORT, such as 127.0.0.1:1700")
      .optional(),
    pcap: z.string().min(1, "--pcap takes the name of a file").optional(),
    truth: z.string().min(1, "--truth takes the name of a file").optional(),
  })
  .refine(({ to, pcap }) => (to === undefined) !== (pcap === undefined), {
    error: "Say either where to send (--to HOST:PORT) or which file to write (--pcap FILE)",
  })
  .refine(({ speed, pcap }) => speed === undefined || pcap === undefined, {
    error: "--speed is for --to; a capture is written at once and keeps the scenario's own time",
  });
type Options = z.output<typeof Options>;

/** What a person asked for that cannot be done; its message is the one sentence on stderr. */
class Unusable extends Error {}

/** The `simulate` command, to be added to the program. `machine` is clock, sockets and signals; tests hand in another. */
export function simulateCommand(machine: Machine = thisMachine): Command {
  return new Command("simulate")
    .description("simulate a site: send live or write a capture, with the true result")
    .argument("[scenario]", "scenario file, JSON (default: the sample site)")
    .option("--seed <n>", "random seed (default: --pcap the scenario's own, --to a new one each time)")
    .option("--speed <n>", "with --to: how many times as fast as the scenario (default: 1)")
    .option("--to <host:port>", "send to a listener")
    .option("--pcap <file>", "write a packet capture")
    .option("--truth <file>", "write what really happened, JSON")
    .addHelpText("after", HELP)
    .action(async (scenarioFile: string | undefined, given: unknown) => {
      try {
        await simulate(scenarioFile, readOptions(given), machine);
      } catch (error) {
        if (!(error instanceof Unusable)) throw error;
        machine.writeError(`${error.message}\n`);
        process.exitCode = 2;
      }
    });
}

function readOptions(given: unknown): Options {
  const options = Options.safeParse(given);
  if (options.success) return options.data;
  throw new Unusable(`${options.error.issues[0]?.message ?? "The options cannot be read"}.`);
}

async function simulate(file: string | undefined, options: Options, machine: Machine): Promise<void> {
  const scenario = await loadScenario(file);
  if (options.pcap !== undefined)
    await simulateCapture(scenario, options.seed ?? scenario.seed, options.pcap, options.truth, machine);
  else if (options.to !== undefined) await simulateLive(scenario, options.to, options, machine);
}

async function loadScenario(file: string | undefined): Promise<Scenario> {
  const path = file ?? fileURLToPath(new URL("sample-captures/fennick-orchard.json", packageRoot));
  let text: string;
  try {
    text = await readFile(path, "utf8");
  } catch (error) {
    throw new Unusable(`The scenario ${path} cannot be read: ${reasonOf(error)}.`);
  }
  const read = readScenario(text);
  if (!read.ok) throw new Unusable(`The scenario ${path} cannot be used. ${read.sentence}`);
  return read.scenario;
}

async function simulateCapture(
  scenario: Scenario,
  seed: number,
  file: string,
  truthFile: string | undefined,
  machine: Machine,
): Promise<void> {
  // Said before the work, not after it.
  await access(dirname(file), constants.W_OK).catch((error: unknown) => {
    throw new Unusable(`${file} cannot be written: ${reasonOf(error)}.`);
  });
  const clock: ScenarioClock = { startUs: Date.parse(scenario.start) * 1000, speed: 1 };
  const play = playSite(scenario, createRandom(seed), clock);
  const datagrams = captureSite(play, scenario, clock);
  const capture = captureOctets(datagrams);
  await write(file, file.endsWith(".gz") ? gzipSync(capture, { level: 9 }) : capture);
  await writeTruth(play, seed, scenario.duration, truthFile);
  machine.write(
    `Wrote ${datagrams.length} datagrams, ${lengthOf(scenario.duration)} of ${describeSite(scenario, seed)}, to ${file}.\n`,
  );
}

async function simulateLive(
  scenario: Scenario,
  to: string,
  { speed = 1, truth: truthFile, seed: givenSeed }: Options,
  machine: Machine,
): Promise<void> {
  const at = to.lastIndexOf(":");
  const host = to.slice(0, at).replace(/^\[|\]$/g, "");
  const port = Number(to.slice(at + 1));
  if (port < 1 || port > 65_535) throw new Unusable(`${to} names no port from 1 to 65535.`);
  const outside = await machine.openNetwork(host, port).catch((error: unknown) => {
    throw new Unusable(`${host} cannot be found: ${reasonOf(error)}.`);
  });
  const clock: ScenarioClock = { startUs: outside.nowUs(), speed };
  // A site played twice within half an hour with one seed would be the very same packets of the very same gateway
  // uptime, which a listener rightly takes for known: a live run is another one each time, unless asked otherwise.
  const seed = givenSeed ?? Math.floor(clock.startUs / 1e6);
  const play = playSite(scenario, createRandom(seed), clock);
  const pace = speed === 1 ? "" : ` at ${speed} times its pace`;
  machine.write(
    `Sending ${lengthOf(scenario.duration)} of ${describeSite(scenario, seed)}, to ${to}${pace}; Ctrl-C stops it.\n`,
  );
  const interruption = machine.interruption();
  try {
    const euis = scenario.gateways.map(({ eui }) => eui);
    const summary = await sendLive(play, euis, clock, scenario.duration, outside, interruption.signal);
    await writeTruth(play, seed, summary.untilUs, truthFile);
    machine.write(`${describeRun(summary, to)}\n`);
  } finally {
    interruption.release();
  }
}

async function writeTruth(
  play: Play,
  seed: number,
  untilUs: number,
  file: string | undefined,
): Promise<void> {
  if (file === undefined) return;
  await write(file, `${JSON.stringify(play.truth.finish(seed, untilUs), null, 1)}\n`);
}

async function write(file: string, data: string | Uint8Array): Promise<void> {
  await writeFile(file, data).catch((error: unknown) => {
    throw new Unusable(`${file} cannot be written: ${reasonOf(error)}.`);
  });
}

function describeSite({ title, gateways, nodes, strangers }: Scenario, seed: number): string {
  return `"${title}" (seed ${seed}): ${plural(gateways.length, "gateway")}, ${plural(nodes.length, "node")} and ${plural(strangers.length, "stranger")}`;
}

function describeRun(summary: LiveSummary, to: string): string {
  const { sent, receptions, answerable, answered, untilUs, asked } = summary;
  const downlinks = asked === 0 ? "" : `; ${plural(asked, "request")} to transmit taken or refused`;
  const run = `Sent ${plural(sent, "datagram")} with ${plural(receptions, "reception")}, ${lengthOf(untilUs)} of the scenario${downlinks}`;
  if (answerable === 0) return `${run}.`;
  if (answered === 0) return `${run}. None was acknowledged: is a listener at ${to}?`;
  return `${run}; ${percent(answered / answerable)} were acknowledged within 100 ms.`;
}

/** `6:00:00` of microseconds. */
function lengthOf(us: number): string {
  const seconds = Math.round(us / 1e6);
  const two = (value: number): string => String(value).padStart(2, "0");
  return `${Math.floor(seconds / 3600)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
}

function reasonOf(error: unknown): string {
  if (!(error instanceof Error)) return "unknown reason";
  const code = "code" in error ? error.code : undefined;
  return code === "ENOENT" ? "it does not exist" : error.message;
}
