/** `npm run evaluate -- [options]`: how often the diagnosis names the right cause, judged on drawn sites. */
import { makeReady, runTool } from "./ready.mjs";

makeReady({ build: false });
process.exitCode = runTool("tsx/tsx", ["tests/evaluate/run.ts", ...process.argv.slice(2)], {
  stdout: "inherit",
});
