import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { benchCommand } from "../../src/commands/bench.ts";
import { reportCommand } from "../../src/commands/report.ts";
import { gapsCommand, gatewaysCommand, nodesCommand } from "../../src/commands/view-commands.ts";
import type { NodePage, NodeRow } from "../../src/contract/nodes.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { benchTable, benchView } from "../../src/views/bench.ts";
import { gapPage } from "../../src/views/gap-page.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { CAUSE_LABELS, confidenceText, confidenceWords, episodeTitle } from "../../src/words/causes.ts";
import { percent } from "../../src/words/format.ts";
import { decoded } from "../store/traffic.ts";
import { MAST, orchardScenario } from "../views/a-played-site.ts";
import { run } from "./run-command.ts";

const FROM = "2026-04-14T04:00:00.000Z";
const TO = "2026-04-14T06:00:00.000Z";
const WINDOW = { fromUs: Date.parse(FROM) * 1000, toUs: Date.parse(TO) * 1000, live: false };

let folder: string;
let path: string;
let reader: Store;
/** Two hours of ten nodes; the mast is out of reach for ten minutes, and one node fades. */
beforeAll(() => {
  const scenario = orchardScenario({
    duration: "2:00:00",
    nodes: 10,
    rhythmSeconds: 60,
    events: [
      { event: "gateway-unreachable", gateway: MAST, from: "0:50:00", to: "1:00:00" },
      { event: "node-silent", node: "Probe 3", from: "1:15:00", to: "1:45:00" },
    ],
  });
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: WINDOW.fromUs, speed: 1 };
  const sent = captureSite(playSite(read.scenario, createRandom(4), clock), read.scenario, clock);
  folder = mkdtempSync(join(tmpdir(), "mastlog-truth-"));
  path = join(folder, "site.db");
  const store = openStore(path);
  const recorder = new Recorder(store, judgeGap);
  const arrived = sent
    .filter(({ to }) => to.port === 1700)
    .map((one) => decoded({ ...one, door: "capture" }));
  for (let i = 0; i < arrived.length; i += 200) recorder.record(arrived.slice(i, i + 200));
  recorder.endCapture();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  recorder.close();
  store.close();
  reader = openReader(path);
});
afterAll(() => {
  reader.close();
  rmSync(folder, { recursive: true });
});

function pages(): { row: NodeRow; page: NodePage }[] {
  return nodesView(reader, WINDOW).nodes.map((row) => {
    const page = nodePage(reader, WINDOW, row.devAddr, row.life);
    if (page === null) throw new Error(`no page of ${row.devAddr}`);
    return { row, page };
  });
}

/** With one kind of space, and without the marks of HTML. */
function plain(text: string): string {
  return text
    .replace(/<style[\s\S]*?<\/style>/g, "")
    .replace(/<[^>]+>/g, "|")
    .replace(/[\u202F\u00A0]/g, " ");
}

const asked = () => ["--db", path, "--from", FROM, "--to", TO];

