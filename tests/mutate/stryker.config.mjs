// Options of StrykerJS (stryker-mutator.io/docs/stryker-js/configuration); src/setup/mutate.mjs names what is mutated.
const isDrawn = process.env.MASTLOG_MUTATE_SAMPLE !== undefined;

export default {
  testRunner: "vitest",
  plugins: [
    "@stryker-mutator/vitest-runner",
    ...(isDrawn ? [new URL("draw.mjs", import.meta.url).pathname] : []),
  ],
  vitest: { configFile: "tests/mutate/vitest.config.ts", related: false },
  mutate: (process.env.MASTLOG_MUTATE ?? "").split(","),
  // TypeScript 7 has no interface for programs; the tests need no settings of it.
  tsconfigFile: "none",
  coverageAnalysis: "perTest",
  // A mutant of a module's constants would need a new process each.
  ignoreStatic: true,
  concurrency: 1,
  // The first run counts what each test reaches: slow beside other work.
  dryRunTimeoutMinutes: 30,
  ignorePatterns: ["dist", "coverage", "tmp", "sample-captures", "*.db*"],
  tempDirName: "tmp/mutate",
  reporters: isDrawn ? ["clear-text", "draw"] : ["clear-text"],
  clearTextReporter: { allowColor: false, allowEmojis: false, logTests: false, reportTests: false },
  // Text is judged by people: a changed sentence says nothing of a figure.
  mutator: { excludedMutations: ["StringLiteral"] },
  thresholds: { high: 85, low: 85, break: null },
};
