/**
 * Does a question narrowed to a site have the answer of a store that holds that site alone? Two sites with nodes of
 * their own, in one store: each view over each site, against the same traffic recorded by itself.
 */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { afterEach, describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { windowParts } from "../../src/store/hours/gathered.ts";
import { dropGathered } from "../../src/store/hours/hour-gatherer.ts";
import { narrowToSite } from "../../src/store/narrowed.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { joinsView } from "../../src/views/joins.ts";
import { listNodes, nodesView } from "../../src/views/nodes.ts";
import { planView } from "../../src/views/plan.ts";
import { reportData } from "../../src/views/report.ts";
import { siteView } from "../../src/views/site.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { joinRequest, phy, pull, push, START_US } from "../store/traffic.ts";

const HOURS = 4;
const SITES = {
  Orchard: ["02005E1000000001", "02005E1000000002"],
  Quarry: ["02005E1000000011", "02005E1000000012"],
} as const;
type SiteName = keyof typeof SITES;
const NAMES = ["Orchard", "Quarry"] as const;

interface Drawn {
  readonly seed: number;
  /** Nodes of each site. */
  readonly nodes: number;
  /** When a whole site was silent, in seconds; none: never. */
  readonly silence: readonly [number, number] | null;
  /** Which site was; both when left out. */
  readonly silent?: SiteName;
}

/** A site's traffic: two gateways, nodes that each lose some frames and are silent for a while, joins, damaged packets. */
function trafficOf(site: SiteName, { seed, nodes, silence, silent = site }: Drawn): DecodedArrival[] {
  let state = (seed + 1) * (site === "Orchard" ? 1 : 7_919);
  const chance = () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fff_ffff;
    return state / 0x8000_0000;
  };
  const isSilent = (s: number) => site === silent && silence !== null && s > silence[0] && s < silence[1];
  const all: DecodedArrival[] = [];
  let token = 0;
  for (const [gateway, eui] of SITES[site].entries())
    for (let s = 1 + gateway; s < HOURS * 3_600; s += 20)
      if (!isSilent(s)) all.push(pull(eui, s, token++ % 65_536));
  for (let node = 0; node < nodes; node++) {
    const address = ((site === "Orchard" ? 0x0100_0000 : 0x0180_0000) + node).toString(16).padStart(8, "0");
    const quietS = 3_000 + chance() * 8_000;
    let counter = Math.floor(chance() * 65_536);
    for (let s = 5 + node * 7 + chance() * 9; s < HOURS * 3_600; s += 60 + node * 17) {
      const payload = phy(address.toUpperCase(), counter++);
      if (isSilent(s) || (node % 2 === 1 && s > quietS && s < quietS + 1_200)) continue;
      const frequencyHz = 868_100_000 + Math.floor(chance() * 3) * 200_000;
      for (const [gateway, eui] of SITES[site].entries()) {
        if (chance() < 0.12) continue;
        const atS = s + gateway * 0.03;
        const heard = {
          payload,
          frequencyHz,
          snrDb: Math.round(chance() * 60) / 4 - 8,
          rssiDbm: -90 - Math.round(chance() * 30),
          crc: chance() < 0.03 ? ("bad" as const) : ("ok" as const),
        };
        all.push(push(eui, atS, [heard], token++ % 65_536));
      }
    }
  }
  for (let s = 300; s < HOURS * 3_600; s += 1_500)
    if (!isSilent(s))
      all.push(
        push(SITES[site][0], s, [
          { payload: joinRequest(`02005E10000000${site === "Orchard" ? "A1" : "B1"}`, s) },
        ]),
      );
  return all;
}

const folders: string[] = [];
afterEach(() => {
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true, force: true });
});

