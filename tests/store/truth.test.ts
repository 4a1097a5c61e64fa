import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { captureSite } from "../../src/simulate/capture-site.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { createRandom } from "../../src/simulate/random.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
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
});
