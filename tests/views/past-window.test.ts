/**
 * Does a past window keep its answer? The same window is asked of a store that holds everything, and of one that was
 * cut a fixed context after the window's end: both answer the same, to the last digit.
 *
 * Not in the property, since it is no matter of a window or rests on all that is stored: what a gateway had refused
 * (`rejected`, `odd`), counted over all time; its newest source address; two devices on one address, told apart by all
 * their frames; names, marks and placements, which people enter later; keys, which settle counters afterwards.
 */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { type AskedWindow, WINDOW_CONTEXT_US } from "../../src/views/window.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const START = "2026-04-14T04:00:00Z";
const START_US = Date.parse(START) * 1000;
const HOUR_US = 3_600_000_000;

type Item = DecodedArrival | DownlinkArrival;

interface Drawn {
  readonly seed: number;
  readonly rhythmSeconds: number;
  readonly events: readonly object[];
}

/** Five hours of two gateways and six nodes, of which the last is at the edge of reception. */
function traffic({ seed, rhythmSeconds, events }: Drawn): Item[] {
  const scenario = {
    title: "a past window",
    site: "Fennick Orchard",
    start: START,
    duration: "5:00:00",
    channelsHz: [868_100_000, 868_300_000, 867_100_000],
    gateways: [
      { eui: SHED, name: "shed", ghostShare: 0.1 },
      { eui: TOWER, name: "tower", hardware: "sx1301", forwardsCrcBad: true },
    ],
    nodes: [
      [-60, -128],
      [-118, -120],
      [-125, -122],
      [-104, -112],
      [-139, -145],
      [-141, -141],
    ].map(([shed, tower], index) => ({
      name: `Probe ${index + 1}`,
      devAddr: `01F2C10${index}`,
      rhythmSeconds: rhythmSeconds * (1 + index / 3),
      spreadingFactor: 8,
      pathGainDb: { [SHED]: shed, [TOWER]: tower },
    })),
    events,
  };
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: START_US, speed: 1 };
  const play = playSite(read.scenario, createRandom(seed), clock);
  return captureSite(play, read.scenario, clock)
    .map((one) => ({ ...one, door: "capture" as const }))
    .sort((a, b) => a.atUs - b.atUs)
    .map((arrival) =>
      arrival.to.port === 1700
        ? { arrival, decoding: decodeUpstream(arrival.bytes) }
        : { arrival, downlink: decodeDownstream(arrival.bytes) },
    );
}

function storeOf(items: readonly Item[]): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  for (let i = 0; i < items.length; i += 500)
    recorder.record(items.slice(i, i + 500), { deferSettling: true });
  recorder.endCapture();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return db;
}

/** Every view of a window, as JSON. */
function views(db: Store, window: AskedWindow): Record<string, unknown> {
  const isLeftOut = (key: string) => key === "rejected" || key === "odd";
  return JSON.parse(
    JSON.stringify({
      nodes: nodesView(db, window),
      gateways: gatewaysView(db, window),
      air: airView(db, window),
      gaps: gapsView(db, window),
      site: siteView(db, window),
      shed: benchView(db, window, SHED),
      tower: benchView(db, window, TOWER),
    }),
    (key, value) => (isLeftOut(key) ? undefined : value),
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

function minutes(value: number): string {
  return `${Math.floor(value / 60)}:${String(value % 60).padStart(2, "0")}:00`;
}

/** An event of some minutes, anywhere in the five hours: before, in, across and after the window. */
const anEvent = fc
  .record({
    kind: fc.constantFrom(
      "gateway-unreachable",
      "gateway-restarted",
      "node-restarted",
      "node-silent",
      "fading-link",
      "interferer",
    ),
    atMinute: fc.integer({ min: 30, max: 250 }),
    forMinutes: fc.integer({ min: 4, max: 160 }),
    node: fc.integer({ min: 1, max: 6 }),
    gateway: fc.constantFrom(SHED, TOWER),
  })
  .map(({ kind, atMinute, forMinutes, node, gateway }) => {
    const to = minutes(Math.min(290, atMinute + forMinutes));
    const from = minutes(atMinute);
    if (kind === "gateway-unreachable") return { event: kind, gateway, from, to, lossShare: 1 };
    if (kind === "gateway-restarted") return { event: kind, gateway, at: from, seconds: 120 };
    if (kind === "node-restarted")
      return { event: kind, node: `Probe ${node}`, at: from, silentSeconds: 60 * Math.min(20, forMinutes) };
    if (kind === "fading-link")
      return { event: kind, node: `Probe ${node}`, from, to, until: to, changeDb: -40 };
    if (kind === "interferer") return { event: kind, frequencyHz: 868_100_000, from, to, noiseRiseDb: 25 };
    return { event: kind, node: `Probe ${node}`, from, to };
  });

const aSite = fc.record({
  seed: fc.nat(10_000),
  rhythmSeconds: fc.integer({ min: 60, max: 120 }),
  events: fc.array(anEvent, { minLength: 3, maxLength: 6 }),
  endMinute: fc.integer({ min: 60, max: 160 }),
});

/** Each site is played once and recorded twice. */
const TIMEOUT_MS = 240_000;

describe("a window of the past", { timeout: TIMEOUT_MS }, () => {
  it("says that a silence is open at its end, however it ended later", () => {
    const silence = { event: "node-silent", node: "Probe 1", from: "1:30:00", to: "4:30:00" };
    const items = traffic({ seed: 3, rhythmSeconds: 60, events: [silence] });
    const window = { fromUs: START_US + HOUR_US, toUs: START_US + 2 * HOUR_US, live: false };
    const { gaps, sentence } = gapsView(storeOf(items), window);
    const [gap] = gaps.filter(({ devAddr }) => devAddr === "01F2C100");
    expect(gap).toMatchObject({
      kind: "silence",
      open: true,
      to: new Date(window.toUs / 1000).toISOString(),
    });
    expect(sentence.map(({ text }) => text).join("")).toMatch(/open at the end of this window\.$/);
    // A window that reaches the end of what is stored knows how it ended.
    const [ended] = gapsView(storeOf(items), { ...window, toUs: START_US + 5 * HOUR_US }).gaps.filter(
      ({ id }) => id === gap?.id,
    );
    expect(ended).toMatchObject({ kind: "silence", open: false });
  });

  it("is answered the same, whatever was recorded after its end and context", () => {
    fc.assert(
      fc.property(aSite, ({ endMinute, ...drawn }) => {
        const items = traffic(drawn);
        const window = { fromUs: START_US + HOUR_US / 2, toUs: START_US + endMinute * 60e6, live: false };
        const cut = items.filter(({ arrival }) => arrival.atUs <= window.toUs + WINDOW_CONTEXT_US);
        expect(cut.length).toBeLessThan(items.length);
        expect(differences(views(storeOf(items), window), views(storeOf(cut), window))).toEqual([]);
      }),
      { numRuns: 3, endOnFailure: true },
    );
  });
});
