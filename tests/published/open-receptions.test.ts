/**
 * Real receptions that nobody on this project produced. Source and licence: tests/data/open-receptions/README.md. The expected
 * figures were computed independently from the published rows with a standard library alone; the far node's level
 * statistics are the publication's own.
 */
import { afterAll, describe, expect, it } from "vitest";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { farNode, gatewayEuis, indoorNode, storeOf } from "./open-receptions.ts";

/** The rows of the nodes view over all that a store holds. */
function nodesOf(db: ReturnType<typeof storeOf>) {
  const span = storedSpanUs(db);
  if (span === null) throw new Error("nothing is stored");
  return nodesView(db, { fromUs: span.fromUs, toUs: span.toUs + 1, live: false }).nodes;
}

describe("the indoor node of the open receptions", () => {
  const db = storeOf(indoorNode());
  afterAll(() => db.close());
  const count = (sql: string) => db.prepare(sql).pluck().get() as number;

  it("is one counter life from 1143 to 14928 with 4,369 counters missing", () => {
    const nodes = nodesOf(db);
    expect(nodes).toHaveLength(1);
    const [node] = nodes;
    expect(node).toMatchObject({
      devAddr: "FC00AC77",
      life: 1,
      heard: 9_417,
      expected: 13_786,
      missed: 4_369,
      repeats: 0,
    });
    expect(1 - (node?.deliveryRatio ?? 0)).toBeCloseTo(0.3169, 4);
    expect(count("SELECT first_counter FROM life")).toBe(1143);
    expect(count("SELECT last_counter FROM life")).toBe(14_928);
  });

  it("was on the air for 828.3 s", () => {
    expect(nodesOf(db)[0]?.airtimeSeconds).toBeCloseTo(828.3, 1);
  });

  it("was heard by seven gateways in 10,760 receptions", () => {
    // 10,761 rows, one of which is counter 11641 delivered a second time 10 ms later.
    expect(gatewayEuis(indoorNode()).size).toBe(7);
    expect(count("SELECT count(*) FROM reception")).toBe(10_760);
    expect(count("SELECT count(*) FROM frame WHERE fcnt = 11641")).toBe(1);
  });

  it("has 0.5 dB of median margin at its best gateway of each frame", () => {
    expect(nodesOf(db)[0]?.marginDb?.median).toBeCloseTo(0.5, 1);
  });
});

describe("the far node of the open receptions", () => {
  const db = storeOf(farNode());
  afterAll(() => db.close());

  it("has 8,373 distinct counters of 1152 to 31786 and lost 72.67 %", () => {
    const nodes = nodesOf(db);
    expect(nodes).toHaveLength(1);
    const [node] = nodes;
    expect(node).toMatchObject({ devAddr: "FC00AF46", life: 1, heard: 8_373, expected: 30_635 });
    expect(1 - (node?.deliveryRatio ?? 0)).toBeCloseTo(0.7267, 4);
  });

  it("has the published level statistics to the last digit", () => {
    const levels = (column: string) => {
      const values = db.prepare(`SELECT ${column} / 10.0 FROM reception`).pluck().all() as number[];
      const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
      const variance = values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / (values.length - 1);
      return { mean: Number(mean.toFixed(6)), sd: Number(Math.sqrt(variance).toFixed(6)) };
    };
    expect(levels("rssi_tenths")).toEqual({ mean: -115.337506, sd: 1.803964 });
    expect(levels("snr_tenths")).toEqual({ mean: -5.70248, sd: 1.557076 });
  });

  it("holds 335 receptions beyond the first of each counter", () => {
    const count = (sql: string) => db.prepare(sql).pluck().get() as number;
    const receptions = count("SELECT count(*) FROM reception");
    // Published: 102 frames heard by both gateways and 233 repeats at one.
    expect(receptions - 8_373).toBe(102 + 233);
    // Times within the minute were worked out for each gateway alone, so only 28 of the 102 lie within the grouping window.
    const merged = receptions - count("SELECT count(*) FROM frame");
    expect(merged).toBe(28);
    expect(nodesOf(db)[0]?.repeats).toBe(335 - merged);
  });
});
