/** Does Prometheus read the figures that the API tells, in its own form, bounded in number and without waiting? */
import { mkdtempSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import parsePrometheus from "parse-prometheus-text-format";
import { expect, it, onTestFinished } from "vitest";
import * as contract from "../../src/contract/index.ts";
import { ServiceProblem } from "../../src/service/errors.ts";
import { storeViews } from "../../src/service/store-views.ts";
import type { AskedViews } from "../../src/service/views.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { serviceUnderTest } from "./parts.ts";

interface Sample {
  readonly name: string;
  readonly labels: Readonly<Record<string, string>>;
  readonly value: number;
}

const NAME = /^[a-zA-Z_:][a-zA-Z0-9_:]*$/;

/**
 * The text by the rules of the exposition format, version 0.0.4 (prometheus.io/docs/instrumenting/exposition_formats):
 * a HELP and a TYPE line at most once a metric and before its samples, all lines of a metric together, each series once,
 * every line ended by a line feed. Throws at a line that breaks one.
 */
function parseExposition(text: string): Sample[] {
  if (!text.endsWith("\n")) throw new Error("The last line has no line feed.");
  const samples: Sample[] = [];
  const told = new Set<string>();
  const finished = new Set<string>();
  const series = new Set<string>();
  let current = "";
  const begin = (name: string) => {
    if (!NAME.test(name) || (name !== current && finished.has(name)))
      throw new Error(`Not together: ${name}`);
    if (name !== current) finished.add(current);
    current = name;
  };
  for (const line of text.slice(0, -1).split("\n")) {
    if (line === "") continue;
    const comment = /^# (HELP|TYPE) (\S+) (.+)$/.exec(line);
    if (comment !== null) {
      const [, what = "", name = "", rest = ""] = comment;
      begin(name);
      if (told.has(`${what} ${name}`) || samples.some((one) => one.name === name)) throw new Error(line);
      if (what === "TYPE" && !["counter", "gauge"].includes(rest)) throw new Error(line);
      told.add(`${what} ${name}`);
      continue;
    }
    const sample = /^([^\s{]+)(?:\{(.*)\})? (\S+)$/.exec(line);
    if (sample === null) throw new Error(`No sample: ${line}`);
    const [, name = "", labelText = "", valueText = ""] = sample;
    begin(name);
    const labels: Record<string, string> = {};
    const rest = labelText.replaceAll(
      /([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\]|\\["\\n])*)"(?:,|$)/g,
      (_, label: string, value: string) => {
        labels[label] = value;
        return "";
      },
    );
    // As Go's ParseFloat reads it: in capitals or not.
    const isNoNumber = /^nan$/i.test(valueText);
    const value = isNoNumber ? Number.NaN : Number(valueText);
    if (rest !== "" || (Number.isNaN(value) && !isNoNumber)) throw new Error(`No sample: ${line}`);
    const key = `${name} ${JSON.stringify(Object.entries(labels).sort())}`;
    if (series.has(key)) throw new Error(`Twice: ${line}`);
    series.add(key);
    samples.push({ name, labels, value });
  }
  for (const { name } of samples)
    for (const what of ["HELP", "TYPE"]) expect(told).toContain(`${what} ${name}`);
  return samples;
}

function openOrchard() {
  const path = join(mkdtempSync(join(tmpdir(), "mastlog-metrics-")), "orchard.db");
  const db = openStore(path);
  const recorder = new Recorder(db);
  const reader = openReader(path);
  onTestFinished(() => {
    reader.close();
    recorder.close();
    db.close();
  });
  return { store: db, recorder, reader };
}

const NOW_US = START_US + 1_200e6;

async function scrape(given: Parameters<typeof serviceUnderTest>[0]) {
  const { app } = await serviceUnderTest({ now: () => NOW_US / 1000, ...given });
  const response = await app.inject("/metrics");
  expect(response.statusCode).toBe(200);
  const samples = parseExposition(response.body);
  // An outside reader finds the same: parse-prometheus-text-format 1.1.1.
  const read = parsePrometheus(response.body).flatMap(({ name, metrics }) =>
    metrics.map(({ labels = {}, value }) => ({ name, labels, value: Number(value) })),
  );
  expect(read).toEqual(samples);
  const figureOf = (name: string, labels: Record<string, string> = {}) =>
    samples.find((one) => one.name === name && JSON.stringify(one.labels) === JSON.stringify(labels))?.value;
  return { app, samples, figureOf };
}

it("tells gateways, channels and own nodes as the API does over the last hour", async () => {
  const { recorder, reader } = openOrchard();
  for (let i = 0; i < 20; i++) {
    // Counter 7 is never heard. Private addresses are one's own; 26… belongs to another network.
    if (i !== 7) recorder.record([push(SHED, i * 60, [{ payload: phy("01A2B3C4", i) }])]);
    recorder.record([
      push(TOWER, i * 60 + 5, [
        { payload: phy("26011F00", i), frequencyHz: 868_100_000 },
        { payload: phy("01A2B3C5", 9), frequencyHz: 868_500_000, crc: "bad", tmstUs: i },
      ]),
      pull(SHED, i * 60 + 10),
    ]);
  }
  const { app, samples, figureOf } = await scrape({ views: storeViews(reader) });
  const api = async (path: string) => (await app.inject(`${path}?last=3600`)).json<unknown>();

  // By hand: 19 of counters 0 to 19, the newest keepalive at 19 min 10 s, 20 of 40 packets wrong at the other.
  const shed = { gateway: SHED };
  expect(figureOf("mastlog_gateway_receptions", shed)).toBe(19);
  expect(figureOf("mastlog_gateway_last_keepalive_timestamp_seconds", shed)).toBe(START_US / 1e6 + 1_150);
  expect(figureOf("mastlog_gateway_last_keepalive_timestamp_seconds", { gateway: TOWER })).toBeUndefined();
  expect(figureOf("mastlog_gateway_crc_bad", { gateway: TOWER })).toBe(20);
  const node = { dev_addr: "01A2B3C4", life: "1" };
  expect([figureOf("mastlog_node_heard", node), figureOf("mastlog_node_missed", node)]).toEqual([19, 1]);
  expect(samples.filter(({ name }) => name === "mastlog_node_heard")).toHaveLength(1);
  expect(figureOf("mastlog_site_figures_known")).toBe(1);
  for (const of of ["gateways", "channels", "nodes"])
    expect(figureOf("mastlog_site_figures_cut", { of })).toBe(0);

  const { gateways } = contract.GatewaysView.parse(await api("/api/gateways"));
  expect(gateways).toHaveLength(2);
  for (const row of gateways) {
    const labels = { gateway: row.eui };
    expect(figureOf("mastlog_gateway_receptions", labels)).toBe(row.receptions);
    expect(figureOf("mastlog_gateway_crc_bad", labels)).toBe(row.crcBad);
    expect(figureOf("mastlog_gateway_datagrams", labels)).toBe(row.datagrams);
    expect(figureOf("mastlog_gateway_keepalive_interval_seconds", labels) ?? null).toBe(row.keepaliveSeconds);
    const heard = figureOf("mastlog_gateway_last_heard_timestamp_seconds", labels);
    expect(heard).toBe(Date.parse(row.lastHeard) / 1000);
  }
  const { channels } = contract.AirView.parse(await api("/api/air"));
  expect(channels).toHaveLength(3);
  for (const row of channels) {
    const labels = { gateway: row.gatewayEui, frequency_hz: String(row.frequencyHz) };
    expect(figureOf("mastlog_channel_receptions", labels)).toBe(row.receptions);
    expect(figureOf("mastlog_channel_crc_bad", labels)).toBe(row.crcBad);
    expect(figureOf("mastlog_channel_airtime_seconds", labels)).toBe(row.airtimeSeconds);
    expect(figureOf("mastlog_channel_utilisation_ratio", labels)).toBe(row.utilisation);
  }
  const { nodes } = contract.NodesView.parse(await api("/api/nodes"));
  const [own] = nodes.filter(({ stranger }) => !stranger);
  expect(figureOf("mastlog_node_missed_not_recorded", node)).toBe(own?.missedNotRecorded);
  const lastHeard = figureOf("mastlog_node_last_heard_timestamp_seconds", node);
  expect(lastHeard).toBe(Date.parse(own?.lastHeard ?? "") / 1000);
});

it("names the site of gateways, their channels, and nodes that one site hears, once a site is named", async () => {
  const { store, recorder, reader } = openOrchard();
  for (let i = 0; i < 3; i++) {
    recorder.record([
      push(SHED, i * 60, [{ payload: phy("01A2B3C4", i) }, { payload: phy("01A2B3C5", i), tmstUs: i + 7 }]),
    ]);
    recorder.record([push(TOWER, i * 60 + 0.1, [{ payload: phy("01A2B3C5", i) }])]);
  }
  writeLabel(store, { kind: "gateway", id: SHED, site: "Mill Lower" });
  const { samples, figureOf } = await scrape({ views: storeViews(reader) });
  expect(figureOf("mastlog_gateway_receptions", { gateway: SHED, site: "Mill Lower" })).toBe(6);
  expect(figureOf("mastlog_gateway_receptions", { gateway: TOWER, site: "" })).toBe(3);
  const siteOf = (name: string, label: string, value: string) =>
    samples.find((one) => one.name === name && one.labels[label] === value)?.labels.site;
  expect(siteOf("mastlog_channel_receptions", "gateway", SHED)).toBe("Mill Lower");
  expect(siteOf("mastlog_node_heard", "dev_addr", "01A2B3C4")).toBe("Mill Lower");
  expect(siteOf("mastlog_node_heard", "dev_addr", "01A2B3C5")).toBe("");
});

it("bounds the number of series, and tells how many are left out", async () => {
  const { recorder, reader } = openOrchard();
  for (let i = 0; i < 230; i++) {
    const devAddr = (0x01a2_0000 + i).toString(16).toUpperCase().padStart(8, "0");
    const frequencyHz = 863_100_000 + (i % 130) * 50_000;
    recorder.record([push(SHED, i * 4, [{ payload: phy(devAddr, 1), frequencyHz }])]);
  }
  for (let i = 0; i < 70; i++)
    recorder.record([
      pull((0x0200_5e20 + i).toString(16).padStart(8, "0").toUpperCase().padEnd(16, "1"), 1_000),
    ]);
  const { samples, figureOf } = await scrape({ views: storeViews(reader) });
  const count = (of: string) => samples.filter(({ name }) => name === of).length;
  expect(count("mastlog_gateway_receptions")).toBe(64);
  expect(figureOf("mastlog_site_figures_cut", { of: "gateways" })).toBe(71 - 64);
  expect(count("mastlog_channel_receptions")).toBe(100);
  expect(figureOf("mastlog_site_figures_cut", { of: "channels" })).toBe(130 - 100);
  expect(count("mastlog_node_heard")).toBe(200);
  expect(figureOf("mastlog_site_figures_cut", { of: "nodes" })).toBe(230 - 200);
});

it("tells the service's figures when the reading threads have no answer, and says so", async () => {
  const refused = { siteFigures: () => Promise.reject(new ServiceProblem("questions-full")) };
  const { samples, figureOf } = await scrape({ ask: () => refused as unknown as AskedViews });
  expect(figureOf("mastlog_site_figures_known")).toBe(0);
  expect(figureOf("mastlog_datagrams_total")).toBe(42);
  expect(samples.some(({ name }) => name.startsWith("mastlog_gateway_"))).toBe(false);
});
