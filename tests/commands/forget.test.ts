import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { forgetCommand } from "../../src/commands/store-file.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { run } from "./run-command.ts";

let folder = "";
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-forget-"));
  const db = openStore(join(folder, "site.db"));
  const payload = phy("01A2B3C4", 1);
  new Recorder(db).record([push(SHED, 0, [{ payload }]), push(TOWER, 0.1, [{ payload }])]);
  db.close();
});
afterEach(() => rmSync(folder, { recursive: true }));

const forget = (...words: string[]) => run(forgetCommand(), ...words, "--db", join(folder, "site.db"));

describe("mastlog forget", () => {
  it("says what will go and does nothing without --yes where nobody can be asked", async () => {
    const { err, exitCode } = await forget("gateway", TOWER);
    expect({ err, exitCode }).toEqual({
      err: `To forget the gateway ${TOWER} takes away 1 datagram, 1 reception, its name and its place. Add --yes to do it.\n`,
      exitCode: 2,
    });
    expect((await forget("gateway", TOWER, "--yes")).out).toContain("is forgotten");
  });

  it("forgets a gateway, and knows it no more", async () => {
    expect(JSON.parse((await forget("gateway", TOWER.toLowerCase(), "--yes", "--json")).out)).toMatchObject({
      forgotten: { datagrams: 1, receptions: 1, frames: 0 },
    });
    expect(await forget("gateway", TOWER, "--yes")).toMatchObject({
      err: `No gateway ${TOWER} is in this store.\n`,
      exitCode: 2,
    });
  });

  it("forgets a node with all its lives", async () => {
    expect((await forget("node", "01A2B3C4", "--yes")).out).toBe(
      "The node 01A2B3C4 is forgotten. Gone: 2 receptions, 1 frame, its name and its place.\n",
    );
    expect((await forget("node", "tower", "--yes")).exitCode).toBe(2);
  });
});
