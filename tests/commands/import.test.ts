import { copyFileSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { importCommand } from "../../src/commands/import.ts";
import { rebuildCommand } from "../../src/commands/store-file.ts";
import { nodesCommand } from "../../src/commands/view-commands.ts";
import { openStore } from "../../src/store/open.ts";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";
import { run } from "./run-command.ts";

const samples = fileURLToPath(new URL("../../sample-captures/", import.meta.url));
const bench = join(samples, "orchard-bench.pcap");
const twoAntennas = join(samples, "orchard-two-antennas.pcap.gz");
const morning = join(samples, "orchard-morning.pcap.gz");

let folder = "";
let db = "";
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-import-"));
  db = join(folder, "site.db");
});
afterEach(() => rmSync(folder, { recursive: true }));

function stored(sql: string): unknown {
  const store = openStore(db);
  const value = store.prepare(sql).pluck().get();
  store.close();
  return value;
}

/** A capture of packets heard at these seconds; `lateS` of them are that much longer on their way. */
function captureOf(name: string, heardS: readonly number[], lateS = 0): string {
  const writer = createPcapWriter();
  const datagrams = heardS.map((atS) => {
    const { arrival } = push(SHED, atS, [{ payload: phy("01A2B3C4", atS) }], atS);
    return writer.datagram({ ...arrival, atUs: arrival.atUs + lateS * 1e6 });
  });
  const path = join(folder, name);
  writeFileSync(path, Buffer.concat([writer.header, ...datagrams]));
  return path;
}

describe("mastlog import", () => {
  it("reads several files in the order of their time, whatever the order of their names", async () => {
    const evening = captureOf("a.pcap", [4_000, 4_060]);
    const noon = captureOf("b.pcap", [2_000, 2_060]);
    const dawn = captureOf("c.pcap", [0, 60]);
    const { out } = await run(importCommand(), evening, noon, dawn, "--db", db);
    expect(out.split("\n").map((line) => line.split(":")[0])).toEqual([dawn, noon, evening, ""]);
  });

  it("tells when a rebuild would date receptions otherwise, and is silent after files in order", async () => {
    // Only the earlier capture shows that the packet of the later one was held up for three seconds.
    const early = captureOf(
      "early.pcap",
      Array.from({ length: 12 }, (_, i) => 10 + i * 10),
    );
    const late = captureOf("late.pcap", [150], 3);
    const ordered = await run(importCommand(), late, early, "--db", join(folder, "ordered.db"));
    expect(ordered.out).not.toContain("out of order");
    await run(importCommand(), late, "--db", db);
    const { out } = await run(importCommand(), early, "--db", db);
    expect(out).toContain("Captures were read out of order: 1 reception is dated or judged otherwise");
    const newest = "SELECT max(at_us) FROM reception";
    expect(stored(newest)).toBe(START_US + 153e6);
    await run(rebuildCommand(), "--db", db);
    expect(stored(newest)).toBe(START_US + 150e6);
  });

  it("says what a capture held, and that a second reading changed nothing", async () => {
    const first = await run(importCommand(), bench, "--db", db);
    expect({ ...first, out: "" }).toEqual({ out: "", err: "", exitCode: 0 });
    expect(first.out).toMatch(
      /^\S+orchard-bench\.pcap: [\d\u202F]+ datagrams with [\d\u202F]+ receptions, from 20\S+Z to 20\S+Z[^\n]*\.\n$/,
    );
    const before = stored("SELECT count(*) FROM reception");
    const second = await run(importCommand(), bench, "--db", db);
    expect(second).toEqual({ out: `${bench}: was read before; nothing changed.\n`, err: "", exitCode: 0 });
    expect(stored("SELECT count(*) FROM reception")).toBe(before);
    expect(before).toBeGreaterThan(0);
  });

  it("knows a file by its content: another name, or unpacked, is the same capture", async () => {
    const packed = join(folder, "packed.pcap.gz");
    writeFileSync(packed, gzipSync(readFileSync(bench)));
    await run(importCommand(), packed, "--db", db);
    const unpacked = join(folder, "another-name.pcap");
    copyFileSync(bench, unpacked);
    const { out } = await run(importCommand(), unpacked, "--db", db);
    expect(out).toBe(`${unpacked}: was read before; nothing changed.\n`);
  });

  it("prints one JSON document for all its files", async () => {
    const { out, err } = await run(importCommand(), bench, twoAntennas, "--db", db, "--json");
    expect(err).toBe("");
    const { captures } = JSON.parse(out);
    expect(captures.map(({ file }: { file: string }) => file)).toEqual([bench, twoAntennas]);
    const receptions = captures.reduce((sum: number, one: { receptions: number }) => sum + one.receptions, 0);
    expect(receptions).toBe(stored("SELECT count(*) FROM reception"));
    expect(captures[0]).toMatchObject({ readBefore: false, damage: null, knownAlready: 0 });
  });

  it("gives the other commands what to tell", async () => {
    await run(importCommand(), bench, "--db", db);
    const { nodes } = JSON.parse((await run(nodesCommand(), "--db", db, "--json")).out);
    expect(nodes.length).toBeGreaterThan(3);
  });

  it.each([
    ["a text", (path: string) => writeFileSync(path, "Harvest begins on Monday.\n")],
    ["an empty file", (path: string) => writeFileSync(path, "")],
    ["a file that is not there", (path: string) => rmSync(path, { force: true })],
  ])("refuses %s in one line with exit code 2", async (_, make) => {
    const file = join(folder, "no-capture.pcap");
    make(file);
    const { out, err, exitCode } = await run(importCommand(), file, "--db", db);
    expect({ out, exitCode }).toEqual({ out: "", exitCode: 2 });
    expect(err).toMatch(/^\S+no-capture\.pcap: [^\n]+[.?]\n$/);
  });

  it("keeps what it read before the file that it could not read", async () => {
    const missing = join(folder, "missing.pcap");
    const { out, exitCode } = await run(importCommand(), bench, missing, "--db", db);
    expect(exitCode).toBe(2);
    expect(out).toContain("orchard-bench.pcap: ");
    expect(stored("SELECT count(*) FROM reception")).toBeGreaterThan(0);
  });

  it.each(["0", "65536", "seventeen"])("takes no port %s", async (port) => {
    expect(await run(importCommand(), bench, "--db", db, "--udp-port", port)).toEqual({
      out: "",
      err: "--udp-port takes a number from 1 to 65535.\n",
      exitCode: 2,
    });
    expect(existsSync(db)).toBe(false);
  });
});

describe("mastlog rebuild", () => {
  it("derives again what was there, and leaves the answers as they were", async () => {
    await run(importCommand(), morning, "--db", db);
    const nodes = async () => JSON.parse((await run(nodesCommand(), "--db", db, "--json")).out);
    const before = await nodes();
    const { out, err, exitCode } = await run(rebuildCommand(), "--db", db);
    expect({ err, exitCode }).toEqual({ err: "", exitCode: 0 });
    expect(out).toMatch(/^[\d\u202F]+ receptions gone through\.\n$/);
    expect(await nodes()).toEqual(before);
  });

  it("refuses a file that is no store", async () => {
    copyFileSync(bench, db);
    const { out, err, exitCode } = await run(rebuildCommand(), "--db", db);
    expect({ out, exitCode }).toEqual({ out: "", exitCode: 2 });
    expect(err).toMatch(/^The store \S+site\.db is damaged: [^\n]+\n$/);
  });
});
