import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { importCommand } from "../../src/commands/import.ts";
import { rebuildCommand } from "../../src/commands/store-file.ts";
import {
  gapsCommand,
  gatewaysCommand,
  joinsCommand,
  nodesCommand,
} from "../../src/commands/view-commands.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { addKeys, listKeys } from "../../src/store/keys.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { changePlacements, placements } from "../../src/store/placements.ts";
import { labels } from "../../src/store/queries/lives.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { changeMarks, NO_POSITION, writeLabel } from "../../src/store/user-data.ts";
import { run } from "../commands/run-command.ts";
import { pushAck } from "../store/down-traffic.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";

const bench = fileURLToPath(new URL("../../sample-captures/orchard-bench.pcap", import.meta.url));
const PROBE = "01A2B3C4";
let folder = "";
let stores: readonly [string, string] = ["", ""];
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-merge-"));
  stores = twoStores();
});
afterAll(() => rmSync(folder, { recursive: true }));

function uplinks(eui: string, fromS: number, count: number): DecodedArrival[] {
  return Array.from({ length: count }, (_, i) => i)
    .filter((i) => i % 7 !== 3)
    .map((i) => push(eui, fromS + i * 30, [{ payload: phy(PROBE, Math.round(fromS / 30) + i) }], 100 + i));
}

function keepalives(eui: string, fromS: number, count: number): DecodedArrival[] {
  return Array.from({ length: count }, (_, i) => pull(eui, fromS + i * 10, Math.round(fromS) + i));
}

