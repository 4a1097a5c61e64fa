/** What do views answer of a store of which receptions were removed? The same store before is the oracle. */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { narrowToSite } from "../../src/store/narrowed.ts";
import type { Store } from "../../src/store/open.ts";
import { removedOf } from "../../src/store/retention.ts";
import { writeKeptRule } from "../../src/store/settings.ts";
import { airView } from "../../src/views/air.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { askedWindow, type Basis, RowsRemoved } from "../../src/views/window.ts";
import { DAY_US, FIRST_MIDNIGHT_US, recorded, recordedDays, removeAll, traffic } from "../store/some-days.ts";
import { START_US } from "../store/traffic.ts";

const HOUR_US = 3_600e6;
const REMOVED_US = FIRST_MIDNIGHT_US + 3 * DAY_US;
const iso = (atUs: number) => new Date(atUs / 1000).toISOString();

function asked(db: Store, fromUs: number, toUs: number, basis: Basis = "rows") {
  return askedWindow(db, { from: iso(fromUs), to: iso(toUs) }, START_US + 5 * DAY_US, basis);
}

/** An answer without the note of what was removed; `without`: nor what comes from the findings of gaps, which are the newest. */
function plain(answer: object, without = "removed"): unknown {
  const left = (key: string, value: unknown) => (key === "removed" || key === without ? undefined : value);
  return JSON.parse(JSON.stringify(answer, left));
}

/**
 * Five days with losses by chance. Nobody is silent from the removed time to the end: of such a silence a past window
 * shows the finding that was made last.
 */
function drawn(seed: number) {
  let state = seed + 1;
  const chance = () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fff_ffff;
    return state / 0x8000_0000;
  };
  return traffic(5, false).filter(({ decoding }) => {
    if (!decoding.ok || decoding.datagram.kind !== "push-data") return chance() > 0.01;
    return chance() > 0.12;
  });
}

/** What gateways and channels add up to, and of Site what its nodes are told to have lost. */
function sumsOf(db: Store, fromUs: number, toUs: number): unknown {
  const window = asked(db, fromUs, toUs, "sums");
  const total = (values: readonly number[]) => values.reduce((sum, one) => sum + one, 0);
  const gateways = gatewaysView(db, window).gateways.map((row) => {
    const { eui, datagrams, receptions, crcBad, crcNone, outages, restarts, heartbeat, region } = row;
    const { keepalives, statusReports } = heartbeat;
    const beats = [keepalives, statusReports, heartbeat.receptions].map(total);
    return { eui, datagrams, receptions, crcBad, crcNone, outages, restarts, beats, region };
  });
  const channels = airView(db, window).channels.map(
    ({ gatewayEui, frequencyHz, receptions, airtimeSeconds, busySeconds, utilisation, crcBad }) => [
      gatewayEui,
      frequencyHz,
      receptions,
      airtimeSeconds,
      busySeconds,
      utilisation,
      crcBad,
    ],
  );
  const { nodeCount, strangerCount, recorded: ranges } = siteView(db, asked(db, fromUs, toUs, "site"));
  return { gateways, channels, nodeCount, strangerCount, ranges };
}

