import { defineConfig } from "vitest/config";

// The unit tests that judge mutants: those that MASTLOG_MUTATE_TESTS names (src/setup/mutate.mjs). Stryker itself runs one
// worker, and only the tests that reach a mutant.
export default defineConfig({
  test: {
    root: new URL("../..", import.meta.url).pathname,
    setupFiles: ["tests/properties.ts"],
    include: (process.env.MASTLOG_MUTATE_TESTS ?? "").split(",").filter((glob) => glob !== ""),
    exclude: ["tests/browser/**", "tests/process/**", "tests/faults/**"],
    testTimeout: 60_000,
  },
});
