import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { airCommand } from "../../src/commands/air.ts";
import { reportCommand } from "../../src/commands/report.ts";
import { gapsCommand, gatewaysCommand, nodesCommand } from "../../src/commands/view-commands.ts";
import { GapsView } from "../../src/contract/gaps.ts";
import * as contract from "../../src/contract/index.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { serviceUnderTest } from "../service/parts.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { keepalives, moment, windowOf } from "../views/a-site.ts";
import { run } from "./run-command.ts";

const NODES = ["01A2B3C4", "01A2B3C5", "01A2B3C6"] as const;
const HOUR = 3_600;

/**
 * Three nodes send every minute for three hours at SF9, -97 dBm and -5 dB. The first is silent from minute 60 to 89. The
 * gateway is unreachable from 120 to 126 min; the second loses every tenth frame of the last 50 on the air.
 */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [...keepalives(SHED, 0, 120 * 60), ...keepalives(SHED, 126 * 60, 3 * HOUR)];
  NODES.forEach((node, i) => {
    let counter = 10 * i;
    for (let minute = 0; minute < 180; minute++) {
      if (i === 0 && minute >= 60 && minute < 90) continue;
      counter += 1;
      if (minute >= 120 && minute < 126) continue;
      if (i === 1 && minute >= 130 && minute % 10 === 5) continue;
      const packet = { payload: phy(node, counter), snrDb: -5, rssiDbm: -97 };
      all.push(push(SHED, minute * 60 + 7 * (i + 1), [packet], minute));
    }
  });
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

let folder: string;
let path: string;
let reader: Store;
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-truth-"));
  path = join(folder, "site.db");
  const store = openStore(path);
  const recorder = new Recorder(store, judgeGap);
  recorder.record(traffic());
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  recorder.close();
  store.close();
  reader = openReader(path);
});
afterAll(() => {
  reader.close();
  rmSync(folder, { recursive: true });
});

/**
 * The facts, worked by hand. The first sends 60 + 30 + 54 heard frames, the others 120 + 54, the second less 5. All miss
 * six in the outage, which lasts from the keepalive at 119:50 to the one at 126:00. A frame of 17 octets at SF9 has 8 + 20
 * symbols and 12.25 of preamble, each 4.096 ms: 164.864 ms. The noise of -97 dBm at -5 dB is
 * -97 - 10 log10(1 + 10^-0.5) = -98.2 dBm; the floor of SF9 is -12.5 dB, the margin so 7.5 dB. The 487 frames share the
 * 10,790 s that were recorded: up to the last keepalive.
 */
const FACTS = {
  nodes: 3,
  gateways: 1,
  receptions: 487,
  heard: [144, 169, 174],
  expected: [150, 180, 180],
  missed: [6, 11, 6],
  missedInOutage: [6, 6, 6],
  deliveryPercent: ["96.0", "93.9", "96.7"],
  lastHeard: [moment(10_747), moment(10_754), moment(10_761)],
  gatewayLastHeard: moment(10_790),
  rhythmSeconds: [60, 60, 60],
  marginDb: [7.5, 7.5, 7.5],
  outages: [{ from: moment(7_190), to: moment(7_560) }],
  outageWords: "6 min 10 s",
  gaps: 4,
  byCause: { "gateway-unreachable": 3, "node-silent": 1 },
  openGaps: 0,
  missedInGaps: 18,
  busiestHz: 868_300_000,
  busyShare: (487 * 0.164864) / 10_790,
  noiseDbm: -98.2,
} as const;

type Answers = {
  readonly nodes: contract.NodesView;
  readonly gateways: contract.GatewaysView;
  readonly site: contract.SiteView;
  readonly gaps: GapsView;
  readonly air: contract.AirView;
};

/** With one kind of space. */
function plain(text: string): string {
  return text.replace(/[\u202F\u00A0]/g, " ");
}

/** The facts as the answers give them; each that stands in two answers is compared between them. */
function factsOf({ nodes, gateways, site, gaps, air }: Answers): unknown {
  const [gateway] = gateways.gateways;
  const [channel] = air.channels;
  expect(site.gateways).toEqual(gateways.gateways);
  expect(site.nodeCount).toBe(nodes.nodes.length);
  expect(gateway?.receptions).toBe(nodes.nodes.reduce((sum, row) => sum + row.receptions, 0));
  expect(channel?.receptions).toBe(gateway?.receptions);
  expect(site.air[0]?.busiestFrequencyHz).toBe(channel?.frequencyHz);
  expect(site.air[0]?.busiestUtilisation).toBeCloseTo(channel?.utilisation ?? 0, 9);
  expect(site.events.reduce((sum, one) => sum + one.gaps, 0)).toBe(gaps.counts.own.gaps);
  expect(site.events.reduce((sum, one) => sum + one.missedCounters, 0)).toBe(gaps.counts.own.missedCounters);
  expect(gaps.counts.own).toMatchObject({
    gaps: gaps.gaps.length,
    open: gaps.gaps.filter((g) => g.open).length,
  });
  expect(gaps.counts).toMatchObject(gaps.counts.own);
  const each = <Value>(of: (row: contract.NodeRow) => Value) => nodes.nodes.map(of);
  return {
    nodes: nodes.nodes.length,
    gateways: gateways.gateways.length,
    receptions: gateway?.receptions,
    heard: each(({ heard }) => heard),
    expected: each(({ expected }) => expected),
    missed: each(({ missed }) => missed),
    missedInOutage: each(({ missedDuringOutage }) => missedDuringOutage),
    deliveryPercent: each(({ deliveryRatio }) => (100 * (deliveryRatio ?? 0)).toFixed(1)),
    lastHeard: each(({ lastHeard }) => lastHeard),
    gatewayLastHeard: gateway?.lastHeard,
    rhythmSeconds: each(({ rhythmSeconds }) => rhythmSeconds),
    marginDb: each(({ marginDb }) => marginDb.median),
    outages: gateway?.outages,
    outageWords: /once, (.*)$/.exec(plain(gateway?.clause ?? ""))?.[1],
    gaps: gaps.counts.gaps,
    byCause: gaps.counts.byCause,
    openGaps: gaps.counts.open,
    missedInGaps: gaps.counts.missedCounters,
    busiestHz: channel?.frequencyHz,
    busyShare: expect.closeTo(channel?.utilisation ?? 0, 9),
    noiseDbm: channel?.noiseFloorDbm,
  };
}

