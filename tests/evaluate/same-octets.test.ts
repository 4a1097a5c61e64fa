/** What cannot be known from what a gateway sends: two truths that leave the same octets. */
import { describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

const EUI = "02005E1000000001";
const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];
const HOUR = 3600;

/** Datagrams of four hours at one gateway and three nodes, in hex by their times. */
function sentAt(event: object): string[] {
  const read = readScenario(
    JSON.stringify({
      title: "One gateway",
      site: "drawn",
      start: "2026-03-14T06:00:00.000Z",
      duration: 4 * HOUR,
      seed: 7,
      region: "EU868",
      channelsHz: CHANNELS_HZ,
      gateways: [{ eui: EUI, name: "Gateway 1", channelsHz: CHANNELS_HZ, forwardsCrcBad: true }],
      nodes: [1, 2, 3].map((id) => ({
        name: `Node ${id}`,
        devAddr: `01F2000${id}`,
        devEui: `02005E100000003${id}`,
        rhythmSeconds: 100 + 7 * id,
        spreadingFactor: 8 + id,
        pathGainDb: { [EUI]: -110 },
        channelsHz: CHANNELS_HZ,
      })),
      events: [event],
    }),
  );
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: Date.parse(read.scenario.start) * 1000, speed: 1 };
  return captureSite(playSite(read.scenario, createRandom(7), clock), read.scenario, clock).map(
    ({ atUs, bytes }) => `${atUs} ${Buffer.from(bytes).toString("hex")}`,
  );
}

describe("a jam that drowns every channel", () => {
  const jam = (to: number) => ({
    event: "interference",
    from: HOUR,
    to,
    noiseRiseDb: 60,
    frequenciesHz: CHANNELS_HZ,
  });
  const deaf = (to: number, restartSeconds: number) => ({
    event: "gateway-deaf",
    gateway: EUI,
    from: HOUR,
    to,
    restartSeconds,
    counterStands: false,
  });

  it("leaves the same octets at the same times as a radio that hangs and comes back by itself", () => {
    const jammed = sentAt(jam(3 * HOUR));
    expect(jammed.length).toBeGreaterThan(1_000);
    expect(sentAt(deaf(3 * HOUR, 0))).toEqual(jammed);
    expect(sentAt({ ...deaf(3 * HOUR, 0), counterStands: true })).not.toEqual(jammed);
  });

  it("does so while it goes on, and not where the radio is cured by a restart", () => {
    const jammed = sentAt(jam(4 * HOUR));
    expect(sentAt(deaf(4 * HOUR, 0))).toEqual(jammed);
    expect(sentAt(deaf(3 * HOUR, 30))).not.toEqual(sentAt(jam(3 * HOUR)));
  });
});
