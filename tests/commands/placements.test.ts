import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { expect, onTestFinished, test } from "vitest";
import { placementsCommand } from "../../src/commands/placements.ts";
import { openStore } from "../../src/store/open.ts";
import { PNG_DOT } from "../wire/picture/pictures.ts";
import { run as runCommand } from "./run-command.ts";

function emptyStore(): string {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-placements-"));
  onTestFinished(() => rmSync(folder, { recursive: true }));
  const db = join(folder, "site.db");
  openStore(db).close();
  return db;
}

test("a placement is noted, changed, listed and removed by its number", async () => {
  const db = emptyStore();
  const run = (...args: string[]) => runCommand(placementsCommand(), ...args, "--db", db);
  await run("add", "Tower mast", "02005e1000000002", "--from", "2026-04-14T08:00:00Z", "--gain", "6");
  await run("add", "Left", "02005E1000000004/0", "--from", "2026-04-14T09:00:00Z");
  const edited = await run("edit", "1", "--height", "17.5", "--gain", "", "--note", "old pole");
  expect(edited.out).toBe("Placement 1 is changed.\n");
  const listed = await run("list", "--json");
  expect(JSON.parse(listed.out).placements).toMatchObject([
    { id: 1, name: "Tower mast", antenna: null, heightM: 17.5, antennaGainDbi: null, note: "old pole" },
    { id: 2, name: "Left", gatewayEui: "02005E1000000004", antenna: 0 },
  ]);
  await run("remove", "2");
  const table = await run("list");
  expect(table.out).toContain("Tower mast");
  expect(table.out).not.toContain("Left");
});

test("a placement takes a photo and gives it back, and no file that is none", async () => {
  const db = emptyStore();
  const run = (...args: string[]) => runCommand(placementsCommand(), ...args, "--db", db);
  await run("add", "Tower mast", "02005e1000000002", "--from", "2026-04-14T08:00:00Z");
  const file = join(db, "..", "mast.png");
  writeFileSync(file, PNG_DOT);
  expect((await run("photo", "1", file)).out).toBe("Placement 1 has this photo.\n");
  const { placements } = JSON.parse((await run("list", "--json")).out);
  expect(placements[0].photo).toMatch(/^\/api\/placements\/1\/photo\?v=[0-9a-f]{12}$/);
  expect((await run("photo", "2", file)).err).toBe("No placement has this number.\n");
  writeFileSync(file, "<svg/>");
  expect((await run("photo", "1", file)).err).toContain("is neither JPEG nor PNG");
  await run("photo", "1");
  expect(JSON.parse((await run("list", "--json")).out).placements[0].photo).toBeNull();
});

test.each([
  [["add", "Mast", "tower"], "A gateway is named by its EUI of 16 hex digits, an antenna by EUI/number."],
  [["add", "Mast", "02005E1000000002", "--loss", "-3"], "--loss takes dB, from 0 to 60."],
  [
    ["add", "Mast", "02005E1000000002", "--from", "noon"],
    "--from takes a time such as 2026-03-14T09:00:00Z.",
  ],
  [["edit", "9", "--note", "x"], "No placement has this number."],
  [["remove", "first"], "A placement is named by its number."],
])("what cannot be done is said in one sentence: %j", async (args, sentence) => {
  const result = await runCommand(placementsCommand(), ...args, "--db", emptyStore());
  expect(result.err).toBe(`${sentence}\n`);
  expect(result.exitCode).toBe(2);
});
