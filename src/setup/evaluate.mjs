/**
 * `npm run evaluate -- [options]`: how often the diagnosis names the right cause, judged on drawn sites. Compiled
 * first: thousands of days are played.
 */
import { cpSync } from "node:fs";
import { join } from "node:path";
import { giveUp, makeReady, root, run, runTool } from "./ready.mjs";

makeReady({ build: false });
const folder = join(root, "dist/evaluate");
if (runTool("typescript/tsc", ["-p", join(root, "tests/evaluate/tsconfig.json")]) !== 0)
  giveUp("The evaluation could not be compiled: see above.");
// The open sets of real receptions, which the evaluation ends with.
cpSync(join(root, "tests/data/open-receptions"), join(folder, "tests/data/open-receptions"), {
  recursive: true,
});
const program = join(folder, "tests/evaluate/run.js");
process.exitCode = run(process.execPath, [program, ...process.argv.slice(2)], { stdout: "inherit" });
