import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import {
  changeMarks,
  MAX_MARKS,
  type MarkWork,
  marksIn,
  type NewMark,
  NO_POSITION,
} from "../../src/store/user-data.ts";
import type { NotWrittenCode } from "../../src/store/written.ts";

const HOUR_US = 3_600_000_000;
const HEDGE: NewMark = {
  atUs: 10 * HOUR_US,
  untilUs: null,
  kind: "note",
  text: "Cut the hedge",
  gatewayEui: null,
  devAddr: null,
  ...NO_POSITION,
};

let db: Store;
beforeEach(() => {
  db = openStore(":memory:");
});
afterEach(() => {
  db.close();
});

/** The number of the mark that was written, or the code of why none was. */
const change = (work: MarkWork): number | NotWrittenCode => {
  const outcome = changeMarks(db, work);
  return outcome.ok ? outcome.result : outcome.code;
};
const tryToAdd = (part: Partial<NewMark> = {}) => change({ kind: "add", mark: { ...HEDGE, ...part } });
const add = (part: Partial<NewMark> = {}) => Number(tryToAdd(part));
const texts = (fromUs: number, toUs: number) => marksIn(db, { fromUs, toUs }, 10).map(({ text }) => text);

describe("marks", () => {
  it("lie in the window that holds their moment, its end not included", () => {
    add();
    expect(texts(10 * HOUR_US, 11 * HOUR_US)).toEqual(["Cut the hedge"]);
    expect(texts(9 * HOUR_US, 10 * HOUR_US)).toEqual([]);
    expect(texts(10 * HOUR_US + 1, 11 * HOUR_US)).toEqual([]);
  });

  it("lie in every window that what lasted touches", () => {
    add({ untilUs: 12 * HOUR_US, text: "Rain" });
    expect(texts(11 * HOUR_US, 11.5 * HOUR_US)).toEqual(["Rain"]);
    expect(texts(12 * HOUR_US + 1, 13 * HOUR_US)).toEqual([]);
  });

  it("are read newest first, and by what they are about", () => {
    add({ text: "Turned the antenna", gatewayEui: "02005E1000000001" });
    add({ text: "New battery", devAddr: "01A2B3C4", atUs: 11 * HOUR_US });
    add({
      text: "Row 3",
      kind: "stop",
      devAddr: "01A2B3C4",
      atUs: 12 * HOUR_US,
      eastMetres: 0,
      northMetres: -40.5,
    });
    expect(marksIn(db, null, 10).map(({ text }) => text)).toEqual([
      "Row 3",
      "New battery",
      "Turned the antenna",
    ]);
    expect(marksIn(db, null, 10, { gatewayEui: "02005E1000000001" }).map(({ id }) => id)).toEqual([1]);
    expect(marksIn(db, null, 10, { devAddr: "01A2B3C4", kind: "stop" })).toMatchObject([
      { text: "Row 3", eastMetres: 0, northMetres: -40.5, latitude: null },
    ]);
    expect(marksIn(db, null, 1)).toHaveLength(1);
  });

  it("are changed where a change says so and stay as they were elsewhere", () => {
    const id = add({ gatewayEui: "02005E1000000001" });
    expect(change({ kind: "change", id, edit: { text: "Cut the hedge by row 12" } })).toBe(id);
    expect(change({ kind: "change", id, edit: {} })).toBe(id);
    expect(marksIn(db, null, 10)).toMatchObject([
      { id, text: "Cut the hedge by row 12", atUs: HEDGE.atUs, gatewayEui: "02005E1000000001" },
    ]);
  });

  it("are about a gateway or a node: what is said last holds", () => {
    const id = add({ gatewayEui: "02005E1000000001" });
    change({ kind: "change", id, edit: { devAddr: "01A2B3C4" } });
    expect(marksIn(db, null, 10)).toMatchObject([{ gatewayEui: null, devAddr: "01A2B3C4" }]);
  });

  it("never end before they begin", () => {
    expect(tryToAdd({ untilUs: 9 * HOUR_US })).toBe("mark-ends-early");
    const id = add({ untilUs: 11 * HOUR_US });
    expect(change({ kind: "change", id, edit: { atUs: 12 * HOUR_US } })).toBe("mark-ends-early");
    expect(marksIn(db, null, 10)).toMatchObject([{ atUs: HEDGE.atUs, untilUs: 11 * HOUR_US }]);
  });

  it("are removed once, and their numbers are not given again", () => {
    const id = add();
    expect(change({ kind: "remove", id })).toBe(id);
    expect(change({ kind: "remove", id })).toBe("no-such-mark");
    expect(change({ kind: "change", id, edit: { text: "x" } })).toBe("no-such-mark");
    expect(add()).toBeGreaterThan(id);
  });

  it("are bounded in number", () => {
    db.exec(`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ${MAX_MARKS})
      INSERT INTO mark (at_us, kind, text) SELECT i, 'note', 'x' FROM n`);
    expect(tryToAdd()).toBe("marks-full");
  });

  it("outlive a rebuild of what is derived", () => {
    add();
    rebuild(db, () => undefined);
    expect(marksIn(db, null, 10)).toHaveLength(1);
  });
});
