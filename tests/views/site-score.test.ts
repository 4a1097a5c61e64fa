import { describe, expect, it } from "vitest";
import { SiteScore } from "../../src/contract/index.ts";
import { airView } from "../../src/views/air.ts";
import { siteView } from "../../src/views/site.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

const HOUR = 3600;
const LOUD = 868_300_000;
const CALM = 868_100_000;

/** RSSI of a frame at −6 dB SNR over a noise level: noise plus what the signal adds. */
const rssiOver = (noiseDbm: number) => Math.round(noiseDbm + 10 * Math.log10(1 + 10 ** -0.6));

/**
 * Four hours of one node, a frame a minute, at no fixed second, in turn on two channels, one of them 20 dB louder from 01:00 to 02:30; every
 * fifth counter is lost, so that it needs a look.
 */
function noisySite() {
  const traffic = [...keepalives(SHED, 0, 4 * HOUR)];
  for (let n = 0; n < 240; n += 1) {
    if (n % 5 === 3) continue;
    const frequencyHz = n % 2 === 0 ? LOUD : CALM;
    const noise = frequencyHz === LOUD && n >= 60 && n < 150 ? -97 : -117;
    // A dB of scatter either way, as real levels have it.
    const rssiDbm = rssiOver(noise + ((n * 7) % 3) - 1);
    const heard = { payload: phy("01000002", n), frequencyHz, snrDb: -6, rssiDbm, spreadingFactor: 10 };
    traffic.push(push(SHED, n * 60 + ((n * 37) % 50), [heard]));
  }
  return siteOf(traffic);
}

describe("the score of a site", () => {
  const store = noisySite();
  const window = windowOf(0, 4 * HOUR);
  const view = siteView(store, window);

  it("has a lane for the channel that was loud for some time, and none for the calm one", () => {
    expect(SiteScore.parse(view.score)).toEqual(view.score);
    expect(view.score.noise).toHaveLength(1);
    const [lane] = view.score.noise;
    expect(lane).toMatchObject({ gatewayEui: SHED, frequencyHz: LOUD, binSeconds: 150 });
    expect(lane?.loud.riseDb).toBeCloseTo(20, 0);
    // Frames of that channel stand two minutes apart.
    const minutes = (at: string | undefined) => (Date.parse(at ?? "") - window.fromUs / 1000) / 60_000;
    expect(Math.abs(minutes(lane?.loud.from) - 60)).toBeLessThan(4);
    expect(Math.abs(minutes(lane?.loud.to) - 150)).toBeLessThan(4);
    expect(view.air[0]?.words).toMatch(/^868\.3.MHz (19|20|21)\.\d.dB louder for 1.h (2\d|3\d).min; /);
  });

  it("is what the view of the air says of the same channel", () => {
    const channel = airView(store, window).channels.find(({ frequencyHz }) => frequencyHz === LOUD);
    expect(channel?.noiseTrend.loud).toEqual(view.score.noise[0]?.loud);
  });

  it("has the margins of the nodes that need a look, and no value where none was heard", () => {
    expect(view.score.margins.map(({ devAddr, life }) => [devAddr, life])).toEqual([["01000002", 1]]);
    const [lane] = view.score.margins;
    // One bin a minute: SNR −6 dB over the floor of SF10, −15 dB, is 9 dB; every fifth counter is lost.
    expect(lane?.binSeconds).toBe(60);
    expect(lane?.marginDb.slice(0, 6)).toEqual([9, 9, 9, null, 9, 9]);
  });
});