/** What a service recorded of these sites, each gateway put into its own. */
function storeOf(sites: readonly SiteName[], drawn: Drawn, more: readonly DecodedArrival[] = []): Store {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-sites-"));
  folders.push(folder);
  const path = join(folder, "store.db");
  const db = openStore(path);
  const recorder = new Recorder(db, judgeGap);
  recorder.listen(START_US, "start");
  for (const site of sites)
    for (const id of SITES[site]) recorder.write((store) => writeLabel(store, { kind: "gateway", id, site }));
  const all = [...sites.flatMap((site) => trafficOf(site, drawn)), ...more]
    .map(({ arrival, ...rest }): DecodedArrival => ({ ...rest, arrival: { ...arrival, door: "udp" } }))
    .sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  for (let i = 0; i < all.length; i += 200) recorder.record(all.slice(i, i + 200));
  recorder.heartbeat(START_US + HOURS * 3_600e6, true);
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  db.close();
  return openReader(path);
}

const WINDOWS: AskedWindow[] = [
  { fromUs: START_US, toUs: START_US + HOURS * 3_600e6, live: false },
  { fromUs: START_US + 1_800e6, toUs: START_US + 5_000e6, live: false },
  { fromUs: START_US + (HOURS - 1) * 3_600e6, toUs: START_US + HOURS * 3_600e6, live: true },
];

function answers(store: Store, window: AskedWindow): Record<string, unknown> {
  const asked = { window, timeZone: "UTC", version: "0", madeAt: "2026-03-14T12:00:00.000Z" };
  return JSON.parse(
    JSON.stringify({
      site: siteView(store, window),
      nodes: nodesView(store, window),
      // Of a crowd only the listed are read.
      few: listNodes(store, window, 2),
      air: airView(store, window),
      gaps: gapsView(store, window),
      gateways: gatewaysView(store, window),
      joins: joinsView(store, window),
      plan: planView(store, window, []),
      ...(window === WINDOWS[0] ? { report: reportData(store, asked) } : {}),
    }),
  ) as Record<string, unknown>;
}

function narrowed(store: Store, site: string): Store {
  narrowToSite(store, site);
  return store;
}

/** 40 frames of one node, a minute apart: heard better at the quarry. */
function sharedNode(): DecodedArrival[] {
  return Array.from({ length: 40 }, (_, i) => {
    const heard = { payload: phy("0100FFFF", 100 + i), frequencyHz: 868_500_000, spreadingFactor: 8 };
    const atS = 400 + i * 60;
    const atOrchard = push(SITES.Orchard[0], atS, [{ ...heard, snrDb: -3 }], 60_000 + i);
    const atQuarry = push(SITES.Quarry[0], atS + 0.1, [{ ...heard, snrDb: 5 }], 61_000 + i);
    if (i < 10) return [atOrchard, atQuarry];
    return [i < 30 ? atQuarry : atOrchard];
  }).flat();
}

const drawing = fc.record({
  seed: fc.nat(9_999),
  nodes: fc.integer({ min: 1, max: 5 }),
  silence: fc.option(fc.constantFrom<[number, number]>([6_000, 7_900], [9_000, 9_500])),
  silent: fc.constantFrom<SiteName>("Orchard", "Quarry"),
});

