/** The same datagrams in any order of arrival, then a rebuild: do all views say the same, to the last digit? */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import type { Arrival } from "../../src/model/datagram.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const START_US = Date.parse("2026-04-14T04:00:00Z") * 1000;
const HOURS = 1.5;

/** An hour and a half of two gateways: ghosts, a restart, an outage, a node that restarts, a server that answers. */
const scenario = {
  title: "in any order",
  site: "Fennick Orchard",
  start: "2026-04-14T04:00:00Z",
  duration: "1:30:00",
  channelsHz: [868_100_000, 868_300_000, 867_100_000],
  server: { adr: { afterFrames: 30 } },
  gateways: [
    { eui: SHED, name: "shed", ghostShare: 0.3 },
    { eui: TOWER, name: "tower", hardware: "sx1301", forwardsCrcBad: true },
  ],
  nodes: [
    { gains: [-60, -128], more: { confirmed: true } },
    { gains: [-118, -120], more: {} },
    { gains: [-125, -122], more: { spreadingFactor: 10 } },
    { gains: [-104, -112], more: { startCounter: 4_117 } },
  ].map(({ gains: [shed, tower], more }, index) => ({
    name: `Probe ${index + 1}`,
    devAddr: `01F2C10${index}`,
    rhythmSeconds: 40 + 15 * index,
    spreadingFactor: 8,
    pathGainDb: { [SHED]: shed, [TOWER]: tower },
    ...more,
  })),
  events: [
    { event: "gateway-restarted", gateway: SHED, at: "0:20:00", seconds: 240 },
    { event: "node-restarted", node: "Probe 4", at: "0:40:00", silentSeconds: 600 },
    { event: "gateway-unreachable", gateway: TOWER, from: "0:50:00", to: "0:58:00", lossShare: 1 },
  ],
};

type Item = DecodedArrival | DownlinkArrival;

/** What a capture of that site holds. For ten minutes the tower's way is up to 4 s late. */
function traffic(): Item[] {
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: START_US, speed: 1 };
  const play = playSite(read.scenario, createRandom(7), clock);
  const arrivals = captureSite(play, read.scenario, clock).map((one) => ({
    ...one,
    door: "capture" as const,
  }));
  return arrivals.map((arrival) => {
    const item: Item =
      arrival.to.port === 1700
        ? { arrival, decoding: decodeUpstream(arrival.bytes) }
        : { arrival, downlink: decodeDownstream(arrival.bytes) };
    return isHeldUp(item) ? { ...item, arrival: later(arrival) } : item;
  });
}

function isHeldUp(item: Item): boolean {
  if (!("decoding" in item) || !item.decoding.ok || item.decoding.datagram.gatewayEui !== TOWER) return false;
  const afterS = (item.arrival.atUs - START_US) / 1e6;
  return afterS > 900 && afterS < 1_500;
}

function later(arrival: Arrival): Arrival {
  return { ...arrival, atUs: arrival.atUs + 400_000 + ((arrival.atUs * 7) % 3_600_000) };
}

function byTime(items: readonly Item[]): Item[] {
  return [...items].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

function storeOf(items: readonly Item[], batch = 100): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  for (let i = 0; i < items.length; i += batch)
    recorder.record(items.slice(i, i + batch), { deferSettling: true });
  recorder.endCapture();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return db;
}

function rebuilt(items: readonly Item[], batch?: number): Store {
  const db = storeOf(items, batch);
  rebuild(db, () => undefined, judgeGap);
  return db;
}

/** All views, and what they rest on without row numbers. */
function views(db: Store): Record<string, unknown> {
  const window = { fromUs: START_US, toUs: START_US + HOURS * 3_600e6, live: false };
  const rows = (sql: string) => db.prepare(sql).all();
  return JSON.parse(
    JSON.stringify({
      nodes: nodesView(db, window),
      gateways: gatewaysView(db, window),
      air: airView(db, window),
      gaps: gapsView(db, window),
      shed: benchView(db, window, SHED),
      tower: benchView(db, window, TOWER),
      restarts: rows(
        "SELECT eui, r.at_us FROM gateway_restart r JOIN gateway g ON g.id = r.gateway_id ORDER BY eui, r.at_us",
      ),
      outages: rows(
        "SELECT eui, from_us, to_us FROM gateway_outage o JOIN gateway g ON g.id = o.gateway_id ORDER BY eui, from_us",
      ),
      receptions: rows(
        `SELECT eui, at_us, late_us, tmst_key, antenna, ghost, further, airtime_us, gateway_offset_us FROM reception r
         JOIN gateway g ON g.id = r.gateway_id ORDER BY eui, at_us, tmst_key, frequency_hz, antenna`,
      ),
      downlinks: rows(
        "SELECT at_us, receive_window, delay_us, lead_us, outcome, outcome_at_us, sent_power_tenths FROM downlink ORDER BY at_us, token",
      ),
      refusals: rows(
        `SELECT coalesce(eui, '') AS eui, reason, refused, count, r.first_at_us, r.last_at_us FROM refusal r
         LEFT JOIN gateway g ON g.id = r.gateway_id ORDER BY 1, 2`,
      ),
    }),
  );
}

/** Where two answers differ, with both values. */
function differences(one: unknown, two: unknown, path = ""): string[] {
  if (typeof one !== "object" || typeof two !== "object" || one === null || two === null)
    return Object.is(one, two) ? [] : [`${path}: ${JSON.stringify(one)} or ${JSON.stringify(two)}`];
  const [a, b] = [one as Record<string, unknown>, two as Record<string, unknown>];
  const keys = new Set([...Object.keys(a), ...Object.keys(b)]);
  return [...keys].flatMap((key) => differences(a[key], b[key], `${path}/${key}`));
}

describe("the same datagrams in any order", () => {
  const items = byTime(traffic());
  const once = views(storeOf(items));

  it("are a site with restarts, outages, ghosts, late datagrams and answers", () => {
    expect(once.restarts).toHaveLength(1);
    expect((once.outages as unknown[]).length).toBeGreaterThan(0);
    expect((once.refusals as { reason: string }[]).map(({ reason }) => reason)).toEqual(
      expect.arrayContaining(["late", "ghost"]),
    );
    expect(
      (once.downlinks as { outcome: string | null }[]).some(({ outcome }) => outcome === "accepted"),
    ).toBe(true);
  });

  it("give after a rebuild what they gave when they were read in order", () => {
    expect(differences(once, views(rebuilt(items)))).toEqual([]);
  });

  it("give the same after a rebuild when twelve pieces are read last first", () => {
    const size = Math.ceil(items.length / 12);
    const pieces = Array.from({ length: 12 }, (_, i) => items.slice(i * size, (i + 1) * size));
    expect(differences(once, views(rebuilt(pieces.reverse().flat())))).toEqual([]);
  });

  it("give the same after a rebuild when shuffled, doubled and divided", () => {
    const arbitrary = fc.record({
      order: fc.array(fc.nat(), { minLength: 200, maxLength: 200 }),
      doubled: fc.array(fc.nat(items.length - 1), { maxLength: 20 }),
      batch: fc.integer({ min: 20, max: 300 }),
    });
    fc.assert(
      fc.property(arbitrary, ({ order, doubled, batch }) => {
        const shuffled = items
          .map((item, i) => ({ item, by: order[i % order.length] ?? 0, i }))
          .sort((a, b) => a.by - b.by || a.i - b.i)
          .map(({ item }) => item);
        for (const at of doubled) shuffled.push(items[at] as Item);
        expect(differences(once, views(rebuilt(shuffled, batch)))).toEqual([]);
      }),
      { numRuns: 3 },
    );
  });
});
