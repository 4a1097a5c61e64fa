import { parquetMetadata, parquetReadObjects } from "hyparquet";
import { afterAll, describe, expect, it } from "vitest";
import type { ExportFormat, ExportTable } from "../../src/contract/service.ts";
import { type ExportScope, exportPieces, exportTree, whyNot } from "../../src/export/export.ts";
import { writeLabel, writeSiteName } from "../../src/store/user-data.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "../views/a-site.ts";

const PROBE = "01A2B3C4";
const OTHER = "01A2B3C5";
const DAY_S = 86_400;

// The probe is heard by both gateways at first, then by the tower alone; it loses the counters 3 and 4. The other one
// comes on the next day.
const store = siteOf([
  ...[0, 1, 2, 5, 6].flatMap((n) => [
    push(SHED, 10 + n * 60, [{ payload: phy(PROBE, n), snrDb: -3.2, rssiDbm: -110, spreadingFactor: 9 }], n),
    ...(n < 2
      ? [push(TOWER, 10.01 + n * 60, [{ payload: phy(PROBE, n), snrDb: 4, rssiDbm: -101.5 }], n)]
      : []),
  ]),
  push(TOWER, DAY_S + 5, [{ payload: phy(OTHER, 7), snrDb: 1 }]),
  ...keepalives(SHED, 0, 400),
  ...keepalives(TOWER, 0, 400),
]);
writeLabel(store, { kind: "node", id: PROBE, name: "=cmd|calc" });
afterAll(() => store.close());

const all: ExportScope = { window: windowOf(0, 2 * DAY_S) };

function octetsOf(what: ExportTable, format: ExportFormat, scope = all): Buffer {
  return Buffer.concat([...exportPieces(store, what, format, scope)].map(({ bytes }) => bytes));
}

function objectsOf(what: ExportTable, scope = all): Record<string, unknown>[] {
  const text = octetsOf(what, "csv", scope).toString();
  const [head = "", ...lines] = text.trimEnd().split("\r\n");
  return lines.map((line) => {
    const cells = line.split(",");
    return Object.fromEntries(head.split(",").map((name, i) => [name, cells[i]]));
  });
}

describe("receptions taken out", () => {
  it("are one row each, in order of time, with their units", () => {
    const rows = objectsOf("receptions");
    expect(rows).toHaveLength(8);
    expect(rows[1]).toMatchObject({
      at: "2026-03-14T09:00:10.010000Z",
      gatewayEui: TOWER,
      devAddr: PROBE,
      nodeName: "'=cmd|calc",
      life: "1",
      messageType: "UnconfirmedDataUp",
      counter: "0",
      port: "2",
      repeat: "false",
      crc: "ok",
      frequencyHz: "868300000",
      dataRate: "SF9BW125",
      codingRate: "4/5",
      rssiDbm: "-102",
      snrDb: "4",
      // The floor of SF9 is -12.5 dB.
      marginDb: "16.5",
      sizeBytes: "17",
      delayMs: "0",
    });
  });

  it("can be narrowed to a stretch of time, a gateway and a node", () => {
    expect(objectsOf("receptions", { window: windowOf(0, 60) })).toHaveLength(2);
    expect(objectsOf("receptions", { ...all, gatewayEui: TOWER })).toHaveLength(3);
    expect(objectsOf("receptions", { ...all, devAddr: OTHER })).toHaveLength(1);
    expect(objectsOf("receptions", { ...all, gatewayEui: SHED, devAddr: OTHER })).toEqual([]);
    expect(objectsOf("receptions", { ...all, gatewayEui: "02005E10000000FF" })).toEqual([]);
  });
});

describe("frames taken out", () => {
  it("are one row a transmission, with how the best antenna heard it", () => {
    const rows = objectsOf("frames");
    expect(rows.map(({ counter }) => counter)).toEqual(["0", "1", "2", "5", "6", "7"]);
    expect(rows[0]).toMatchObject({ receptions: "2", gateways: "2", bestGatewayEui: TOWER, snrDb: "4" });
    expect(rows[2]).toMatchObject({ receptions: "1", bestGatewayEui: SHED, snrDb: "-3.2", rssiDbm: "-110" });
    expect(objectsOf("frames", { ...all, gatewayEui: TOWER }).map(({ counter }) => counter)).toEqual([
      "0",
      "1",
      "7",
    ]);
  });
});

describe("tables of the views taken out", () => {
  it("hold the figures of the Nodes view", () => {
    const { nodes } = nodesView(store, all.window);
    const rows = objectsOf("nodes");
    expect(
      rows.map(({ devAddr, life, heard, expected, missed, deliveryRatio, cause }) => ({
        devAddr,
        life,
        heard,
        expected,
        missed,
        deliveryRatio,
        cause,
      })),
    ).toEqual(
      nodes.map((node) => ({
        devAddr: node.devAddr,
        life: String(node.life),
        heard: String(node.heard),
        expected: String(node.expected),
        missed: String(node.missed),
        deliveryRatio: node.deliveryRatio === null ? "" : String(node.deliveryRatio),
        cause: node.why?.cause ?? "",
      })),
    );
    expect(rows[0]).toMatchObject({ heard: "5", expected: "7", missed: "2" });
  });

  it("hold one row for each way between a node and a gateway", () => {
    const rows = objectsOf("links");
    expect(rows.map(({ devAddr, gatewayEui, heard }) => [devAddr, gatewayEui, heard])).toEqual([
      [PROBE, SHED, "5"],
      [PROBE, TOWER, "2"],
      [OTHER, TOWER, "1"],
    ]);
    expect(rows[1]).toMatchObject({ snrDbMedian: "4", marginDbMedian: "16.5", expected: "7" });
    expect(objectsOf("links", { ...all, gatewayEui: SHED })).toHaveLength(1);
  });

  it("hold the figures of Gateways, Gaps and Air", () => {
    const { gateways } = gatewaysView(store, all.window);
    expect(
      objectsOf("gateways").map(({ eui, datagrams, receptions }) => [eui, datagrams, receptions]),
    ).toEqual(gateways.map(({ eui, datagrams, receptions }) => [eui, String(datagrams), String(receptions)]));
    const { gaps } = gapsView(store, all.window);
    expect(objectsOf("gaps").map(({ id, missedCounters, cause }) => [id, missedCounters, cause])).toEqual(
      gaps.map(({ id, missedCounters, finding }) => [id, String(missedCounters), finding.cause]),
    );
    expect(
      objectsOf("channels").map(({ gatewayEui, frequencyHz, receptions }) => [
        gatewayEui,
        frequencyHz,
        receptions,
      ]),
    ).toEqual([
      [SHED, "868300000", "5"],
      [TOWER, "868300000", "3"],
    ]);
  });
});

