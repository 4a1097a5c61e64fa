/** `npm run bench -- [NAME…] [--json]`: the benchmarks, each as a ratio to its floor program in the same run. */
import { makeReady, runTool } from "./ready.mjs";

makeReady();
process.exitCode = runTool("tsx/tsx", ["tests/bench/run.ts", ...process.argv.slice(2)], {
  stdout: "inherit",
});