const WINDOW = windowOf(0, 3 * HOUR);
const asked = () => ["--db", path, "--from", moment(0), "--to", moment(3 * HOUR)];

describe("twenty-one facts of one store", () => {
  it("are in the views as worked by hand", () => {
    const answers: Answers = {
      nodes: nodesView(reader, WINDOW),
      gateways: gatewaysView(reader, WINDOW),
      site: siteView(reader, WINDOW),
      gaps: gapsView(reader, WINDOW),
      air: airView(reader, WINDOW),
    };
    expect(FACTS).toEqual(factsOf(answers));
  });

  it("are the same when asked for over HTTP", async () => {
    const { app } = await serviceUnderTest({ views: storeViews(reader) });
    const ask = async (view: string) =>
      (await app.inject(`/api/${view}?from=${moment(0)}&to=${moment(3 * HOUR)}`)).json<unknown>();
    const answers: Answers = {
      nodes: contract.NodesView.parse(await ask("nodes")),
      gateways: contract.GatewaysView.parse(await ask("gateways")),
      site: contract.SiteView.parse(await ask("site")),
      gaps: GapsView.parse(await ask("gaps")),
      air: contract.AirView.parse(await ask("air")),
    };
    expect(FACTS).toEqual(factsOf(answers));
  });

  it("are the same in the text of the commands", async () => {
    const nodes = plain((await run(nodesCommand(), ...asked())).out);
    expect(nodes).toContain("3 nodes were heard");
    NODES.forEach((node, i) => {
      const row = nodes.split("\n").find((line) => line.startsWith(node)) ?? "";
      const [, , heard, missed, outage, delivery] = row.split(/ +/);
      expect([heard, missed, outage, delivery]).toEqual([
        ...[FACTS.heard[i], FACTS.missed[i], FACTS.missedInOutage[i]].map(String),
        FACTS.deliveryPercent[i],
      ]);
      expect(row).toMatch(new RegExp(` 7\\.5 +1 min +${FACTS.lastHeard[i]} `));
      expect(row).toMatch(new RegExp(`of ${FACTS.expected[i]}, 6 missed while no gateway`));
    });
    const gateways = plain((await run(gatewaysCommand(), ...asked())).out);
    const row = gateways.split("\n").find((line) => line.startsWith(SHED)) ?? "";
    expect(row.split(/ +/).slice(1, 5)).toEqual([String(FACTS.receptions), "0", "10.0", "1"]);
    expect(row).toContain(FACTS.gatewayLastHeard);
    expect(row).toContain(`unreachable once, ${FACTS.outageWords}`);
    const gaps = plain((await run(gapsCommand(), ...asked())).out);
    expect(gaps).toContain("4 gaps of 3 nodes in this window of 3 h: gateway unreachable 3, node silent 1.");
    expect(gaps).toContain(`missed ${FACTS.missedInGaps} counters together`);
    expect(gaps).not.toContain("still going on");
    const air = plain((await run(airCommand(), ...asked())).out);
    expect(air).toMatch(/868\.3/);
    expect(air).toMatch(/98\.2/);
    expect(air).toMatch(/0\.74/);
  });

  it("are the same in the report", async () => {
    const file = join(folder, "report.html");
    await run(reportCommand("9.9.9"), ...asked(), "--zone", "UTC", "-o", file);
    const html = readFileSync(file, "utf8");
    const text = plain(html)
      .replace(/<style[\s\S]*?<\/style>/g, "")
      .replace(/<[^>]+>/g, "|")
      .replace(/\|+/g, "|");
    expect(text).toContain("487 receptions by 1 gateway, of 3 own nodes and 0 strangers");
    expect(text).toContain(`unreachable once, ${FACTS.outageWords}`);
    expect(text).toContain("4 gaps of 3 nodes in this window of 3 h: gateway unreachable 3, node silent 1");
    NODES.forEach((node, i) => {
      const rows = text.split(`${node}/1`).map((after) => after.slice(0, 400));
      expect(rows).toContainEqual(expect.stringContaining(`${FACTS.deliveryPercent[i]} %`));
    });
    expect(text).toMatch(/868\.3/);
    expect(text).toMatch(/98\.2/);
  });
});
