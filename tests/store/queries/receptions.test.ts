import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { openStore, type Store } from "../../../src/store/open.ts";
import {
  type PageStart,
  type ReceptionFilter,
  receptionPage,
} from "../../../src/store/queries/receptions.ts";
import { frameRow, gatewayRow, lifeRow, receptionRow } from "./rows.ts";

const WINDOW = { fromUs: 0, toUs: 100 };

/** Ids in the order in which a reader meets them who turns page after page. */
function readThrough(db: Store, filter: Omit<ReceptionFilter, "before">): number[] {
  const ids: number[] = [];
  let before: PageStart | null = null;
  for (;;) {
    const page = receptionPage(db, { ...filter, before });
    ids.push(...page.map(({ id }) => id));
    const last = page.at(-1);
    if (last === undefined || page.length < filter.limit) return ids;
    before = { atUs: last.atUs, id: last.id };
  }
}

describe("pages of receptions", () => {
  it("show every reception of the window once, newest first, however many share a moment", () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: -2, max: 12 }), { maxLength: 60 }),
        fc.integer({ min: 1, max: 7 }),
        (times, limit) => {
          const db = openStore(":memory:");
          gatewayRow(db, 1);
          const all = times.map((atUs) => ({ atUs, id: receptionRow(db, { atUs }) }));
          const ids = readThrough(db, { window: { fromUs: 0, toUs: 10 }, limit });
          db.close();
          expect(ids).toEqual(
            all
              .filter(({ atUs }) => atUs >= 0 && atUs < 10)
              .sort((a, b) => b.atUs - a.atUs || b.id - a.id)
              .map(({ id }) => id),
          );
        },
      ),
      { numRuns: 60 },
    );
  });

  it("hold one gateway's or one life's only, where asked so", () => {
    const db = openStore(":memory:");
    for (const id of [1, 2]) gatewayRow(db, id);
    lifeRow(db, 5);
    frameRow(db, { id: 1, lifeId: 5, atUs: 10 });
    const first = receptionRow(db, { gatewayId: 1, atUs: 10, frameId: 1 });
    const second = receptionRow(db, { gatewayId: 2, atUs: 11, frameId: 1 });
    const other = receptionRow(db, { gatewayId: 2, atUs: 12 });
    expect(readThrough(db, { window: WINDOW, limit: 1, gatewayEui: "02005E1000000002" })).toEqual([
      other,
      second,
    ]);
    expect(readThrough(db, { window: WINDOW, limit: 1, lifeId: 5 })).toEqual([second, first]);
    expect(readThrough(db, { window: WINDOW, limit: 9, gatewayEui: "02005E10000000FF" })).toEqual([]);
    expect(readThrough(db, { window: WINDOW, limit: 9, gatewayEui: "02005E1000000001", lifeId: 5 })).toEqual([
      first,
    ]);
  });

  it("name the node, its life and its counter, and nothing of a packet that is no frame", () => {
    const db = openStore(":memory:");
    gatewayRow(db, 1);
    lifeRow(db, 5);
    frameRow(db, { id: 1, lifeId: 5, atUs: 10, counter: 70_000 });
    receptionRow(db, { atUs: 10, frameId: 1 });
    receptionRow(db, { atUs: 9 });
    const [frame, none] = receptionPage(db, { window: WINDOW, before: null, limit: 9 });
    expect(frame).toMatchObject({ devAddr: 0x01a20005, life: 1, counter: 70_000, airtimeUs: 185_344 });
    expect(none).toMatchObject({ devAddr: null, life: null, counter: null, frameId: null });
  });
});
