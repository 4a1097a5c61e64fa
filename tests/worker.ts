/** Set up in each worker: its temporary folder is the run's, see temporary-folder.mjs. */
import { inject } from "vitest";

declare module "vitest" {
  interface ProvidedContext {
    temporaryFolder: string;
  }
}

// Not where the worker is started: what tsx keeps of one run for the next stands in the system's folder.
for (const name of ["TMPDIR", "TEMP", "TMP"]) process.env[name] = inject("temporaryFolder");
