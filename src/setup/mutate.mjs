/**
 * `npm run mutate -- FOLDER [TESTS…] [--sample N] [--seed S]`: changes one thing after another in the files of a folder
 * (or in one file), runs the unit tests each time, and lists the changes that none of them noticed. Without TESTS those
 * of the same folder are run, and those against published values. With `--sample` so many changes are drawn at random,
 * the same for the same seed (1 if not given). Slow: about two seconds for each change.
 */
import { existsSync, statSync } from "node:fs";
import { join, relative } from "node:path";
import { parseArgs } from "node:util";
import { giveUp, makeReady, root, runTool } from "./ready.mjs";

const { given, tests, sample, seed } = readArguments();
const path = given === undefined ? null : join(root, given);
if (path === null || !existsSync(path) || relative(join(root, "src"), path).startsWith(".."))
  giveUp("Name a folder or a file below src, such as: npm run mutate -- src/statistics");
if (sample !== undefined && !(Number.isInteger(Number(sample)) && Number(sample) > 0))
  giveUp("--sample takes a whole number of changes, such as: --sample 40");
makeReady({ build: false });
if (sample !== undefined)
  Object.assign(process.env, { MASTLOG_MUTATE_SAMPLE: sample, MASTLOG_MUTATE_SEED: seed });

const ofSource = relative(root, path).replaceAll("\\", "/");
const isFolder = statSync(path).isDirectory();
process.env.MASTLOG_MUTATE = isFolder ? `${ofSource}/**/*.ts` : ofSource;
const mirrored = ofSource.replace(/^src\//, "tests/").replace(/\.tsx?$/, "");
const own = isFolder ? `${mirrored}/**/*.test.ts` : `${mirrored.replace(/\/[^/]*$/, "")}/**/*.test.ts`;
process.env.MASTLOG_MUTATE_TESTS = (tests.length > 0 ? tests : [own, "tests/published/**/*.test.ts"]).join(
  ",",
);
// The sandbox stands in a folder that git and the checks leave alone.
process.exitCode = runTool("@stryker-mutator/core/stryker", ["run", "tests/mutate/stryker.config.mjs"], {
  stdout: "inherit",
});

function readArguments() {
  try {
    const options = { sample: { type: "string" }, seed: { type: "string", default: "1" } };
    const { positionals, values } = parseArgs({ options, allowPositionals: true });
    const [given, ...tests] = positionals;
    return { given, tests, ...values };
  } catch (error) {
    return giveUp(error.message);
  }
}
