/** A small site for tests: one gateway and one node with a strong link, and whatever a test adds. */
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario, type Scenario } from "../../src/simulate/scenario.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import type { Passage } from "../../src/simulate/transmission.ts";
import type { Truth, TruthLife } from "../../src/simulate/truth-schema.ts";

export const SHED = "02005E1000000001";
export const TOWER = "02005E1000000002";
export const START_US = Date.parse("2026-04-14T04:00:00Z") * 1000;

export const gateway = (eui = SHED, more: object = {}) => ({ eui, name: eui, ...more });

export const node = (more: object = {}) => ({
  name: "probe",
  devAddr: "01F2A102",
  rhythmSeconds: 20,
  spreadingFactor: 7,
  pathGainDb: { [SHED]: -100, [TOWER]: -100 },
  ...more,
});

export function site(more: object = {}): Scenario {
  const read = readScenario(
    JSON.stringify({
      title: "small site",
      site: "Fennick Orchard",
      start: "2026-04-14T04:00:00Z",
      duration: "1:00:00",
      channelsHz: [868_100_000, 868_300_000, 868_500_000],
      gateways: [gateway()],
      nodes: [node()],
      ...more,
    }),
  );
  if (!read.ok) throw new Error(read.sentence);
  return read.scenario;
}

/** A whole run and its truth. */
export function play(scenario: Scenario, seed = 1): { passages: Passage[]; truth: Truth } {
  const run = playSite(scenario, createRandom(seed), { startUs: START_US, speed: 1 });
  const passages: Passage[] = [];
  for (const passage of run.passages) {
    run.truth.passed(passage);
    passages.push(passage);
  }
  return { passages, truth: run.truth.finish(seed, scenario.duration) };
}

/** What arrived, copies left out: each packet with its gateway. */
export function packetsOf(passages: readonly Passage[]) {
  return passages.flatMap(({ datagram, gatewayEui, atUs, fate, isCopy }) =>
    datagram.kind === "push-data" && fate === "arrives" && !isCopy
      ? datagram.packets.map((forwarded) => ({ ...forwarded, gatewayEui, atUs }))
      : [],
  );
}

export function lifeOf(truth: Truth, name = "probe"): TruthLife {
  const lives = truth.nodes.filter((life) => life.name === name);
  if (lives.length !== 1 || lives[0] === undefined) throw new Error(`${lives.length} lives of ${name}`);
  return lives[0];
}
