/** Is every error code of the service in the contributors' table, with its status? */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { PROBLEMS } from "../../src/service/problems.ts";

const text = readFileSync(new URL("../../DEVELOPERS.md", import.meta.url), "utf8");

/** "code status" of each row of the table under "Error codes". */
function tableOfCodes(): string[] {
  const section = /## Error codes\n([\s\S]*?)\n## /.exec(text)?.[1] ?? "";
  return [...section.matchAll(/^\| (\d{3}) \| (.*) \|$/gm)].flatMap(([, status = "", codes = ""]) =>
    [...codes.matchAll(/`([a-z-]+)`/g)].map(([, code = ""]) => `${code} ${status}`),
  );
}

describe("the table of error codes", () => {
  it("holds every code of the service once, with its status, and no other", () => {
    const codes = Object.entries(PROBLEMS).map(([code, { status }]) => `${code} ${status}`);
    expect(codes.length).toBeGreaterThan(20);
    expect(tableOfCodes().sort()).toEqual(codes.sort());
  });

  it("belongs to problems whose sentence and remedy are whole sentences", () => {
    for (const { sentence, remedy } of Object.values(PROBLEMS)) {
      expect(sentence).toMatch(/^[A-Z].*\.$/);
      expect(remedy).toMatch(/^[A-Z].*\.$/);
    }
  });
});
