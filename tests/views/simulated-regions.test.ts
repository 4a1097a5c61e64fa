/** Simulated gateways of every region, through datagrams, recorder and view, as a person would see them. */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { decoded } from "../store/traffic.ts";

const SEEDS = [1, 2, 3];
/** Where every seed must give the same answer. */
const FEW = [1, 2];

/** Plays a scenario of sample-captures/regions; its gateways as the view tells them, after so many receptions or all. */
function told(name: string, seed: number, receptions: number | null, change: object = {}) {
  const text = readFileSync(new URL(`../../sample-captures/regions/${name}.json`, import.meta.url), "utf8");
  const read = readScenario(JSON.stringify({ ...(JSON.parse(text) as object), ...change }));
  if (!read.ok) throw new Error(read.sentence);
  const { scenario } = read;
  const clock = { startUs: Date.parse(scenario.start) * 1000, speed: 1 };
  const play = playSite(scenario, createRandom(seed), clock);
  const arrivals = captureSite(play, scenario, clock).filter(({ to }) => to.port === 1700);
  const db = openStore(":memory:");
  new Recorder(db).record(arrivals.map((one) => decoded({ ...one, door: "capture" })));
  const lastUs =
    receptions === null
      ? clock.startUs + scenario.duration
      : (db
          .prepare("SELECT at_us FROM reception ORDER BY at_us LIMIT 1 OFFSET ?")
          .pluck()
          .get(receptions - 1) as number);
  return gatewaysView(db, { fromUs: clock.startUs, toUs: lastUs + 1, live: false }).gateways;
}

const run = (firstHz: number) => Array.from({ length: 8 }, (_, i) => firstHz + i * 200_000);

describe("a simulated gateway's region, after 50 frames", () => {
  // RP002: the regions of the standard, and the sub-band that the scenario keeps to.
  it.each([
    ["EU868", null],
    ["US915", 2],
    ["CN779", null],
    ["EU433", null],
    ["AU915", 2],
    ["CN470", null],
    ["AS923-1", null],
    ["AS923-2", null],
    ["AS923-3", null],
    ["AS923-4", null],
    ["KR920", null],
    ["IN865", null],
    ["RU864", null],
  ])("is %s, sub-band %s", (name, subBand) => {
    for (const seed of FEW) {
      const [gateway] = told(name.toLowerCase(), seed, 50, { duration: "0:15:00" });
      expect(gateway?.receptions, `seed ${seed}`).toBe(50);
      expect(gateway?.region, `seed ${seed}`).toMatchObject({ name, subBand, contradictions: [] });
      expect(gateway?.region.confidence).toBeGreaterThan(0.9);
    }
  });

  it("is left open where two regions share the channels heard", () => {
    // 923.2 to 924.6 MHz: default channels of AS923-1 with neighbours, and sub-band 6 of AU915.
    for (const seed of FEW) {
      const channelsHz = run(923_200_000);
      const [plain] = (
        JSON.parse(
          readFileSync(new URL("../../sample-captures/regions/as923-3.json", import.meta.url), "utf8"),
        ) as { nodes: object[] }
      ).nodes;
      const [gateway] = told("as923-3", seed, null, { region: "AS923-1", channelsHz, nodes: [plain] });
      expect(gateway?.region.name).toBeNull();
      expect(gateway?.region.alternatives.map((one) => one.name).sort()).toEqual(["AS923-1", "AU915"]);
      expect(gateway?.region.reason).toContain("Ambiguous");
    }
  });
});

describe("a wrong sub-band", () => {
  it.each([
    ["us915-whole-plan", "US915", "nodes hop over all 64 channels of US902-928"],
    ["au915-whole-plan", "AU915", "nodes hop over all 64 channels of AU915-928"],
  ])("is named when nodes hop over the whole plan: %s", (file, name, sentence) => {
    const named = SEEDS.filter((seed) => {
      const [gateway] = told(file, seed, null);
      expect(gateway?.region).toMatchObject({ name, subBand: 1 });
      return gateway?.region.contradictions.some(
        (one) => one.includes(sentence) && one.includes("listens to sub-band 1 alone"),
      );
    });
    // The share heard must lie within its 95 % interval of one in eight; one seed in twenty may miss it.
    expect(named.length).toBeGreaterThanOrEqual(2);
  });

  it.each(["us915-one-astray", "au915-one-astray"])(
    "is suspected when one of two gateways hears nothing: %s",
    (file) => {
      for (const seed of FEW) {
        const gateways = told(file, seed, null);
        const good = gateways.find((one) => one.eui.endsWith("01"));
        const astray = gateways.find((one) => one.eui.endsWith("02"));
        expect(good?.region).toMatchObject({ subBand: 2, contradictions: [] });
        expect(astray?.receptions).toBe(0);
        expect(astray?.region.contradictions.join()).toMatch(
          /^This gateway heard nothing, while 02005E1000000001 heard \d+ receptions in sub-band 2/,
        );
      }
    },
  );

  it("is named in CN470 by its frequencies, for the plan numbers none", () => {
    const named = SEEDS.filter((seed) => {
      const [gateway] = told("cn470-whole-plan", seed, null);
      expect(gateway?.region.reason).toContain("CN470-510, channels 486.3 to 487.7\u202FMHz");
      return gateway?.region.contradictions.some((one) =>
        one.includes("this gateway listens to channels 486.3 to 487.7\u202FMHz alone"),
      );
    });
    expect(named.length).toBeGreaterThanOrEqual(2);
  });

  it("is not claimed of nodes that keep to the gateway's", () => {
    for (const seed of FEW) {
      for (const file of ["us915", "au915", "cn470"])
        expect(told(file, seed, null)[0]?.region.contradictions).toEqual([]);
    }
  });
});