describe("a question narrowed to a site", { timeout: 240_000 }, () => {
  it("is answered as by a store that holds this site alone", () => {
    fc.assert(
      fc.property(drawing, (drawn) => {
        const both = storeOf(NAMES, drawn);
        for (const site of NAMES) {
          const alone = narrowed(storeOf([site], drawn), site);
          for (const window of WINDOWS) {
            const expected = answers(alone, window);
            for (const [view, answer] of Object.entries(answers(narrowed(both, site), window)))
              expect(answer, `${site}, ${view}`).toEqual(expected[view]);
          }
          alone.close();
        }
        both.close();
      }),
      { numRuns: 2, endOnFailure: true },
    );
  });

  it("is answered for each node as in the list of all sites: another site's gateways are no help to it", () => {
    const both = storeOf(NAMES, { seed: 5, nodes: 3, silence: [6_000, 7_900], silent: "Orchard" });
    const [whole] = WINDOWS;
    if (whole === undefined) throw new Error("no window");
    const all = nodesView(both, whole).nodes;
    const each = NAMES.flatMap((site) => nodesView(narrowed(both, site), whole).nodes);
    expect(all).toEqual(each);
    for (const { devAddr, missedDuringOutage } of all)
      expect(missedDuringOutage > 5, devAddr).toBe(devAddr < "01800000");
    both.close();
  });

  it("has gathered hours and gaps to rest on", () => {
    const both = storeOf(NAMES, { seed: 1, nodes: 4, silence: [6_000, 7_900] });
    const [whole] = WINDOWS;
    if (whole === undefined) throw new Error("no window");
    expect(windowParts(both, whole).hours).not.toEqual([]);
    const ofAll = gapsView(both, whole).gaps.map(({ devAddr }) => devAddr);
    const ofSite = gapsView(narrowed(both, "Orchard"), whole).gaps.map(({ devAddr }) => devAddr);
    expect(ofSite).not.toEqual([]);
    expect(ofSite).toEqual(ofAll.filter((devAddr) => devAddr < "01800000"));
    both.close();
  });

  it("counts of a node that both sites hear what this site heard, from gathered hours and from rows", () => {
    const shared = sharedNode();
    const store = storeOf(NAMES, { seed: 2, nodes: 1, silence: null }, shared);
    const [whole] = WINDOWS;
    if (whole === undefined) throw new Error("no window");
    const rowAt = (site: SiteName) =>
      nodesView(narrowed(store, site), whole).nodes.find(({ devAddr }) => devAddr === "0100FFFF");
    // 40 frames, the first ten at both sites, the next twenty at the quarry alone, the last ten at the orchard alone.
    expect(rowAt("Orchard")).toMatchObject({
      frames: 20,
      receptions: 20,
      heard: 20,
      expected: 40,
      missed: 20,
      gateways: [SITES.Orchard[0]],
      snrDb: { median: -3 },
    });
    expect(rowAt("Quarry")).toMatchObject({
      frames: 30,
      receptions: 30,
      heard: 30,
      expected: 30,
      missed: 0,
      gateways: [SITES.Quarry[0]],
      snrDb: { median: 5 },
    });
    const gathered = NAMES.map((site) => answers(narrowed(store, site), whole));
    const { name } = store;
    store.close();
    const db = openStore(name);
    dropGathered(db);
    db.close();
    const rows = openReader(name);
    expect(NAMES.map((site) => answers(narrowed(rows, site), whole))).toEqual(gathered);
    rows.close();
  });

  it("has nothing of a site that was not heard yet, whatever was asked before", () => {
    const store = storeOf(["Quarry"], { seed: 3, nodes: 1, silence: null });
    const [whole] = WINDOWS;
    if (whole === undefined) throw new Error("no window");
    expect(answers(store, whole).gateways).toMatchObject({ gateways: [{}, {}] });
    const { name } = store;
    const db = openStore(name);
    writeLabel(db, { kind: "gateway", id: "02005E10000000FF", site: "Mill" });
    db.close();
    narrowToSite(store, "Mill");
    expect(answers(store, whole)).toMatchObject({
      site: { siteName: "Mill", gateways: [], empty: true },
      nodes: { nodes: [] },
      gateways: { gateways: [] },
    });
    narrowToSite(store, null);
    expect(gatewaysView(store, whole).gateways).toEqual([]);
    narrowToSite(store, "Quarry");
    expect(gatewaysView(store, whole).gateways).toHaveLength(2);
    store.close();
  });

  it("tells the names of the sites when there is none of this name", () => {
    const store = storeOf(["Quarry"], { seed: 3, nodes: 1, silence: null });
    expect(() => narrowToSite(store, "Orchard")).toThrow('No gateway belongs to a site "Orchard".');
    expect(gatewaysView(store, WINDOWS[0] as AskedWindow).gateways).toHaveLength(2);
    store.close();
  });
});
