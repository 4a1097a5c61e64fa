import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { decoded } from "./traffic.ts";

interface LifeFigures {
  devAddr: string;
  life: number;
  heard: number;
  expected: number;
  repeats: number;
  receptions: number;
}

/** Plays a scenario, records what arrives, and gives the ledger's and the simulator's account side by side. */
function judge(
  file: string,
  seed: number,
  durationHours: number,
): { told: LifeFigures[]; truth: LifeFigures[] } {
  const text = readFileSync(new URL(`../../sample-captures/${file}`, import.meta.url), "utf8");
  return judgeText(text, seed, durationHours);
}

function judgeText(
  text: string,
  seed: number,
  durationHours: number,
): { told: LifeFigures[]; truth: LifeFigures[] } {
  const read = readScenario(text);
  if (!read.ok) throw new Error(read.sentence);
  const { scenario } = read;
  const cut = { ...scenario, duration: Math.min(scenario.duration, durationHours * 3_600_000_000) };
  const clock = { startUs: Date.parse(cut.start) * 1000, speed: 1 };
  const play = playSite(cut, createRandom(seed), clock);
  const arrivals = captureSite(play, cut, clock).filter(({ to }) => to.port === 1700);
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  for (let i = 0; i < arrivals.length; i += 50) {
    recorder.record(arrivals.slice(i, i + 50).map((one) => decoded({ ...one, door: "capture" })));
  }
  const told = db
    .prepare(
      `SELECT printf('%08X', l.dev_addr) AS devAddr, l.number AS life, l.heard,
       l.last_counter - l.first_counter + 1 AS expected,
       (SELECT sum(repeat) FROM frame WHERE life_id = l.id) AS repeats,
       (SELECT count(*) FROM reception r JOIN frame f ON f.id = r.frame_id WHERE f.life_id = l.id) AS receptions
       FROM life l ORDER BY 1, 2`,
    )
    .all() as LifeFigures[];
  const truth = play.truth
    .finish(seed, cut.duration)
    .nodes.filter((life) => life.life !== null)
    .map(({ devAddr, life, heard, expected, repeats, receptions }) => ({
      devAddr,
      life: life ?? 0,
      heard,
      expected,
      repeats,
      receptions,
    }))
    .sort((a, b) => a.devAddr.localeCompare(b.devAddr) || a.life - b.life);
  db.close();
  return { told, truth };
}

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";

/** Six hours of a site with a network that answers, ghosts, and every cause that leaves counters as they are. */
const troubled = JSON.stringify({
  title: "troubled",
  site: "Fennick Orchard",
  start: "2026-04-14T04:00:00Z",
  duration: "6:00:00",
  channelsHz: [868_100_000, 868_300_000, 868_500_000, 867_100_000],
  physics: { capture: "timed" },
  server: { adr: { afterFrames: 30 } },
  gateways: [
    { eui: SHED, name: "shed", ghostShare: 0.3, noiseWanderDb: 1 },
    { eui: TOWER, name: "tower", hardware: "sx1301", forwardsCrcBad: true },
  ],
  nodes: [
    { gains: [-60, -128], more: { confirmed: true } },
    { gains: [-118, null], more: { fastFading: "rician" } },
    { gains: [-125, -122], more: { hopping: "without-replacement", spreadingFactor: 10 } },
    { gains: [-121, -131], more: { activation: "otaa", devEui: "02005E1000000031", confirmed: true } },
    { gains: [-104, -112], more: { schedule: "clock", startCounter: 4_117 } },
  ].map(({ gains: [shed, tower], more }, index) => ({
    name: `Node ${index + 1}`,
    devAddr: `01F2C10${index}`,
    rhythmSeconds: 70 + 25 * index,
    spreadingFactor: 8,
    pathGainDb: { [SHED]: shed, [TOWER]: tower },
    ...more,
  })),
  events: [
    {
      event: "gateway-unreachable",
      gateway: SHED,
      from: "0:30:00",
      to: "1:00:00",
      lossShare: 0.4,
      burstSeconds: 60,
    },
    { event: "gateway-restarted", gateway: SHED, at: "1:10:00", seconds: 240 },
    { event: "node-restarted", node: "Node 5", at: "1:30:00", silentSeconds: 900 },
    { event: "weak-link", node: "Node 2", from: "2:00:00", to: "2:40:00", lossDb: 9 },
    { event: "interference", from: "2:50:00", to: "3:20:00", noiseRiseDb: 14 },
    { event: "congestion", from: "3:30:00", to: "3:40:00", load: 0.2, devices: 40 },
    { event: "channel-mismatch", gateway: SHED, from: "4:00:00", to: "4:30:00", channelsHz: [868_100_000] },
    { event: "gateway-transmitting", gateway: TOWER, from: "4:40:00", to: "5:20:00", share: 0.4 },
  ],
});

describe("the ledger against the simulator's truth", () => {
  it.each([5, 11])("equals it exactly for every life of the live scenario, seed %i", (seed) => {
    const { told, truth } = judge("fennick-orchard.json", seed, 0.7);
    expect(truth.length).toBeGreaterThan(14);
    expect(truth.some((life) => life.repeats > 0)).toBe(true);
    expect(truth.some((life) => life.expected > life.heard)).toBe(true);
    expect(told).toEqual(truth);
  });

  it.each([1, 2])("equals it exactly for every life of the slow day, seed %i", (seed) => {
    const { told, truth } = judge("fennick-orchard-day.json", seed, 6);
    expect(truth.length).toBeGreaterThan(10);
    expect(told).toEqual(truth);
  });

  it.each([3])("equals it exactly for every life of a site with every kind of trouble, seed %i", (seed) => {
    const { told, truth } = judgeText(troubled, seed, 6);
    expect(truth.length).toBeGreaterThan(35);
    expect(truth.filter(({ expected, heard }) => expected > heard).length).toBeGreaterThan(8);
    expect(told).toEqual(truth);
  });
});
