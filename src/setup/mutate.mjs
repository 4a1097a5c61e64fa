/**
 * `npm run mutate -- FOLDER [TESTS…]`: changes one thing after another in the files of a folder (or in one file), runs the unit
 * tests each time, and lists the changes that none of them noticed. Without TESTS those of the same folder are
 * run, and those against published values. Slow: about a second for each change.
 */
import { existsSync, statSync } from "node:fs";
import { join, relative } from "node:path";
import { giveUp, makeReady, root, runTool } from "./ready.mjs";

const [given, ...tests] = process.argv.slice(2);
const path = given === undefined ? null : join(root, given);
if (path === null || !existsSync(path) || relative(join(root, "src"), path).startsWith(".."))
  giveUp("Name a folder or a file below src, such as: npm run mutate -- src/statistics");
makeReady({ build: false });

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
