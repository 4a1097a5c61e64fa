/** Watches of a played site, looked at as time goes on: the store knows at each look what had arrived by then. */
import { describe, expect, it } from "vitest";
import { WatchFile, type WatchMessage } from "../../src/contract/watches.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { NO_DISK_SPACE } from "../../src/service/disk-space.ts";
import { WatchService } from "../../src/service/watch-service.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { watchSettings } from "../../src/store/settings.ts";
import { writeUserChange } from "../../src/store/user-changes.ts";
import { watchFacts } from "../../src/views/watch-facts.ts";
import { decoded } from "../store/traffic.ts";
import { MAST, orchardScenario } from "./a-played-site.ts";

/** What the watches of a file told over the whole play, looking every `everyS` seconds. */
async function toldOf(scenario: object, watches: readonly object[], everyS: number): Promise<WatchMessage[]> {
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: Date.parse(read.scenario.start) * 1000, speed: 1 };
  const arrivals = captureSite(playSite(read.scenario, createRandom(3), clock), read.scenario, clock)
    .filter(({ to }) => to.port === 1700)
    .map((one) => decoded({ ...one, door: "udp" }));
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  recorder.listen(clock.startUs, "start");
  const told: WatchMessage[] = [];
  let nowUs = clock.startUs;
  const service = new WatchService({
    file: WatchFile.parse({ watches }),
    ways: [{ name: "test", send: async (message) => void told.push(message) }],
    facts: {
      watchSettings: () => watchSettings(store),
      stored: () => ({ siteName: "Orchard", sites: [], bytes: 0, receptions: 0, fromUs: null, toUs: null }),
    },
    storedFacts: async (withNoise, atUs) => watchFacts(store, withNoise, atUs),
    figures: () => ({ storage: "well", storageWords: "" }),
    diskSpace: () => NO_DISK_SPACE,
    change: async (change) => writeUserChange(store, change),
    now: () => nowUs / 1_000,
    clock: { monotonicMs: () => nowUs / 1_000, after: () => () => undefined },
    log: () => undefined,
  });
  let next = 0;
  while (next < arrivals.length) {
    nowUs += everyS * 1e6;
    const begin = next;
    while ((arrivals[next]?.arrival.atUs ?? Number.POSITIVE_INFINITY) < nowUs) next += 1;
    recorder.record(arrivals.slice(begin, next));
    recorder.heartbeat(nowUs, true);
    while (recorder.workOnGaps({ patient: false, nowUs }));
    await service.look();
  }
  await service.close();
  store.close();
  return told;
}

const hoursAfterStart = (text: string) => (Date.parse(text) - Date.parse("2026-04-14T04:00:00Z")) / 3_600_000;

describe("the watches of a played site", () => {
  it("tell that one channel became louder, and that it is over", async () => {
    const loudHz = 868_100_000;
    const scenario = orchardScenario({
      duration: "5:00:00",
      channelsHz: [loudHz, 868_500_000],
      nodes: 6,
      rhythmSeconds: 60,
      // At the noise of a quiet channel (SNR about 0 dB), and heard by SF10 through 9 dB more of it.
      node: { spreadingFactor: 10, pathGainDb: { [MAST]: -131 }, fastFadingDb: 1 },
      events: [
        {
          event: "interference",
          gateway: MAST,
          frequenciesHz: [loudHz],
          from: "2:00:00",
          to: "3:30:00",
          noiseRiseDb: 9,
        },
      ],
    });
    const told = await toldOf(scenario, [{ watch: "noise-up", db: 6 }], 300);
    const changes = told.flatMap((message) => message.changes);
    expect(changes.map(({ change, watch }) => [change, watch])).toEqual([
      ["begin", "noise-up"],
      ["end", "noise-up"],
    ]);
    const [begin, end] = changes;
    expect(begin?.things).toEqual([
      expect.stringMatching(/^868\.1\u202FMHz at 02005E1000000001 has become \d+\.\d\u202FdB louder\.$/),
    ]);
    // Looked at every fifty minutes; loud from 2:00 to 3:30.
    const at = [hoursAfterStart(begin?.from ?? ""), hoursAfterStart(end?.to ?? "")];
    expect(at[0]).toBeGreaterThan(2);
    expect(at[0]).toBeLessThan(3.5);
    expect(at[1]).toBeGreaterThan(3);
    expect(at[1]).toBeLessThan(4.5);
  });

  it("tell the cause of a loss once it is found, in one message, however many gaps it makes until its end", async () => {
    const scenario = orchardScenario({
      duration: "2:30:00",
      nodes: 12,
      events: [{ event: "interference", gateway: MAST, from: "1:00:00", to: "1:20:00", noiseRiseDb: 30 }],
    });
    const told = await toldOf(scenario, [{ watch: "finding", causes: ["interference"] }], 240);
    const changes = told.flatMap((message) => message.changes);
    expect(changes.map(({ change, watch }) => [change, watch])).toEqual([["event", "finding"]]);
    expect(changes[0]?.things.join(" ")).toMatch(/^interference: /);
    expect(Math.abs(hoursAfterStart(changes[0]?.from ?? "") - 1)).toBeLessThan(0.1);
  });
});
