/**
 * All that a run of tests leaves in the temporary folder lies in one folder, which goes at the run's end: a worker is
 * ended by a signal, so that nothing in it could remove what a file of tests has left.
 */
import { chmodSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** Called by Vitest with the project before its first worker starts; what it returns, after the last has ended. */
export default function setUp(project) {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-tests-"));
  // A test may start a program as another user, in a folder of its own below.
  chmodSync(folder, 0o711);
  project.provide("temporaryFolder", folder);
  // A browser that is just ending may still write.
  return () => rmSync(folder, { recursive: true, force: true, maxRetries: 20, retryDelay: 200 });
}
