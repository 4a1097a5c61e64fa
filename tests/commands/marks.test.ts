import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { marksCommand } from "../../src/commands/user-data.ts";
import { openStore } from "../../src/store/open.ts";
import { run } from "./run-command.ts";

let folder = "";
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-marks-"));
  openStore(join(folder, "site.db")).close();
});
afterEach(() => rmSync(folder, { recursive: true }));

const marks = (...words: string[]) => run(marksCommand(), ...words, "--db", join(folder, "site.db"));

describe("mastlog marks", () => {
  it("pins a mark, lists it and removes it", async () => {
    const pinned = await marks(
      "add",
      "Moved the gateway",
      "--at",
      "2026-03-14T09:00:00Z",
      "--gateway",
      "02005e1000000001",
    );
    expect(pinned).toMatchObject({ out: "Mark 1 is pinned.\n", exitCode: 0 });
    const listed = await marks("list");
    expect(listed.out).toContain(
      "1  2026-03-14T09:00:00.000Z         02005E1000000001  note  Moved the gateway",
    );
    expect((await marks("remove", "1")).out).toBe("Mark 1 is removed.\n");
    expect((await marks("list")).out).toBe("No mark is pinned.\n");
  });

  it("prints one JSON document where asked", async () => {
    expect(
      JSON.parse(
        (await marks("add", "Row 3", "--kind", "stop", "--east", "12.5", "--north", "-3", "--json")).out,
      ),
    ).toEqual({
      id: 1,
    });
    const { marks: rows } = JSON.parse((await marks("list", "--json")).out) as { marks: object[] };
    expect(rows).toMatchObject([
      { id: 1, kind: "stop", text: "Row 3", position: { eastMetres: 12.5, northMetres: -3 }, devAddr: null },
    ]);
  });

  it("compares the time before a mark with the time after, and ends with 1 while it is not enough", async () => {
    await marks("add", "Cut the hedge", "--at", "2026-03-14T09:00:00Z");
    const { out, exitCode } = await marks("effect", "1");
    expect(out).toContain("Before and after “Cut the hedge” cannot be compared yet: nothing was recorded");
    expect(exitCode).toBe(1);
    const { effect, mark } = JSON.parse((await marks("effect", "1", "--days", "2", "--json")).out) as {
      effect: string;
      mark: object;
    };
    expect([effect, mark]).toMatchObject(["not enough", { id: 1, text: "Cut the hedge" }]);
  });

  it.each([
    [["effect", "7"], "No mark has this number."],
    [["effect", "x"], "A mark is named by its number."],
    [["effect", "1", "--days", "15"], "--days takes a number above 0, at most 14."],
    [["effect", "1", "--gateway", "all of them"], "16 hex digits"],
    [["effect", "1", "--gateway", "02005E10000000FF"], "No gateway with this identifier was heard."],
  ])("ends with 2 and a sentence after marks %j", async (words, sentence) => {
    await marks("add", "Cut the hedge", "--at", "2026-03-14T09:00:00Z");
    const { err, exitCode } = await marks(...words);
    expect(err).toContain(sentence);
    expect(exitCode).toBe(2);
  });

  it("lists a stretch of time", async () => {
    await marks("add", "before", "--at", "2026-03-14T09:00:00Z");
    await marks("add", "within", "--at", "2026-03-14T10:00:00Z");
    const { out } = await marks("list", "--from", "2026-03-14T09:30:00Z", "--to", "2026-03-14T10:30:00Z");
    expect([out.includes("within"), out.includes("before")]).toEqual([true, false]);
  });

  it.each([
    [["add", " "], "one line"],
    [["add", "x", "--at", "yesterday"], "--at takes"],
    [["add", "x", "--node", "12"], "--node takes"],
    [["add", "x", "--latitude", "51"], "A place is"],
    [["add", "x", "--east", "1", "--north", "2", "--latitude", "51"], "not both"],
    [["add", "x", "--at", "2026-03-14T09:00:00Z", "--until", "2026-03-14T08:00:00Z"], "ends after it begins"],
    [["remove", "one"], "by its number"],
    [["remove", "12"], "No mark has this number"],
  ])("%j is refused with one sentence", async (words, sentence) => {
    const { out, err, exitCode } = await marks(...words);
    expect(out).toBe("");
    expect(err.split("\n")).toHaveLength(2);
    expect(err).toContain(sentence);
    expect(exitCode).toBe(2);
  });
});
