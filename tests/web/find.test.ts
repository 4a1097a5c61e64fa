import { describe, expect, test } from "vitest";
import { devicesOf } from "../../web/src/pages/NodeTable.tsx";
import { partInSight } from "../../web/src/parts/DataTable.tsx";
import { findPlaces } from "../../web/src/parts/Helpers.tsx";
import { readNameList } from "../../web/src/parts/ThingEdit.tsx";
import { NOW_MS, orchardViews } from "../service/orchard.ts";

const NOW = new Date(2026, 3, 14, 12, 0, 0).getTime();
const KNOWN = {
  nodes: [
    { devAddr: "01F2A117", life: 1, name: "Frost probe row 17", lastHeard: "2026-04-14T05:00:00.000Z" },
    { devAddr: "01F2A117", life: 2, name: "Frost probe row 17", lastHeard: "2026-04-14T09:00:00.000Z" },
    { devAddr: "01F2A401", life: 1, name: null, lastHeard: "2026-04-14T09:00:00.000Z" },
  ],
  gateways: [{ eui: "02005E1000000001", name: "Packing shed" }],
  joins: [{ devEui: "02005E1000000091", devAddr: "01F2A401", life: 1 }, { devEui: "02005E1000000092" }],
};
const find = (text: string) =>
  findPlaces(text, KNOWN, { nowMs: NOW, aroundMs: NOW - 3_600_000, herePath: "/air" });
const paths = (text: string) => find(text).map(({ kind, path }) => `${kind} ${path}`);

describe("the finder", () => {
  test("takes a name, an address and its last four digits, and leads to the newest life", () => {
    expect(paths("frost")).toEqual(["node /nodes/01F2A117/2"]);
    expect(paths("01f2a401")).toEqual(["node /nodes/01F2A401/1"]);
    expect(paths("A117")).toEqual(["node /nodes/01F2A117/2"]);
  });

  test("takes a gateway and a DevEUI, with or without separators", () => {
    expect(paths("shed")).toEqual(["gateway /bench/02005E1000000001"]);
    expect(paths("02:00:5E:10:00:00:00:91")).toContain("device /nodes/01F2A401/1");
    expect(paths("0092")).toEqual(["device /nodes"]);
  });

  test("takes a minute, and leads to the half hour around it in the same view", () => {
    const [place] = find("09:40");
    const at = new Date(2026, 3, 14, 9, 40, 0).getTime();
    expect(place).toMatchObject({
      kind: "time",
      path: "/air",
      window: { kind: "fixed", fromMs: at - 900_000, toMs: at + 900_000 },
    });
    expect(find("last 6 h")[0]?.window).toEqual({ kind: "live", lastSeconds: 21_600 });
  });

  test("finds nothing for nothing, and nothing for what is not there", () => {
    expect(find("  ")).toEqual([]);
    expect(find("windmill")).toEqual([]);
  });
});

describe("a list of names", () => {
  test("is read with comma, semicolon or tab, quotes and a heading", () => {
    const { named, faults } = readNameList(
      'address,name\r\n01F2A117,"Frost probe, row 17"\n02-00-5E-10-00-00-00-01;Packing shed\n01f2a401\tPond ""pump""\n',
    );
    expect(faults).toEqual([]);
    expect(named).toEqual([
      { kind: "node", id: "01F2A117", name: "Frost probe, row 17", site: null },
      { kind: "gateway", id: "02005E1000000001", name: "Packing shed", site: null },
      { kind: "node", id: "01F2A401", name: "Pond pump", site: null },
    ]);
  });

  test("may say to which site a gateway belongs; a node has none", () => {
    const { named, faults } = readNameList(
      `02005E1000000001,Packing shed,Fennick Orchard\n01F2A117,Frost probe,row 17\n02005E1000000002,Mast,${"x".repeat(81)}`,
    );
    expect(named).toEqual([
      { kind: "gateway", id: "02005E1000000001", name: "Packing shed", site: "Fennick Orchard" },
      { kind: "node", id: "01F2A117", name: "Frost probe", site: null },
    ]);
    expect(faults).toEqual(["Line 3: the site of 02005E1000000002 is longer than 80 characters."]);
  });

  test("names what it does not understand, by line", () => {
    const { named, faults } = readNameList(`01F2A117,\nrow 9,Frost\n01F2A401,${"x".repeat(81)}`);
    expect(named).toEqual([]);
    expect(faults.map((fault) => fault.slice(0, 6))).toEqual(["Line 1", "Line 2", "Line 3"]);
  });
});

describe("the list of nodes", () => {
  const { nodes } = orchardViews().nodes({ last: 3600 }, NOW_MS * 1000);

  test("holds a device once, in the place of its worst life", () => {
    const [first] = nodes;
    if (first === undefined) throw new Error("the orchard has nodes");
    const good = { ...first, devAddr: "01F2A001", standing: "good" as const, missed: 0 };
    const worse = { ...good, life: 1, standing: "bad" as const };
    const devices = devicesOf([{ ...good, devAddr: "01F2A000" }, { ...good, life: 2 }, worse]);
    expect(devices.map(({ row, others }) => [row.devAddr, row.life, others.map(({ life }) => life)])).toEqual(
      [
        ["01F2A001", 1, [2]],
        ["01F2A000", good.life, []],
      ],
    );
  });
});

describe("a long table", () => {
  test("draws the rows in sight and a few beyond", () => {
    expect(partInSight(300, 50, -200, 700)).toEqual({ first: 0, end: 20, rowPx: 50 });
    expect(partInSight(300, 50, 5000, 5900)).toEqual({ first: 94, end: 124, rowPx: 50 });
    expect(partInSight(300, 50, 14_500, 15_400)).toEqual({ first: 284, end: 300, rowPx: 50 });
  });
});
