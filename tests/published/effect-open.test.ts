/**
 * What a mark's before and after, the room for more nodes and a battery's charge say of the open receptions. Source and
 * licence of the data: tests/data/open-receptions/README.md. Nobody changed anything at these sites that is known, and
 * the links are 4 to 109 km long: what differs between two fortnights is the weather's. So no mark there can be right or
 * wrong; what can be checked is that the direction is that of the raw counters, and that no cause is claimed.
 */
import { describe, expect, it } from "vitest";
import { MarkEffect } from "../../src/contract/trials.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { changeMarks, NO_POSITION } from "../../src/store/user-data.ts";
import { capacityView, nodeCostView } from "../../src/views/capacity.ts";
import { markEffect } from "../../src/views/trials/mark-effect.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { farNode, indoorNode, type OpenReception, storeOf } from "./open-receptions.ts";

/** Counters heard of those between the first and the last, straight from the rows. */
function rawDelivery(rows: readonly OpenReception[], { from, to }: { from: string; to: string }): number {
  const counters = rows
    .filter(({ atUs }) => atUs >= Date.parse(from) * 1000 && atUs < Date.parse(to) * 1000)
    .map(({ fCnt }) => fCnt);
  const distinct = new Set(counters);
  return distinct.size / (Math.max(...distinct) - Math.min(...distinct) + 1);
}

/** Mean time on air at SF7, 125 kHz, CR 4/5 (SX1276 data sheet, section 4.1.1.7), 13 octets beside the application's. */
function meanAirtimeMs(rows: readonly OpenReception[]): number {
  const frames = new Map(rows.map((row) => [row.fCnt, row.appOctets + 13]));
  const ms = [...frames.values()].map(
    (octets) => (12.25 + 8 + 5 * Math.ceil((8 * octets + 16) / 28)) * 1.024,
  );
  return ms.reduce((sum, one) => sum + one, 0) / ms.length;
}

describe.each([
  ["indoors", indoorNode()],
  ["far away", farNode()],
] as const)("on the open receptions, %s,", (_name, rows) => {
  const db = storeOf(rows);
  const span = storedSpanUs(db) ?? { fromUs: 0, toUs: 0 };
  const window = resolveWindow({}, 0, span);

  it("what a mark is told to have changed goes the way of the raw counters, and is no proof", () => {
    let told = 0;
    for (let tenth = 1; tenth <= 9; tenth++) {
      const atUs = Math.round(span.fromUs + ((span.toUs - span.fromUs) * tenth) / 10);
      const note = { ...NO_POSITION, atUs, untilUs: null, kind: "note", text: "tenth" } as const;
      changeMarks(db, { kind: "add", mark: { ...note, gatewayEui: null, devAddr: null } });
      const effect = MarkEffect.parse(markEffect(db, tenth));
      expect(effect.caution).toContain("does not prove that what was noted made it");
      const { low, high } = effect.deliveryDifference;
      if (low === null || high === null || (low <= 0 && high >= 0)) continue;
      told += 1;
      const raw = rawDelivery(rows, effect.a) - rawDelivery(rows, effect.b);
      expect(Math.sign(raw), effect.mark.at).toBe(low > 0 ? 1 : -1);
    }
    expect(told).toBeGreaterThan(3);
  });

  it("one node is too few to tell the room for more, and its airtime is the formula's", () => {
    const view = capacityView(db, window, 0.9);
    expect([view.verdict, view.nodes, view.mean]).toEqual(["not enough", 1, null]);
    const cost = nodeCostView(db, window, rows[0]?.devAddr ?? "", {});
    expect(cost?.now?.airtimeMs).toBeCloseTo(meanAirtimeMs(rows), 0);
  });
});