/** A store that a service of its own recorded from one moment to another. */
function serviceStore(
  name: string,
  traffic: readonly (DecodedArrival | DownlinkArrival)[],
  [fromS, toS]: readonly [number, number],
  words: (db: Store) => void = () => undefined,
): string {
  const path = join(folder, name);
  const db = openStore(path);
  const recorder = new Recorder(db, judgeGap);
  recorder.listen(START_US + fromS * 1e6, "start");
  const inOrder = [...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  for (let i = 0; i < inOrder.length; i += 200)
    recorder.record(
      inOrder
        .slice(i, i + 200)
        .map((item) => ({ ...item, arrival: { ...item.arrival, door: "relay" as const } })),
    );
  recorder.heartbeat(START_US + toS * 1e6, true);
  recorder.write(words);
  recorder.takeUp();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  recorder.close();
  db.close();
  return path;
}

async function merged(name: string, ...stores: string[]): Promise<{ db: string; out: string }> {
  const db = join(folder, name);
  let out = "";
  for (const store of stores) {
    const printed = await run(importCommand(), store, "--db", db);
    expect(printed).toMatchObject({ exitCode: 0, err: "" });
    out += printed.out;
  }
  if (out.includes("mastlog rebuild")) await run(rebuildCommand(), "--db", db);
  return { db, out };
}

async function viewsOf(db: string): Promise<unknown[]> {
  const answers: unknown[] = [];
  for (const view of [nodesCommand, gatewaysCommand, gapsCommand, joinsCommand])
    answers.push(JSON.parse((await run(view(), "--json", "--db", db)).out));
  return answers;
}

function inside<T>(path: string, work: (db: Store) => T): T {
  const db = openStore(path);
  try {
    return work(db);
  } finally {
    db.close();
  }
}

const KEY = new Uint8Array(16).fill(7);
const mark = (atS: number, text: string) => ({
  atUs: START_US + atS * 1e6,
  untilUs: null,
  kind: "note" as const,
  text,
  gatewayEui: null,
  devAddr: null,
  ...NO_POSITION,
});
const placement = (name: string, gatewayEui: string) => ({
  gatewayEui,
  antenna: null,
  name,
  fromUs: START_US,
  heightM: 11,
  antennaGainDbi: 2,
  cableLossDb: null,
  direction: null,
  note: null,
});

/** Last week's and this week's recording of one site, with an hour that both heard, and words of two people. */
function twoStores(): readonly [string, string] {
  const shared = [...uplinks(SHED, 1800, 60), ...keepalives(SHED, 1800, 180)];
  const a = serviceStore(
    "a.db",
    [...uplinks(SHED, 0, 60), ...keepalives(SHED, 0, 180), ...shared, pushAck(0.02, 100)],
    [0, 3_600],
    (db) => {
      writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed", site: "Fennick Orchard" });
      changeMarks(db, { kind: "add", mark: mark(60, "cut the hedge") });
      changePlacements(db, { kind: "add", placement: placement("North parapet", SHED) });
      addKeys(db, [{ devAddr: PROBE, devEui: null, counterBits: null, keys: { nwkSKey: KEY }, note: null }]);
    },
  );
  const b = serviceStore(
    "b.db",
    [...shared, ...uplinks(TOWER, 3_600, 40), ...keepalives(TOWER, 3_600, 120)],
    [1_800, 4_800],
    (db) => {
      writeLabel(db, { kind: "node", id: PROBE, name: "Frost probe", own: true });
      writeLabel(db, { kind: "gateway", id: TOWER, site: "Hollow Quarry" });
      changeMarks(db, { kind: "add", mark: mark(60, "cut the hedge") });
      changeMarks(db, { kind: "add", mark: mark(4_000, "moved the mast") });
    },
  );
  return [a, b];
}

describe("another store read into this one", () => {
  it("gives one result in either order, with what people wrote", async () => {
    const [a, b] = stores;
    const ab = await merged("ab.db", a, b);
    const ba = await merged("ba.db", b, a);
    expect(await viewsOf(ab.db)).toEqual(await viewsOf(ba.db));
    for (const { db } of [ab, ba]) {
      // 60 and 60 and 40 uplinks, of which every seventh is lost; the shared ones once.
      expect(inside(db, (store) => store.prepare("SELECT count(*) FROM reception").pluck().get())).toBe(136);
      const told = inside(db, (store) => ({
        shed: labels(store, "gateway").get(SHED)?.name,
        sites: [SHED, TOWER].map((eui) => labels(store, "gateway").get(eui)?.site),
        probe: labels(store, "node").get(PROBE),
        marks: store.prepare("SELECT text FROM mark ORDER BY at_us").pluck().all(),
        placements: placements(store).map(({ name }) => name),
      }));
      expect(told).toEqual({
        shed: "Packing shed",
        sites: ["Fennick Orchard", "Hollow Quarry"],
        probe: { id: PROBE, name: "Frost probe", own: 1, site: null },
        marks: ["cut the hedge", "moved the mast"],
        placements: ["North parapet"],
      });
    }
  });

  it("changes nothing when it is read again, or holds what is here already", async () => {
    const [a, b] = stores;
    const { db } = await merged("again.db", a, b);
    const before = await viewsOf(db);
    const again = await run(importCommand(), a, b, "--db", db, "--json");
    const { stores: read } = JSON.parse(again.out) as {
      stores: { datagrams: number; receptions: number; marks: number }[];
    };
    expect(read.map(({ datagrams, receptions, marks }) => [datagrams, receptions, marks])).toEqual([
      [0, 0, 0],
      [0, 0, 0],
    ]);
    expect(await viewsOf(db)).toEqual(before);
  });

  it("gives an empty store the figures of the other one, its recorded time too", async () => {
    const [a] = stores;
    const { db } = await merged("copy.db", a);
    expect(await viewsOf(db)).toEqual(await viewsOf(a));
  });

  it("makes nobody silent who was recorded elsewhere", async () => {
    const [a] = stores;
    const c = serviceStore("c.db", keepalives(TOWER, 5_000, 300), [5_000, 8_000]);
    const { db } = await merged("elsewhere.db", a, c);
    const { gateways } = JSON.parse((await run(gatewaysCommand(), "--json", "--db", db)).out) as {
      gateways: { eui: string; outages: unknown[] }[];
    };
    // The shed was recorded until 3,600 s only; the machine that went on never heard it.
    expect(gateways.map(({ eui, outages }) => [eui, outages])).toEqual([
      [SHED, []],
      [TOWER, []],
    ]);
  });

  it("brings keys only when they are asked for", async () => {
    const [a] = stores;
    const without = await merged("without-keys.db", a);
    expect(inside(without.db, listKeys)).toEqual([]);
    const { out } = await run(importCommand(), a, "--keys", "--db", without.db);
    expect(out).toContain("1 set of keys");
    expect(inside(without.db, listKeys)).toMatchObject([{ devAddr: PROBE, holds: ["nwkSKey"] }]);
  });

  it("leaves this store's word where both say something else, and says so", async () => {
    const [a] = stores;
    const own = serviceStore("own.db", keepalives(SHED, 9_000, 5), [9_000, 9_100], (db) => {
      writeLabel(db, { kind: "gateway", id: SHED, name: "Shed roof" });
    });
    const { out } = await run(importCommand(), a, "--db", own);
    expect(out).toContain(`What stays as it was here: the name of ${SHED}.`);
    expect(inside(own, (db) => labels(db, "gateway").get(SHED)?.name)).toBe("Shed roof");
  });

  it("knows a capture that the other store read", async () => {
    const read = join(folder, "read.db");
    await run(importCommand(), bench, "--db", read);
    const { db } = await merged("with-capture.db", read);
    expect(await viewsOf(db)).toEqual(await viewsOf(read));
    expect((await run(importCommand(), bench, "--db", db)).out).toContain("was read before");
  });

  it("refuses to be the store itself", async () => {
    const [a] = stores;
    expect(await run(importCommand(), a, "--db", a)).toMatchObject({
      exitCode: 2,
      err: expect.stringContaining("is the store itself"),
    });
  });
});