describe("one fact of a simulated site", () => {
  it("is the same in the list of nodes, on a node's page and on the page of its link", () => {
    const all = pages();
    expect(all).toHaveLength(10);
    expect(all.reduce((sum, { row }) => sum + row.missed, 0)).toBeGreaterThan(50);
    for (const { row, page } of all) {
      const { why: _why, ...figures } = page.row;
      expect(row).toMatchObject(figures);
      const ticks = (fate: string) => page.ticks.filter((tick) => tick.fate === fate).length;
      expect([ticks("heard"), ticks("missed-during-outage"), ticks("not-recorded")]).toEqual([
        row.heard,
        row.missedDuringOutage,
        row.missedNotRecorded,
      ]);
      expect(page.ticks.length - ticks("heard")).toBe(row.missed);
      expect(page.gaps.reduce((sum, { missed }) => sum + missed, 0)).toBe(row.missed);
      expect(page.gaps.reduce((sum, gap) => sum + gap.missedDuringOutage, 0)).toBe(row.missedDuringOutage);
      expect(row.expected).toBe(row.heard + row.missed);
      // One gateway: what it heard is what the site heard.
      const [gateway] = page.gateways;
      expect(gateway).toMatchObject({ heard: row.heard, marginDb: row.marginDb, rssiDbm: row.rssiDbm });
      expect(gateway?.deliveryRatio).toBeCloseTo(row.heard / row.expected, 9);
      // On the way itself only what was sent while the gateway could be reached counts.
      const [link] = page.links;
      const onTheWay = row.expected - row.missedDuringOutage - row.missedNotRecorded;
      expect(link?.delivery.ratio).toBeCloseTo(row.heard / onTheWay, 9);
      expect(link?.margin.medianDb).toBeCloseTo(row.marginDb.median ?? Number.NaN, 1);
      const [series] = page.series;
      expect(series?.marginDb.filter((value) => value !== null)).toHaveLength(row.marginDb.count);
    }
  });

  it("is the same in the list of gaps and on the page of each gap", () => {
    const { gaps, counts, episodes } = gapsView(reader, WINDOW);
    expect(gaps.length).toBeGreaterThan(9);
    for (const gap of gaps.filter(({ open }) => !open))
      expect(gapPage(reader, gap.id)?.gap).toMatchObject({ ...gap, episode: null });
    expect(counts.gaps).toBe(gaps.length);
    expect(counts.missedCounters).toBe(gaps.reduce((sum, gap) => sum + gap.missedCounters, 0));
    const shared = episodes.find(({ finding }) => finding.cause === "gateway-unreachable");
    expect(shared?.missedCounters).toBe(
      gaps.filter(({ episode }) => episode === shared?.id).reduce((sum, gap) => sum + gap.missedCounters, 0),
    );
    const { events } = siteView(reader, WINDOW);
    expect(events.reduce((sum, one) => sum + one.gaps, 0)).toBe(counts.own.gaps);
  });

  it("is the same in the list of gateways, on the bench and in its table", () => {
    const [gateway] = gatewaysView(reader, WINDOW).gateways;
    const view = benchView(reader, WINDOW, MAST);
    const [row] = benchTable(reader, WINDOW).gateways;
    const item = (id: string) => view?.items.find((one) => one.id === id);
    expect(item("keepalives")?.value).toBeCloseTo(gateway?.keepaliveSeconds ?? Number.NaN, 1);
    expect(gateway?.outages).toHaveLength(1);
    expect(item("keepalives")?.reason).toMatch(/1 silence/);
    expect(gateway?.restarts).toBe(0);
    expect(item("restarts")?.state).toBe("pass");
    expect(item("region")?.figure).toBe(gateway?.region.name);
    expect(row).toMatchObject({ verdict: view?.verdict, lastHeard: gateway?.lastHeard });
    expect(view?.lastHeard).toBe(gateway?.lastHeard);
    const received = nodesView(reader, WINDOW).nodes.reduce((sum, node) => sum + node.receptions, 0);
    expect(gateway?.receptions).toBe(received);
  });

  it("is the same in the text of the commands and in the report", async () => {
    const { nodes } = nodesView(reader, WINDOW);
    const { gaps, counts } = gapsView(reader, WINDOW);
    const text = plain((await run(nodesCommand(), ...asked())).out).split("\n");
    for (const node of nodes) {
      const line = text.find((one) => one.startsWith(node.devAddr)) ?? "";
      const words = ` ${node.heard} +${node.missed} +${node.missedDuringOutage} +`;
      expect(line).toMatch(new RegExp(words));
      expect(line).toContain(node.lastHeard);
    }
    const listed = plain((await run(gapsCommand(), ...asked())).out);
    expect(listed).toContain(`${counts.own.gaps} gaps of`);
    for (const { devAddr, from, missedCounters, finding } of gaps)
      expect(listed.split("\n")).toContainEqual(
        expect.stringMatching(new RegExp(`^${devAddr} .*${from}.* ${missedCounters} +${finding.cause} `)),
      );
    const [gateway] = gatewaysView(reader, WINDOW).gateways;
    const row = plain((await run(gatewaysCommand(), ...asked())).out);
    expect(row).toMatch(new RegExp(`${MAST} +${gateway?.receptions} `));
    const view = benchView(reader, WINDOW, MAST);
    const bench = plain((await run(benchCommand(), MAST, ...asked())).out);
    for (const { title, state } of view?.items ?? [])
      expect(bench).toMatch(new RegExp(`${state} +${title.replace(/[()]/g, "\\$&")}`));
    const file = join(folder, "report.html");
    await run(reportCommand("9.9.9"), ...asked(), "--zone", "UTC", "-o", file);
    const report = plain(readFileSync(file, "utf8"));
    expect(report).toContain(plain(gateway?.clause ?? "none"));
    expect(report).toContain(`${counts.own.gaps} gaps of`);
    // Whom it struck, why, and how sure that is: in one wording everywhere.
    const named = gaps.filter(({ finding }) => finding.cause !== "unexplained");
    expect(named.length).toBeGreaterThan(1);
    for (const { episode, finding, devAddr, from } of named) {
      const line = listed.split("\n").find((one) => one.startsWith(devAddr) && one.includes(from)) ?? "";
      expect(line).toContain(` ${plain(confidenceText(finding.confidence))} `);
      if (episode !== null) continue;
      const why = `${CAUSE_LABELS[finding.cause]}: ${confidenceWords(finding)}.`;
      expect(report.toLowerCase()).toContain(plain(why));
    }
    const { episodes } = gapsView(reader, WINDOW);
    expect(episodes.length).toBeGreaterThan(0);
    for (const episode of episodes) expect(report).toContain(plain(episodeTitle(episode)));
    for (const node of nodes)
      expect(rowsOf(report, `${node.devAddr}/${node.life}`)).toContainEqual(
        expect.stringContaining(plain(percent(node.deliveryRatio))),
      );
  });
});

/** What follows each place where a node is named: in the drawings of gaps, and in the table of nodes. */
function rowsOf(report: string, node: string): string[] {
  return report
    .split(node)
    .slice(1)
    .map((after) => after.slice(0, 400));
}
