import { describe, expect, it } from "vitest";
import { NodesView } from "../../src/contract/index.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { MAX_FALLS_JUDGED, needingALook, nodesView } from "../../src/views/nodes.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";

/** A frame every `everyS` to one gateway, SF7 (floor −7.5 dB): `levelAt` of its time and −0.5, 0, 0.5, 0 dB in turn; null: not heard. */
function heard(
  eui: string,
  toS: number,
  everyS: number,
  levelAt: (atS: number) => number | null,
  devAddr = PROBE,
  place = 0,
): DecodedArrival[] {
  return Array.from({ length: Math.floor(toS / everyS) }, (_, n) => n).flatMap((n) => {
    const level = levelAt(n * everyS);
    if (level === null) return [];
    const snrDb = level + ([-0.5, 0, 0.5, 0][n % 4] ?? 0);
    const atS = n * everyS + place + (eui === SHED ? 0 : 0.01);
    const tmstUs = n + 1 + place * 1e6;
    return [push(eui, atS, [{ payload: phy(devAddr, n), spreadingFactor: 7, snrDb, rssiDbm: -112, tmstUs }])];
  });
}

function rowOf(traffic: readonly DecodedArrival[], toS: number) {
  const store = siteOf(traffic);
  const view = nodesView(store, windowOf(0, toS));
  expect(NodesView.parse(view)).toEqual(view);
  const [row] = view.nodes;
  if (row === undefined) throw new Error("no row");
  return row;
}

const HOUR_S = 3600;

describe("the row of a node whose level fell and stays low", () => {
  const low = (atS: number) => (atS < 3 * HOUR_S ? 3 : -5);

  it("needs a look though nothing was lost, and says by how much and since when", () => {
    const row = rowOf(heard(SHED, 6 * HOUR_S, 120, low), 6 * HOUR_S);
    expect(row.missed).toBe(0);
    expect(row.standing).toBe("look");
    expect(row.fall).toMatchObject({ measure: "snr", sizeDb: -8, atLeast: false, withDataRateChange: false });
    const [from, to] = [row.fall?.notBefore, row.fall?.notAfter].map((iso) => Date.parse(iso ?? "") * 1000);
    const { fromUs } = windowOf(3 * HOUR_S, 6 * HOUR_S);
    expect(Math.abs((from ?? 0) - fromUs)).toBeLessThan(5 * 60e6);
    expect(Math.abs((to ?? 0) - fromUs)).toBeLessThan(5 * 60e6);
    expect(row.clause.replaceAll("\u202F", " ")).toMatch(
      /^SNR fell by 8\.0 dB \(7\.\d to 8\.\d\) and has stayed low for 2 h 5\d min$/,
    );
    expect(needingALook([row], 5)).toEqual([row]);
  });

  it("is good again where the level came back", () => {
    const dip = (atS: number) => (atS < 2 * HOUR_S || atS >= 4 * HOUR_S ? 3 : -5);
    const row = rowOf(heard(SHED, 6 * HOUR_S, 120, dip), 6 * HOUR_S);
    expect([row.standing, row.fall]).toEqual(["good", null]);
  });

  it("is not blamed when its better gateway went out at that moment", () => {
    const ofShed = (atS: number) => (atS < 3 * HOUR_S ? 3 : null);
    const both = [
      ...heard(SHED, 6 * HOUR_S, 120, ofShed),
      ...heard(TOWER, 6 * HOUR_S, 120, () => -5),
      ...keepalives(SHED, 0, 3 * HOUR_S, 30),
      ...keepalives(TOWER, 0, 6 * HOUR_S, 30),
    ];
    const row = rowOf(both, 6 * HOUR_S);
    expect(row.gateways).toEqual(expect.arrayContaining([SHED, TOWER]));
    expect(row.fall).toBeNull();
    // Without keepalives nobody knows that it was out: the fall is told as it was seen.
    const unknown = rowOf(
      [...heard(SHED, 6 * HOUR_S, 120, ofShed), ...heard(TOWER, 6 * HOUR_S, 120, () => -5)],
      6 * HOUR_S,
    );
    expect(unknown.fall?.sizeDb).toBe(-8);
  });

  it("is judged for the largest falls where many fall at once, and the list says how many it left", () => {
    const nodes = Array.from(
      { length: MAX_FALLS_JUDGED + 3 },
      (_, i) => `01A2B3${(i + 16).toString(16).toUpperCase()}`,
    );
    const traffic = nodes.flatMap((devAddr, i) =>
      heard(SHED, 6 * HOUR_S, 300, (atS) => (atS < 3 * HOUR_S ? 3 : -5 - i / 10), devAddr, i),
    );
    const { nodes: rows, sentence } = nodesView(siteOf(traffic), windowOf(0, 6 * HOUR_S));
    expect(rows.map(({ fall }) => fall !== null)).toEqual(nodes.map((_, i) => i >= 3));
    expect(sentence.map(({ text }) => text).join("")).toContain(
      "The level of 3 more nodes may have fallen; only the largest falls were judged.",
    );
  });

  it("is found in the medians of hours over five days", () => {
    const days = 5 * 24 * HOUR_S;
    const row = rowOf(
      heard(SHED, days, 900, (atS) => (atS < 4 * 24 * HOUR_S ? 3 : -5)),
      days,
    );
    expect(row.standing).toBe("look");
    expect(row.fall?.sizeDb).toBe(-8);
    const offUs = Date.parse(row.fall?.at ?? "") * 1000 - windowOf(4 * 24 * HOUR_S, days).fromUs;
    expect(Math.abs(offUs)).toBeLessThan(3 * HOUR_S * 1e6);
  });
});
