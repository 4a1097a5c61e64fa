import { defineConfig } from "vitest/config";
import { BaseSequencer, type TestSpecification } from "vitest/node";

// One runner, four projects, quickest first: `unit` touches no network beyond loopback sockets it
// opens itself, `process` starts the built service, `faults` kills and floods it, `browser` drives a real Chromium.
// Files of a project share their worker's modules (`isolate: false`): loading them anew for each file costs more than
// most tests. So a test puts back what it sets of the process: variables, the exit code, output that it catches.

/**
 * Unit tests that compute for long: simulated sites, many generated cases. `npm test` runs the others first
 * (MASTLOG_TEST_PART=quick), then these (=long). Without the variable all run.
 */
const LONG = [
  "tests/commands/import.test.ts",
  "tests/diagnosis/link-shifts.test.ts",
  "tests/diagnosis/{findings,trials}/**",
  "tests/intake/{capture-file,whole-door}.test.ts",
  "tests/ledger/gaps/**",
  "tests/published/**",
  "tests/radio/regions/**",
  "tests/setup/**",
  // Not send-live: what keeps to the clock is no long computation, and `npm test` lets these give way to all else.
  "tests/simulate/!(send-live).test.ts",
  "tests/evaluate/**",
  "tests/statistics/level-shifts.test.ts",
  "tests/store/**",
  "tests/views/**",
  "tests/wire/**",
];
/** Longer than five seconds of a processor: begun first, so that no worker ends long after the others. */
const LONGEST = [
  "diagnosis/findings/causes",
  "evaluate/match",
  "intake/whole-door",
  "published/noise-open",
  "store/removal",
  "store/truth",
  "views/noise-sources",
  "views/receiver",
  "views/sites",
  "views/watched-play",
];
class LongestFirst extends BaseSequencer {
  override async sort(files: TestSpecification[]): Promise<TestSpecification[]> {
    const sorted = await super.sort(files);
    const isLongest = ({ moduleId }: TestSpecification) =>
      LONGEST.some((name) => moduleId.endsWith(`tests/${name}.test.ts`));
    return [...sorted.filter(isLongest), ...sorted.filter((file) => !isLongest(file))];
  }
}

/**
 * Node itself loads the modules. As Vitest loads them, each use of something imported is a look into another module's
 * object, and long computations take a quarter more of a processor. What runs in a browser's page, and what waits for
 * another process, gains nothing.
 */
const NATIVE = {
  execArgv: ["--import", new URL("load-natively.mjs", import.meta.url).href],
  experimental: { viteModuleRunner: false, nodeLoader: false },
};
const EACH = {
  globalSetup: ["tests/temporary-folder.mjs"],
  setupFiles: ["tests/worker.ts"],
};

const UNIT = ["tests/**/*.test.ts"];
const OTHERS = ["tests/browser/**", "tests/process/**", "tests/faults/**"];
const part = process.env.MASTLOG_TEST_PART;
export default defineConfig({
  test: {
    root: new URL("..", import.meta.url).pathname,
    // All cores: the default leaves one idle, which is half of a small machine.
    maxWorkers: "100%",
    sequence: { sequencer: LongestFirst },
    projects: [
      {
        test: {
          ...EACH,
          ...NATIVE,
          name: "unit",
          setupFiles: [...EACH.setupFiles, "tests/properties.ts"],
          include: part === "long" ? LONG.map((glob) => glob.replace(/\*\*$/, "**/*.test.ts")) : UNIT,
          exclude: part === "quick" ? [...OTHERS, ...LONG] : OTHERS,
          isolate: false,
          // Ends what hangs: on a busy machine the longest property tests take more than a minute.
          testTimeout: 180_000,
          hookTimeout: 180_000,
        },
      },
      {
        test: {
          ...EACH,
          name: "process",
          include: ["tests/process/**/*.test.ts"],
          // Files side by side: each has its own folder and ports, and waits more than it computes.
          isolate: false,
          testTimeout: 120_000,
          hookTimeout: 60_000,
        },
      },
      {
        test: {
          ...EACH,
          name: "faults",
          include: ["tests/faults/**/*.test.ts"],
          // One at a time: two floods would drown each other.
          isolate: false,
          testTimeout: 120_000,
          hookTimeout: 60_000,
          fileParallelism: false,
          // After those of other projects where several are asked for: with one worker instead of all it must be.
          sequence: { groupOrder: 1 },
        },
      },
      {
        test: {
          ...EACH,
          name: "browser",
          include: ["tests/browser/**/*.test.ts"],
          // One store is made and one browser started for all files: see tests/browser/dashboard.ts.
          isolate: false,
          // These end what hangs: beside the other parts of `npm test` a page may take seconds.
          testTimeout: 120_000,
          hookTimeout: 120_000,
          expect: { poll: { timeout: 20_000 } },
          fileParallelism: false,
          sequence: { groupOrder: 2 },
        },
      },
    ],
  },
});
