import { defineConfig } from "vitest/config";

// One runner, three projects, quickest first: `unit` touches no network beyond loopback sockets it
// opens itself, `process` starts the built service, `browser` drives a real Chromium.
export default defineConfig({
  test: {
    root: new URL("..", import.meta.url).pathname,
    // All cores: the default leaves one idle, which is half of a small machine.
    maxWorkers: "100%",
    projects: [
      {
        test: {
          name: "unit",
          setupFiles: ["tests/properties.ts"],
          include: ["tests/**/*.test.ts"],
          exclude: ["tests/browser/**", "tests/process/**", "tests/faults/**"],
          // Ends what hangs: on a busy machine the longest property tests take more than a minute.
          testTimeout: 180_000,
        },
      },
      {
        test: {
          name: "process",
          include: ["tests/process/**/*.test.ts", "tests/faults/**/*.test.ts"],
          // As above: one start of the program takes five seconds there.
          testTimeout: 120_000,
          hookTimeout: 60_000,
          fileParallelism: false,
        },
      },
      {
        test: {
          name: "browser",
          include: ["tests/browser/**/*.test.ts"],
          testTimeout: 60_000,
          hookTimeout: 60_000,
          fileParallelism: false,
        },
      },
    ],
  },
});
