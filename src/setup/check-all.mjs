/**
 * `npm test`: everything that guards the project, the quickest first; stops at the first step that fails.
 * Ends with one line of counts.
 */
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { makeReady, runTool } from "./ready.mjs";

makeReady({ build: false });
const folder = mkdtempSync(join(tmpdir(), "mastlog-test-"));
const total = { passed: 0, failed: 0, skipped: 0 };

function step(name, work) {
  process.stdout.write(`\n── ${name}\n`);
  const beganMs = performance.now();
  const status = work();
  process.stdout.write(`── ${name}: ${Math.round((performance.now() - beganMs) / 1_000)} s\n`);
  if (status === 0) return;
  process.stdout.write(`\n${name}: failed.\n`);
  finish(1);
}

function tool(name, args, env = {}) {
  return runTool(name, args, { stdout: "inherit", env });
}

function tests(project, part = "") {
  const report = join(folder, `${project}${part}.json`);
  const args = ["run", "--config", "tests/vitest.config.ts", "--project", project];
  const status = tool(
    "vitest/vitest",
    [...args, "--reporter=default", "--reporter=json", `--outputFile.json=${report}`],
    { MASTLOG_TEST_PART: part },
  );
  try {
    const { numPassedTests, numFailedTests, numPendingTests } = JSON.parse(readFileSync(report, "utf8"));
    total.passed += numPassedTests;
    total.failed += numFailedTests;
    total.skipped += numPendingTests;
  } catch {
    // The runner ended before it could report; its status says so.
  }
  return status;
}

function finish(status) {
  rmSync(folder, { recursive: true, force: true });
  process.stdout.write(`\n${total.passed} passed, ${total.failed} failed, ${total.skipped} skipped\n`);
  process.exit(status);
}

step("Format and lint", () => tool("@biomejs/biome/biome", ["check", "--error-on-warnings", "."]));
step("Types", () => {
  for (const project of ["tsconfig.json", "tests/tsconfig.json", "web/tsconfig.json"]) {
    const status = tool("typescript/tsc", ["--noEmit", "-p", project]);
    if (status !== 0) return status;
  }
  return 0;
});
step("Unused files, exports and packages", () => tool("knip/knip", []));
step("Unit tests, the quick part", () => tests("unit", "quick"));
step("Unit tests, the rest", () => tests("unit", "long"));
step("Build", () => {
  makeReady();
  return 0;
});
step("Tests of the running service", () => tests("process"));
step("Tests under floods, kills and full disks", () => tests("faults"));
step("Tests in a browser", () => tests("browser"));
finish(0);