it("gateways and channels taken out are all that were heard, also where the views show fewer", () => {
  const eui = (i: number) => `02005E10000001${i.toString(16).toUpperCase().padStart(2, "0")}`;
  const crowd = siteOf(
    Array.from({ length: 130 }, (_, i) => push(eui(i), 10 + i, [{ payload: phy(PROBE, i) }], i)),
  );
  const rowsOf = (what: ExportTable) =>
    Buffer.concat([...exportPieces(crowd, what, "csv", all)].map(({ bytes }) => bytes))
      .toString()
      .trimEnd()
      .split("\r\n")
      .slice(1)
      .map((line) => line.slice(0, 16));
  const euis = Array.from({ length: 130 }, (_, i) => eui(i));
  expect(gatewaysView(crowd, all.window).gateways).toHaveLength(64);
  expect(rowsOf("gateways")).toEqual(euis);
  expect(rowsOf("channels")).toEqual(euis);
  crowd.close();
});

describe("Parquet", () => {
  it("is typed, compressed, and reads back to the rows of the CSV", async () => {
    const octets = octetsOf("receptions", "parquet");
    const file = new Uint8Array(octets).buffer;
    const metadata = parquetMetadata(file);
    const types = Object.fromEntries(metadata.schema.slice(1).map((one) => [one.name, one]));
    expect(types.at).toMatchObject({ type: "INT64", logical_type: { type: "TIMESTAMP", unit: "MICROS" } });
    expect(types.rssiDbm).toMatchObject({ type: "DOUBLE" });
    expect(types.repeat).toMatchObject({ type: "BOOLEAN" });
    expect(types.gatewayEui).toMatchObject({ type: "BYTE_ARRAY", converted_type: "UTF8" });
    expect(metadata.row_groups[0]?.columns.every(({ meta_data }) => meta_data?.codec === "SNAPPY")).toBe(
      true,
    );
    const rows = await parquetReadObjects({ file });
    const csv = objectsOf("receptions");
    expect(rows).toHaveLength(csv.length);
    expect(rows[1]).toMatchObject({
      at: new Date((START_US + 10_010_000) / 1000),
      gatewayEui: TOWER,
      gatewayName: null,
      nodeName: "=cmd|calc",
      counter: 0n,
      life: 1,
      rssiDbm: -102,
      repeat: false,
    });
  });

  it("lies in folders by site, date and gateway", async () => {
    writeSiteName(store, "Fennick Orchard");
    const pieces = [...exportTree(store, "receptions", all, { name: null, otherwise: "site" })];
    const paths = [...new Set(pieces.map(({ path }) => path))];
    expect(paths).toEqual([
      `site=Fennick%20Orchard/date=2026-03-14/gateway=${SHED}/receptions.parquet`,
      `site=Fennick%20Orchard/date=2026-03-14/gateway=${TOWER}/receptions.parquet`,
      `site=Fennick%20Orchard/date=2026-03-15/gateway=${TOWER}/receptions.parquet`,
    ]);
    const last = pieces.filter(({ path }) => path === paths[2]).map(({ bytes }) => bytes);
    const file = new Uint8Array(Buffer.concat(last)).buffer;
    expect(await parquetReadObjects({ file, columns: ["devAddr"] })).toEqual([{ devAddr: OTHER }]);
    const frames = [...exportTree(store, "frames", all, { name: "../a/b", otherwise: "site" })];
    expect(new Set(frames.map(({ path }) => path))).toEqual(
      new Set([
        "site=..%2Fa%2Fb/date=2026-03-14/frames.parquet",
        "site=..%2Fa%2Fb/date=2026-03-15/frames.parquet",
      ]),
    );
  });

  it("is a readable file without rows as well", async () => {
    const octets = octetsOf("gaps", "parquet", { window: windowOf(-100, -50) });
    expect(await parquetReadObjects({ file: new Uint8Array(octets).buffer })).toEqual([]);
  });
});

describe("an export", () => {
  it("is of one state of the store, whatever is written meanwhile", () => {
    const pieces = exportPieces(store, "receptions", "csv", all);
    expect(pieces.next().done).toBe(false);
    expect(store.inTransaction).toBe(true);
    pieces.return(undefined);
    expect(store.inTransaction).toBe(false);
  });

  it("refuses a packet capture of anything but datagrams", () => {
    expect(whyNot("nodes", "pcap")).toContain("--what receptions");
    expect(whyNot("receptions", "pcap")).toBeNull();
  });
});