describe("answers after receptions were removed", { timeout: 240_000 }, () => {
  it("equal those before, for windows that are wholly kept and for whole hours that are not", () => {
    fc.assert(
      fc.property(fc.nat(9_999), fc.nat(47), fc.integer({ min: 6, max: 40 }), (seed, begin, hours) => {
        const { db, recorder } = recorded(drawn(seed));
        const keptAnswers = () => {
          const window = asked(db, REMOVED_US + DAY_US / 2, REMOVED_US + 1.9 * DAY_US);
          return [nodesView, gapsView, gatewaysView, siteView, airView].map((view) =>
            plain(view(db, window)),
          );
        };
        const fromUs = FIRST_MIDNIGHT_US + 12 * HOUR_US + begin * HOUR_US;
        const nodesOf = (toUs: number) => plain(nodesView(db, asked(db, fromUs, toUs, "hours")), "why");
        const within = fromUs + Math.min(hours * HOUR_US, REMOVED_US - fromUs);
        const before = [keptAnswers(), nodesOf(within), nodesOf(REMOVED_US + 17 * HOUR_US + 1e6)];
        writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
        removeAll(recorder);
        expect(removedOf(db)?.beforeUs).toBe(REMOVED_US);
        expect([keptAnswers(), nodesOf(within), nodesOf(REMOVED_US + 17 * HOUR_US + 1e6)]).toEqual(before);
      }),
      { numRuns: 3, endOnFailure: true },
    );
  });

  it("keep the sums of gateways and channels of whole hours that are removed", () => {
    fc.assert(
      fc.property(fc.nat(9_999), fc.nat(30), fc.integer({ min: 2, max: 40 }), (seed, begin, hours) => {
        const { db, recorder } = recorded(drawn(seed));
        const fromUs = FIRST_MIDNIGHT_US + 6 * HOUR_US + begin * HOUR_US;
        const within = Math.min(fromUs + hours * HOUR_US, REMOVED_US);
        const sums = () => [within, REMOVED_US + 17 * HOUR_US].map((toUs) => sumsOf(db, fromUs, toUs));
        const before = sums();
        writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
        removeAll(recorder);
        expect(sums()).toEqual(before);
        const { gateways } = gatewaysView(db, asked(db, fromUs, within, "sums"));
        // Keepalives come every 240 s, one of a hundred got lost: 15 an hour.
        for (const { keepaliveSeconds } of gateways)
          expect(Math.abs((keepaliveSeconds ?? 0) - 240)).toBeLessThan(24);
      }),
      { numRuns: 3, endOnFailure: true },
    );
  });

  it("leave out what rests on single receptions, and say so", () => {
    const { db, recorder } = recordedDays(5);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    const window = asked(db, FIRST_MIDNIGHT_US + DAY_US, FIRST_MIDNIGHT_US + 2 * DAY_US, "sums");
    const air = airView(db, window);
    expect(air.window.removed?.sentence).toContain(
      "Before that, sums rest on whole hours, and what rests on single receptions is left out.",
    );
    expect(air.detail).toMatchObject({ packets: 0, whole: false });
    expect([air.dataRates, air.networks, air.talkers]).toEqual([[], [], []]);
    expect(air.maps.every(({ cellSeconds }) => cellSeconds === 3_600)).toBe(true);
    expect(
      gatewaysView(db, window).gateways.map(({ ackPercent, downlinks }) => [ackPercent, downlinks]),
    ).toEqual([0, 1].map(() => [null, null]));
    const site = siteView(db, window);
    expect(site.nodeCount).toBe(2);
    expect(site.score.noise).toEqual([]);
    narrowToSite(db, null);
    expect(gatewaysView(db, asked(db, window.fromUs, window.toUs, "sums")).gateways).toHaveLength(2);
    expect(() => asked(db, window.fromUs, window.toUs, "site")).toThrow(RowsRemoved);
  });

  it("keep the figures that were worked out by hand, a day that is removed", () => {
    const { db, recorder } = recordedDays(5);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    const window = asked(db, FIRST_MIDNIGHT_US + DAY_US, FIRST_MIDNIGHT_US + 2 * DAY_US, "hours");
    const rows = nodesView(db, window).nodes;
    // A frame each twenty minutes are 72 a day; node 2 lost twelve; node 1 was silent, and node 3 had not begun.
    expect(
      rows.map(({ devAddr, heard, expected, missed, missedDuringOutage }) => [
        devAddr,
        heard,
        expected,
        missed,
        missedDuringOutage,
      ]),
    ).toEqual([
      ["01000000", 72, 72, 0, 0],
      ["01000002", 60, 72, 12, 0],
    ]);
    const { counts, gaps, recordedSeconds } = gapsView(db, window);
    expect([counts.gaps, counts.missedCounters, recordedSeconds]).toEqual([2, 12, 86_400]);
    expect(gaps.map(({ devAddr, open, missedCounters }) => [devAddr, open, missedCounters])).toEqual([
      ["01000002", false, 12],
      ["01000001", true, 0],
    ]);
  });

  it("keep losses in and out of an outage that both gateways share apart", () => {
    const dayUs = FIRST_MIDNIGHT_US + DAY_US;
    const out = { fromUs: dayUs + 130 * 60e6, toUs: dayUs + 175 * 60e6 };
    const { db, recorder } = recorded(
      traffic(5).filter(({ arrival: { atUs } }) => atUs < out.fromUs || atUs > out.toUs),
    );
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    // From 02:10 to 02:55 nothing comes: two frames of each node. Node 2 misses twelve by itself, from 04:48 on.
    expect(
      nodesView(db, asked(db, dayUs, dayUs + DAY_US, "hours")).nodes.map(
        ({ devAddr, expected, missed, missedDuringOutage }) => [
          devAddr,
          expected,
          missed,
          missedDuringOutage,
        ],
      ),
    ).toEqual([
      ["01000000", 72, 2, 2],
      ["01000002", 72, 14, 2],
    ]);
  });

  it("still tell of the silence that began in what was removed, with its finding", () => {
    const { db, recorder } = recordedDays(5);
    const silence = () =>
      gapsView(db, asked(db, REMOVED_US, REMOVED_US + 30 * HOUR_US)).gaps.map(({ devAddr }) => devAddr);
    expect(silence()).toEqual(["01000001"]);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    expect(silence()).toEqual(["01000001"]);
    const { gaps } = gapsView(db, asked(db, REMOVED_US, REMOVED_US + 30 * HOUR_US));
    expect(gaps[0]?.finding.cause).toBe("node-silent");
  });
});

describe("a window that reaches into what was removed", () => {
  const { db, recorder } = recordedDays(5);
  writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
  removeAll(recorder);
  const early = REMOVED_US - DAY_US - 1_800e6;

  it("begins where receptions are, and says so", () => {
    const window = asked(db, early, REMOVED_US + DAY_US);
    expect([window.fromUs, window.toUs]).toEqual([REMOVED_US, REMOVED_US + DAY_US]);
    expect(gatewaysView(db, window).window.removed).toEqual({
      before: "2026-03-17T00:00:00.000Z",
      rule: "2 days",
      basis: "cut",
      sentence:
        "Receptions before 2026-03-17T00:00:00.000Z were removed by the rule of 2 days; sums of whole hours, gaps and findings remain. This answer begins there.",
    });
  });

  it("is widened to whole hours for a view that rests on them, and says so", () => {
    const window = asked(db, early, early + 3 * HOUR_US, "hours");
    expect([window.fromUs, window.toUs]).toEqual([
      REMOVED_US - DAY_US - HOUR_US,
      REMOVED_US - DAY_US + 3 * HOUR_US,
    ]);
    expect(nodesView(db, window).window.removed?.sentence).toContain(
      "Before that, this answer rests on whole hours.",
    );
  });

  it("is refused where nothing that is left could answer", () => {
    expect(() => asked(db, early, early + HOUR_US)).toThrow(RowsRemoved);
  });

  it("says nothing where it lies behind", () => {
    expect(
      nodesView(db, asked(db, REMOVED_US, REMOVED_US + HOUR_US, "hours")).window.removed,
    ).toBeUndefined();
  });
});
