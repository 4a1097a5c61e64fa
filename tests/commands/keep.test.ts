import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { keepCommand } from "../../src/commands/keep.ts";
import { rebuildCommand } from "../../src/commands/store-file.ts";
import { gatewaysCommand, joinsCommand, nodesCommand } from "../../src/commands/view-commands.ts";
import { openStore } from "../../src/store/open.ts";
import { traffic } from "../store/some-days.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

let store: StoreFile;
beforeEach(() => {
  store = storeFile(traffic(4));
});
afterEach(() => store.remove());

const keep = (...words: string[]) => run(keepCommand(), "--db", store.path, ...words);
const SENTENCE =
  "Receptions before 2026-03-17T00:00:00.000Z were removed by the rule of 1 day; sums of whole hours, gaps and findings remain.";

describe("mastlog keep", () => {
  it("says that everything is kept, and asks before it removes something", async () => {
    expect((await keep()).out).toBe("Everything is kept.\n");
    const refused = await keep("--days", "1");
    expect(refused.exitCode).toBe(2);
    expect(refused.err).toMatch(
      /^This removes \d+ receptions before 2026-03-17T00:00:00\.000Z\. Add --yes to do it\.\n$/,
    );
    expect(JSON.parse((await keep("--json")).out)).toEqual({
      maxAgeDays: null,
      maxBytes: null,
      removed: null,
      givesBack: true,
    });
  });

  it("removes, says so, and the other commands begin where receptions are", async () => {
    const done = await keep("--days", "1", "--yes");
    expect(done).toEqual({ out: `Receptions are kept: 1 day.\n${SENTENCE}\n`, err: "", exitCode: 0 });
    const gateways = await run(gatewaysCommand(), "--db", store.path, "--json");
    expect(gateways.err).toBe(
      `${SENTENCE} Before that, sums rest on whole hours, and what rests on single receptions is left out.\n`,
    );
    const joins = await run(joinsCommand(), "--db", store.path, "--json");
    expect(joins.err).toBe(`${SENTENCE} This answer begins there.\n`);
    const { window } = JSON.parse(joins.out) as { window: { from: string } };
    expect(window.from).toBe("2026-03-17T00:00:00.000Z");
    const nodes = await run(nodesCommand(), "--db", store.path, "--json", "--to", "2026-03-15T00:00:00Z");
    expect(nodes.err).toBe(`${SENTENCE} Before that, this answer rests on whole hours.\n`);
    expect((JSON.parse(nodes.out) as { nodes: { heard: number }[] }).nodes.map(({ heard }) => heard)).toEqual(
      [45, 29, 45],
    );
    const earlier = await run(joinsCommand(), "--db", store.path, "--to", "2026-03-15T00:00:00Z");
    expect(earlier).toEqual({
      out: "",
      err: `${SENTENCE} Ask for a time from 2026-03-17T00:00:00.000Z on.\n`,
      exitCode: 2,
    });
    const rebuilt = await run(rebuildCommand(), "--db", store.path);
    expect([rebuilt.exitCode, rebuilt.out]).toEqual([2, ""]);
    expect(rebuilt.err).toContain("The store is left as it is.");
  });

  it("keeps everything again from then on, and says what was removed", async () => {
    await keep("--days", "1", "--yes");
    expect((await keep("--everything")).out).toBe(`Everything is kept.\n${SENTENCE}\n`);
  });

  it("makes the file of an earlier version smaller, once", async () => {
    const db = openStore(store.path);
    db.exec("PRAGMA auto_vacuum = NONE; VACUUM");
    db.close();
    const before = await keep("--days", "1", "--yes");
    expect(before.out).toContain("'mastlog keep --shrink' gives space back.");
    expect((await keep("--shrink")).out).toBe(`Receptions are kept: 1 day.\n${SENTENCE}\n`);
    const shrunk = openStore(store.path);
    expect(shrunk.pragma("freelist_count", { simple: true })).toBe(0);
    shrunk.close();
  });

  it.each([
    [["--days", "0"], "--days takes a whole number from 1 to 36\u202F500.\n"],
    [["--size", "much"], "--size takes a size such as 500MB or 2GB.\n"],
    [["--size", "1MB"], "--size takes 10.0\u202FMB to 1\u202F000\u202FTB.\n"],
    [["--everything", "--days", "3"], "--everything stands alone.\n"],
  ])("refuses %s in a sentence", async (words, sentence) => {
    expect(await keep(...words)).toEqual({ out: "", err: sentence, exitCode: 2 });
  });
});
