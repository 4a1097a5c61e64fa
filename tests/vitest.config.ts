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
          testTimeout: 60_000,
        },
      },
      {
        test: {
          name: "process",
          include: ["tests/process/**/*.test.ts", "tests/faults/**/*.test.ts"],
          testTimeout: 60_000,
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
