/** What becomes of a store of which receptions were removed when it is merged, copied or rescued? */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { mergeStore } from "../../src/intake/store-merge.ts";
import { backupStore } from "../../src/store/backup.ts";
import { closeStore, openReader, openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { rescueStore } from "../../src/store/rescue.ts";
import { removedOf } from "../../src/store/retention.ts";
import { writeKeptRule } from "../../src/store/settings.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { askedWindow } from "../../src/views/window.ts";
import { DAY_US, FIRST_MIDNIGHT_US, recorded, removeAll, traffic, workOff } from "../store/some-days.ts";
import { START_US } from "../store/traffic.ts";

const DAYS = 4;
const REMOVED_US = FIRST_MIDNIGHT_US + 3 * DAY_US;
const iso = (atUs: number) => new Date(atUs / 1000).toISOString();

/** Four days, of which the last stays. */
function withRemoved(db?: Store): { db: Store; recorder: Recorder } {
  const made = db === undefined ? recorded(traffic(DAYS)) : { db, recorder: new Recorder(db, judgeGap) };
  if (db !== undefined) made.recorder.record(traffic(DAYS));
  workOff(made.recorder);
  writeKeptRule(made.db, { maxAgeDays: 1, maxBytes: null });
  removeAll(made.recorder);
  expect(removedOf(made.db)?.beforeUs).toBe(REMOVED_US);
  return made;
}

function merged(into: Recorder, other: Store) {
  const done = async () => undefined;
  return mergeStore(other, {
    recorder: into,
    withKeys: false,
    pause: done,
    waitMs: done,
    onProgress: () => undefined,
  });
}

/** What is told of the time whose receptions are there. */
function kept(db: Store): unknown {
  const query = { from: iso(REMOVED_US + DAY_US / 4), to: iso(REMOVED_US + DAY_US / 2) };
  const window = askedWindow(db, query, START_US + DAYS * DAY_US);
  const nodes = nodesView(db, window).nodes.map(
    ({ devAddr, heard, expected, missed, receptions, rssiDbm }) => ({
      devAddr,
      heard,
      expected,
      missed,
      receptions,
      rssiDbm,
    }),
  );
  const gateways = gatewaysView(db, window).gateways.map(({ eui, datagrams, receptions, outages }) => ({
    eui,
    datagrams,
    receptions,
    outages,
  }));
  return { nodes, gateways };
}

/** Of the day before: nothing was recorded then, as far as a store knows that was not there. */
const recordedBefore = (db: Store) =>
  db.prepare("SELECT count(*) FROM recorded_range WHERE from_us < ?").pluck().get(REMOVED_US);

function inFolder(): (name: string) => string {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-removed-"));
  onTestFinished(() => rmSync(folder, { recursive: true }));
  return (name) => join(folder, name);
}

describe("a store of which receptions were removed", { timeout: 120_000 }, () => {
  it("merged into another brings what it still holds, and none of the time before", async () => {
    const other = withRemoved();
    const { db, recorder } = recorded([]);
    const first = await merged(recorder, other.db);
    expect(first.removed).toEqual({ beforeUs: REMOVED_US, rule: "1 day" });
    expect(first.recorded.datagrams).toBeGreaterThan(500);
    expect(removedOf(db)).toBeNull();
    expect(recordedBefore(db)).toBe(0);
    expect(kept(db)).toEqual(kept(other.db));
    const again = await merged(recorder, other.db);
    expect([again.recorded.datagrams, again.recorded.receptions]).toEqual([0, 0]);
  });

  it("takes of a store that kept everything no more than the time that it keeps itself", async () => {
    const whole = recorded(traffic(DAYS));
    const { db, recorder } = withRemoved();
    const before = kept(db);
    const hours = db.prepare("SELECT * FROM gateway_hour ORDER BY gateway_id, hour").all();
    const { recorded: taken } = await merged(recorder, whole.db);
    expect([taken.datagrams, taken.receptions]).toEqual([0, 0]);
    expect(taken.refused).toBeGreaterThan(1_000);
    expect(kept(db)).toEqual(before);
    expect(db.prepare("SELECT * FROM gateway_hour ORDER BY gateway_id, hour").all()).toEqual(hours);
  });

  it("is copied with its hours, and the copy says what was removed", async () => {
    const at = inFolder();
    const source = openStore(at("site.db"));
    const { db } = withRemoved(source);
    const before = kept(db);
    const options = { overwrite: false, withoutKeys: false, onProgress: () => undefined };
    const { removed } = await backupStore(at("site.db"), at("copy.db"), options);
    closeStore(source);
    expect(removed).toEqual({ beforeUs: REMOVED_US, rule: "1 day" });
    const copy = openReader(at("copy.db"));
    onTestFinished(() => void copy.close());
    expect(kept(copy)).toEqual(before);
    const query = { from: iso(FIRST_MIDNIGHT_US + DAY_US), to: iso(FIRST_MIDNIGHT_US + 2 * DAY_US) };
    const day = askedWindow(copy, query, START_US + DAYS * DAY_US, "hours");
    // A frame each twenty minutes are 72 a day.
    expect(nodesView(copy, day).nodes[0]).toMatchObject({ devAddr: "01000000", heard: 72, missed: 0 });
  });

  it("is rescued without the time before, which counts as not recorded", async () => {
    const at = inFolder();
    const source = openStore(at("site.db"));
    const { db } = withRemoved(source);
    const before = kept(db);
    closeStore(source);
    const options = { overwrite: false, judge: judgeGap, onProgress: () => undefined };
    const { removed } = await rescueStore(at("site.db"), at("rescued.db"), options);
    expect(removed?.beforeUs).toBe(REMOVED_US);
    const rescued = openReader(at("rescued.db"));
    onTestFinished(() => void rescued.close());
    expect(removedOf(rescued)).toBeNull();
    expect(recordedBefore(rescued)).toBe(0);
    expect(kept(rescued)).toEqual(before);
  });
});
