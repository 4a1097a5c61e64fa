/**
 * `npm run evaluate -- [--seeds N] [--cause NAME] [--case NAME] [--json]`: how often does the diagnosis name the right
 * cause? Every cause in three strengths, and sites without fault, each over so many drawn sites, through the real path.
 */
import { appendFileSync, existsSync, readFileSync, writeFileSync } from "node:fs";
import { availableParallelism } from "node:os";
import { parseArgs } from "node:util";
import { Worker } from "node:worker_threads";
import { FAULT_CAUSES, type FaultCause } from "./draw-fault.ts";
import { type Case, drawSite, STRENGTHS } from "./draw-site.ts";
import { playCase } from "./play-case.ts";
import { caseName, realText, scoreText } from "./print-score.ts";
import { realFindings, realScoreOf } from "./real-sets.ts";
import { type CaseResult, scoreOf } from "./score.ts";
import { evaluateCase } from "./worker.ts";

const HELP = `npm run evaluate -- [options]
  --seeds N      sites drawn for each cause and strength, and three times as many without fault (default: 40)
  --first N      the first seed (default: 1)
  --cause NAME   one cause only, or "healthy"; may be given several times
  --case NAME    one case in full, such as weak-link:mild:7
  --view FILE    with --case: writes the Gaps view's answer
  --scenario FILE  with --case: writes the drawn scenario, for mastlog simulate
  --truth FILE   with --case: writes the truth
  --save FILE    keeps each case's result as it comes (JSON lines), and takes a run up where it ended
  --real         the open sets of real receptions alone (a full run ends with them)
  --json         one JSON document`;

function fail(sentence: string): never {
  process.stderr.write(`${sentence}\n`);
  process.exit(2);
}

const { values } = parseArgs({
  options: {
    seeds: { type: "string", default: "40" },
    first: { type: "string", default: "1" },
    cause: { type: "string", multiple: true },
    case: { type: "string" },
    view: { type: "string" },
    scenario: { type: "string" },
    truth: { type: "string" },
    save: { type: "string" },
    json: { type: "boolean", default: false },
    real: { type: "boolean", default: false },
    help: { type: "boolean", default: false },
  },
});
if (values.help) {
  process.stdout.write(`${HELP}\n`);
  process.exit(0);
}
const seeds = Number(values.seeds);
const first = Number(values.first);
if (!Number.isInteger(seeds) || seeds < 1 || !Number.isInteger(first) || first < 0)
  fail("--seeds and --first take whole numbers.");

function causeOf(word: string): FaultCause | null {
  if (word === "healthy") return null;
  const cause = FAULT_CAUSES.find((name) => name === word);
  return cause ?? fail(`No cause is called ${word}; there are ${FAULT_CAUSES.join(", ")}, healthy.`);
}

function readCase(name: string): Case {
  const [cause = "", strengthWord, seed] = name.split(":");
  const strength = STRENGTHS.find((word) => word === strengthWord);
  if (strength === undefined || !Number.isInteger(Number(seed)))
    fail("--case takes CAUSE:STRENGTH:SEED, such as weak-link:mild:7.");
  return { cause: causeOf(cause), strength, seed: Number(seed) };
}

function evaluateOne(one: Case): void {
  const site = drawSite(one);
  const { view, truth } = playCase(site, one.seed);
  const write = (file: string | undefined, what: unknown) => {
    if (file !== undefined) writeFileSync(file, `${JSON.stringify(what, null, 1)}\n`);
  };
  write(values.view, view);
  write(values.truth, truth);
  write(values.scenario, site.scenario);
  process.stdout.write(`${JSON.stringify({ injected: truth.injected, ...evaluateCase(one) }, null, 1)}\n`);
}

async function evaluateAll(): Promise<void> {
  const causes = values.cause === undefined ? [null, ...FAULT_CAUSES] : values.cause.map(causeOf);
  const cases = Array.from({ length: seeds }, (_, index) =>
    causes.flatMap((cause) => STRENGTHS.map((strength): Case => ({ cause, strength, seed: first + index }))),
  ).flat();
  const started = performance.now();
  const results = await playAll(cases, values.save);
  const score = scoreOf(results);
  // A few causes alone are a look at those.
  const real = values.cause === undefined ? realScoreOf(realFindings()) : null;
  const seconds = (performance.now() - started) / 1000;
  if (values.json) process.stdout.write(`${JSON.stringify({ seconds, ...score, real }, null, 1)}\n`);
  else
    process.stdout.write(
      `${scoreText(score)}\n${real === null ? "" : `\n${realText(real)}\n`}\n${seconds.toFixed(0)} s.\n`,
    );
}

/** Results kept by an earlier run, by the names of their cases. */
function keptIn(file: string | undefined): Map<string, CaseResult> {
  if (file === undefined || !existsSync(file)) return new Map();
  const lines = readFileSync(file, "utf8").split("\n").filter(Boolean);
  const results = lines.map((line) => JSON.parse(line) as CaseResult);
  return new Map(results.map((result) => [caseName(result.case), result]));
}

/** All cases on all cores, in the order given. */
async function playAll(all: readonly Case[], file: string | undefined): Promise<CaseResult[]> {
  const kept = keptIn(file);
  const cases = all.filter((one) => !kept.has(caseName(one)));
  let next = 0;
  let done = 0;
  const work = () =>
    new Promise<void>((resolve, reject) => {
      const worker = new Worker(new URL("./worker.js", import.meta.url));
      let at = -1;
      const hand = () => {
        const one = cases[next];
        if (one === undefined) {
          void worker.terminate().then(() => resolve());
          return;
        }
        at = next++;
        worker.postMessage(one);
      };
      worker.on("message", (result: CaseResult) => {
        kept.set(caseName(result.case), result);
        if (file !== undefined) appendFileSync(file, `${JSON.stringify(result)}\n`);
        done += 1;
        if (process.stderr.isTTY) process.stderr.write(`\r${done} of ${cases.length} `);
        hand();
      });
      worker.on("error", (error) => {
        const one = cases[at];
        reject(one === undefined ? error : new Error(`${caseName(one)}: ${error.message}`, { cause: error }));
      });
      hand();
    });
  await Promise.all(Array.from({ length: Math.min(availableParallelism(), cases.length) }, work));
  if (process.stderr.isTTY) process.stderr.write("\n");
  return all.flatMap((one) => kept.get(caseName(one)) ?? []);
}

if (values.real) process.stdout.write(`${realText(realScoreOf(realFindings()))}\n`);
else if (values.case === undefined) await evaluateAll();
else evaluateOne(readCase(values.case));
