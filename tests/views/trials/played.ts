/** A store that holds what a scenario's gateways sent: for tests of trials against the simulator. */
import { readFileSync } from "node:fs";
import { playSite } from "../../../src/simulate/play-site.ts";
import { readScenario, type Scenario } from "../../../src/simulate/scenario.ts";
import { captureSite } from "../../../src/simulate/site-output.ts";
import { createRandom } from "../../../src/simulate/time-and-chance.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { changePlacements } from "../../../src/store/placements.ts";
import { storedSpanUs } from "../../../src/store/queries/lives.ts";
import { Recorder } from "../../../src/store/recorder.ts";
import { type AskedWindow, resolveWindow } from "../../../src/views/window.ts";
import { decoded } from "../../store/traffic.ts";

export function sampleScenario(file: string): Scenario {
  const text = readFileSync(new URL(`../../../sample-captures/${file}`, import.meta.url), "utf8");
  return scenarioOf(text);
}

export function scenarioOf(text: string): Scenario {
  const read = readScenario(text);
  if (!read.ok) throw new Error(read.sentence);
  return read.scenario;
}

export function played(
  scenario: Scenario,
  seed: number,
  db: Store = openStore(":memory:"),
  batch = 200,
): Store {
  const clock = { startUs: Date.parse(scenario.start) * 1000, speed: 1 };
  const play = playSite(scenario, createRandom(seed), clock);
  const arrivals = captureSite(play, scenario, clock).filter(({ to }) => to.port === 1700);
  const recorder = new Recorder(db);
  for (let i = 0; i < arrivals.length; i += batch) {
    recorder.record(
      arrivals.slice(i, i + batch).map((one) => decoded({ ...one, door: batch === 1 ? "udp" : "capture" })),
    );
  }
  return db;
}

export function place(
  db: Store,
  name: string,
  gatewayEui: string,
  from: string,
  more: { readonly antennaGainDbi?: number; readonly cableLossDb?: number; readonly antenna?: number } = {},
): void {
  changePlacements(db, {
    kind: "add",
    placement: {
      name,
      gatewayEui,
      antenna: more.antenna ?? null,
      fromUs: Date.parse(from) * 1000,
      heightM: null,
      antennaGainDbi: more.antennaGainDbi ?? null,
      cableLossDb: more.cableLossDb ?? null,
      direction: null,
      note: null,
    },
  });
}

export function whole(db: Store): AskedWindow {
  return resolveWindow({}, 0, storedSpanUs(db));
}
