import { describe, expect, it } from "vitest";
import { CaptureRow, RefusalsView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { captureRows, refusalRows, refusalSampleRows } from "../../src/views/bookkeeping.ts";
import { arrivalOf, decoded, phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { moment, siteOf } from "./a-site.ts";

/** A PUSH_DATA whose body is this text. */
function bodied(eui: string, atS: number, text: string) {
  const bytes = Buffer.concat([Uint8Array.from([2, 1, 2, 0]), Buffer.from(eui, "hex"), Buffer.from(text)]);
  return decoded(arrivalOf(bytes, START_US + atS * 1e6));
}

function ask(store: Store) {
  const view = { refusals: refusalRows(store), samples: refusalSampleRows(store) };
  expect(RefusalsView.parse(view)).toEqual(view);
  return view;
}

describe("what was rejected", () => {
  it("is counted by reason over all gateways, the most frequent first, from the first time to the last", () => {
    const db = siteOf([
      bodied(SHED, 30, "{broken"),
      bodied(TOWER, 10, "{broken too"),
      bodied(TOWER, 50, "{broken still"),
      decoded(arrivalOf(Uint8Array.from([9, 9, 9]), START_US + 20e6)),
    ]);
    const [first, ...others] = ask(db).refusals;
    expect(first).toEqual({
      reason: "json_syntax",
      refused: true,
      count: 3,
      firstAt: moment(10),
      lastAt: moment(50),
      words: "body is not valid JSON",
    });
    expect(others.map(({ reason, count, refused }) => [reason, count, refused])).toContainEqual([
      "short",
      1,
      true,
    ]);
  });

  it("is told from what was odd, but used", () => {
    const again = push(SHED, 1, [{ payload: phy("01A2B3C4", 5) }]);
    const db = siteOf([
      again,
      { ...again, arrival: { ...again.arrival, atUs: again.arrival.atUs + 300_000 } },
    ]);
    expect(ask(db).refusals).toMatchObject([{ reason: "duplicate", refused: false, count: 1 }]);
  });

  it("can be looked at, raw, up to 512 octets", () => {
    const db = siteOf([bodied(SHED, 30, `{${"x".repeat(2_000)}`)]);
    const [sample] = ask(db).samples;
    expect(sample).toMatchObject({
      reason: "json_syntax",
      at: moment(30),
      source: "192.0.2.7 40123",
      size: 2_013,
    });
    expect(sample?.hex).toHaveLength(1_024);
    expect(sample?.hex.startsWith(`02010200${SHED}7B7878`)).toBe(true);
  });

  it("is nothing in an empty store", () => expect(ask(siteOf([]))).toEqual({ refusals: [], samples: [] }));
});

describe("captures", () => {
  const insert = (store: Store, state: string, finished: number | null) =>
    store
      .prepare(
        `INSERT INTO capture (name, digest, size, state, started_at_us, finished_at_us, from_us, to_us, datagrams)
         VALUES ('roof.pcap', ?, 1000, ?, ?, ?, ?, ?, 12)`,
      )
      .run(state, state, START_US, finished, finished === null ? null : START_US - 60e6, finished);

  it("are listed newest first, with the progress of the one that is being read", () => {
    const db = siteOf([]);
    insert(db, "done", START_US + 5e6);
    insert(db, "reading", null);
    const rows = captureRows(db, (id) => (id === 2 ? 0.25 : 0.9));
    for (const row of rows) expect(CaptureRow.parse(row)).toEqual(row);
    expect(rows.map(({ id, state, progress }) => [id, state, progress])).toEqual([
      [2, "reading", 0.25],
      [1, "done", null],
    ]);
    expect(rows[1]).toMatchObject({
      startedAt: moment(0),
      finishedAt: moment(5),
      from: moment(-60),
      to: moment(5),
    });
    expect(rows[0]).toMatchObject({ finishedAt: null, from: null, to: null });
  });
});
