import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { phy, pull, push, SHED, START_US } from "./traffic.ts";

const YEAR_US = 365.25 * 86_400e6;

function at(item: DecodedArrival, byUs: number): DecodedArrival {
  return { ...item, arrival: { ...item.arrival, atUs: item.arrival.atUs + byUs } };
}

function read(items: readonly DecodedArrival[]): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  recorder.record(items, { captureId: 1 });
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return db;
}

/** Rows of all tables. */
function rows(db: Store): number {
  const tables = db.prepare("SELECT name FROM sqlite_schema WHERE type = 'table'").pluck().all() as string[];
  return tables.reduce(
    (sum, name) => sum + (db.prepare(`SELECT count(*) FROM "${name}"`).pluck().get() as number),
    0,
  );
}

/** Keepalives and a frame a minute for `minutes`, counters from `first` on. */
function minutes(count: number, first: number): DecodedArrival[] {
  return Array.from({ length: count }, (_, i) => [
    pull(SHED, i * 60, first + i),
    push(SHED, i * 60 + 5, [{ payload: phy("00000011", first + i) }]),
    pull(SHED, i * 60 + 30, first + i + 1000),
  ]).flat();
}

describe("a clock that jumps", () => {
  it("two packets in 1970 and 2106 cost as little as two on one day", () => {
    const one = push(SHED, 0, [{ payload: phy("00000011", 1) }]);
    const other = push(SHED, 60, [{ payload: phy("00000011", 2) }]);
    const apart = read([at(one, -START_US), at(other, 136 * YEAR_US - START_US)]);
    // Two minutes and two hours in place of one each, whatever lies between.
    expect(rows(apart)).toBeLessThanOrEqual(rows(read([one, other])) + 8);
    const window = resolveWindow({}, START_US, storedSpanUs(apart));
    const [row] = nodesView(apart, window).nodes;
    expect(row).toMatchObject({ heard: 2, missed: 0 });
    const [gateway] = gatewaysView(apart, window).gateways;
    expect(gateway?.heartbeat.datagrams.length).toBeLessThanOrEqual(480);
    expect(JSON.stringify(airView(apart, window)).length).toBeLessThan(500_000);
  });

  it("from 1970 to 2026 within a capture is no silence, no gap and no outage", () => {
    const before = minutes(120, 0).map((item) => at(item, -START_US));
    const db = read([...before, ...minutes(120, 123)]);
    expect(db.prepare("SELECT count(*) FROM gap WHERE shown = 1").pluck().get()).toBe(0);
    expect(db.prepare("SELECT count(*) FROM gateway_outage").pluck().get()).toBe(0);
    const window = resolveWindow({}, START_US, storedSpanUs(db));
    const [row] = nodesView(db, window).nodes;
    // Counters 120 to 122 were sent across the jump, whenever that was.
    expect(row).toMatchObject({
      heard: 240,
      missed: 3,
      missedNotRecorded: 3,
      deliveryRatio: 1,
      overdue: false,
    });
    const [gateway] = gatewaysView(db, window).gateways;
    expect(gateway).toMatchObject({ outages: [], standing: "good" });
    expect(gateway?.notRecorded.length).toBe(1);
  });
});
