/** The program `mastlog`: hands its command line over. */
import { runMastlog } from "./commands/program.ts";

// Whoever reads the output may have enough of it (`mastlog nodes | head`): that is no fault, and a service goes on.
for (const stream of [process.stdout, process.stderr]) {
  stream.on("error", (error: NodeJS.ErrnoException) => {
    if (error.code !== "EPIPE") throw error;
  });
}

await runMastlog(process.argv.slice(2));
