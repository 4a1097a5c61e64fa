/**
 * `npm test`: everything that guards the project. The quick parts first, then the long ones side by side; ends at the
 * first part that fails. Its last line counts the tests.
 */
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { makeReady, root, toolPath } from "./ready.mjs";
import { runParts } from "./side-by-side.mjs";

const beganMs = performance.now();
makeReady({ build: false, sqlite: false });
const folder = mkdtempSync(join(tmpdir(), "mastlog-test-"));
const total = { passed: 0, failed: 0, skipped: 0 };

const script = (name) => [process.execPath, fileURLToPath(new URL(name, import.meta.url))];
const tool = (name, ...args) => [process.execPath, toolPath(name), ...args];

/** A part of tests: one run of a project, whose counts go into the total. */
function tests(name, project, { part = "", ...rest }) {
  const report = join(folder, `${project}${part}.json`);
  const args = ["run", "--config", "tests/vitest.config.ts", "--project", project];
  return {
    name,
    commands: [
      tool("vitest/vitest", ...args, "--reporter=default", "--reporter=json", `--outputFile.json=${report}`),
    ],
    env: { MASTLOG_TEST_PART: part, ...(process.stdout.isTTY ? { FORCE_COLOR: "1" } : {}) },
    after: () => count(report),
    ...rest,
  };
}

function count(report) {
  try {
    const { numPassedTests, numFailedTests, numPendingTests } = JSON.parse(readFileSync(report, "utf8"));
    total.passed += numPassedTests;
    total.failed += numFailedTests;
    total.skipped += numPendingTests;
  } catch {
    // The runner ended before it could report; its status says so.
  }
}

const typesOf = (project) => tool("typescript/tsc", "--noEmit", "-p", project);
const SQLITE = "SQLite";
const STYLE = "Format and lint";
const TYPES = "Types";
const UNUSED = "Unused files, exports and packages";
const QUICK = "Unit tests, the quick part";
const BUILD = "Build";

const failed = await runParts(
  [
    // Compiled where it cannot be fetched, which takes a minute: meanwhile what needs no SQLite.
    { name: SQLITE, commands: [[...script("sqlite.mjs")]] },
    { name: STYLE, commands: [tool("@biomejs/biome/biome", "check", "--error-on-warnings", ".")] },
    // The types of src/ alone are checked by the build.
    { name: TYPES, commands: [typesOf("tests/tsconfig.json"), typesOf("web/tsconfig.json")], needs: [STYLE] },
    { name: UNUSED, commands: [tool("knip/knip")], needs: [TYPES] },
    tests(QUICK, "unit", { part: "quick", needs: [SQLITE] }),
    { name: BUILD, commands: [script("build.mjs")], needs: [SQLITE, TYPES] },
    // Wait for time to pass, for the disk, for a browser: they go first, and the unit tests take what they leave.
    tests("Tests of the running service", "process", { needs: [BUILD, QUICK] }),
    tests("Tests under floods, kills and full disks", "faults", { needs: [BUILD, QUICK] }),
    tests("Tests in a browser", "browser", { needs: [BUILD, QUICK] }),
    tests("Unit tests, the rest", "unit", { part: "long", needs: [QUICK], computes: true }),
  ],
  { cwd: root },
);

rmSync(folder, { recursive: true, force: true });
if (failed !== null) process.stdout.write(`\n${failed}: failed; what ran beside it was stopped.\n`);
const seconds = Math.round((performance.now() - beganMs) / 1_000);
process.stdout.write(
  `\n${total.passed} passed, ${total.failed} failed, ${total.skipped} skipped, in ${seconds} s\n`,
);
process.exit(failed === null ? 0 : 1);
