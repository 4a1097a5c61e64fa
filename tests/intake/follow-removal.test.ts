import { expect, it } from "vitest";
import { followRemoval } from "../../src/intake/recorder-tasks.ts";

/** What is logged when a look for what is to go ends with this error. */
function loggedAfter(error: Error): string[] {
  const logged: string[] = [];
  let next: (() => void) | null = null;
  followRemoval({
    recorder: {
      removeMore: () => {
        throw error;
      },
    },
    isBusy: () => false,
    nowUs: () => 0,
    after: (_, work) => {
      next = work;
    },
    monotonicMs: () => 0,
    onStep: () => undefined,
    log: (sentence) => logged.push(sentence),
  });
  (next as (() => void) | null)?.();
  return logged;
}

it("a look for what is to go is put off in silence while another program holds the store, and told when it fails", () => {
  expect(loggedAfter(Object.assign(new Error("database is locked"), { code: "SQLITE_BUSY" }))).toEqual([]);
  expect(loggedAfter(Object.assign(new Error("disk I/O error"), { code: "SQLITE_IOERR" }))).toEqual([
    "Removing what the rule does not keep waits: disk I/O error",
  ]);
});
