import { describe, expect, it } from "vitest";
import { mergeWords } from "../../src/store/merge.ts";
import type { Store } from "../../src/store/open.ts";
import { benchRecords, writeBenchRecord } from "../../src/store/settings.ts";
import { benchTable, benchView } from "../../src/views/bench.ts";
import { keepalives, siteOf, windowOf } from "../views/a-site.ts";
import { SHED, TOWER } from "./traffic.ts";

const NOON_US = Date.parse("2026-03-14T12:00:00Z") * 1000;

const site = () => siteOf([...keepalives(SHED, 0, 600), ...keepalives(TOWER, 0, 60)]);
const recordOf = (db: Store, eui: string) => benchRecords(db).get(eui);

describe("what is noted of a gateway on the bench", () => {
  it("holds a serial number and a signing off, each changed and taken back by itself", () => {
    const db = site();
    expect(writeBenchRecord(db, { eui: SHED, serial: " FO-1207 " }).ok).toBe(true);
    writeBenchRecord(db, { eui: SHED, signedOffUs: NOON_US });
    expect(recordOf(db, SHED)).toEqual({ eui: SHED, serial: "FO-1207", signedOffUs: NOON_US });
    writeBenchRecord(db, { eui: SHED, signedOffUs: null });
    expect(recordOf(db, SHED)).toEqual({ eui: SHED, serial: "FO-1207", signedOffUs: null });
    writeBenchRecord(db, { eui: SHED, serial: "" });
    expect(recordOf(db, SHED)).toBeUndefined();
  });

  it("is refused of a gateway that was never heard", () => {
    expect(writeBenchRecord(site(), { eui: "02005E10000000FF", serial: "1" })).toMatchObject({
      ok: false,
      code: "no-such-gateway",
    });
  });

  it("stands in the list of one gateway and in the table of all", () => {
    const db = site();
    writeBenchRecord(db, { eui: SHED, serial: "FO-1207", signedOffUs: NOON_US });
    const noted = { serial: "FO-1207", signedOff: "2026-03-14T12:00:00.000Z" };
    expect(benchView(db, windowOf(0, 600), SHED)).toMatchObject(noted);
    const { gateways } = benchTable(db, windowOf(0, 600));
    expect(gateways.find(({ eui }) => eui === SHED)).toMatchObject(noted);
    expect(gateways.find(({ eui }) => eui === TOWER)).toMatchObject({ serial: null, signedOff: null });
  });

  it("lets a signed-off gateway that sends nothing leave the table, and no other", () => {
    const db = site();
    const later = windowOf(300, 600);
    const listed = () => benchTable(db, later).gateways.map(({ eui }) => eui);
    expect(listed().sort()).toEqual([SHED, TOWER].sort());
    writeBenchRecord(db, { eui: SHED, signedOffUs: NOON_US });
    writeBenchRecord(db, { eui: TOWER, signedOffUs: NOON_US });
    expect(listed()).toEqual([SHED]);
    expect(benchTable(db, later)).toMatchObject({ gone: 1, leftOut: 0 });
    expect(benchTable(db, windowOf(0, 600), { most: 1 })).toMatchObject({ gone: 0, leftOut: 1 });
  });

  it("comes along when another store is merged; what differs stays, and is named", () => {
    const db = site();
    const other = site();
    writeBenchRecord(db, { eui: SHED, serial: "FO-1207" });
    writeBenchRecord(other, { eui: SHED, serial: "FO-9999", signedOffUs: NOON_US });
    writeBenchRecord(other, { eui: TOWER, serial: "FO-1208" });
    const { benchRecords: added, differing } = mergeWords(db, other);
    expect([added, differing]).toEqual([2, [`the serial number of ${SHED}`]]);
    expect(recordOf(db, SHED)).toEqual({ eui: SHED, serial: "FO-1207", signedOffUs: NOON_US });
    expect(recordOf(db, TOWER)).toEqual({ eui: TOWER, serial: "FO-1208", signedOffUs: null });
    expect(mergeWords(db, other).benchRecords).toBe(0);
  });
});
