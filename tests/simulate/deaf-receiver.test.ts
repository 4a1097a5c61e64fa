import { describe, expect, it } from "vitest";
import { median } from "../../src/statistics/robust.ts";
import { gateway, node, packetsOf, play, SHED, site } from "./small-site.ts";

/**
 * 720 frames without fading at a margin of 2 dB: noise -174 + 50.97 + 6 = -117.03 dBm, floor -7.5 dB, sent with 14 dBm.
 * A knee of 0.75 dB reads 1 / (1 + exp(-2 / 0.75)) = 93.5 % of them; at -1 dB 1 / (1 + exp(1 / 0.75)) = 20.9 %.
 */
function heard(receiver: object) {
  const still = { fastFadingDb: 0, slowFadingDb: 0, rhythmSeconds: 5, pathGainDb: { [SHED]: -136.53 } };
  const { passages } = play(site({ gateways: [gateway(SHED, receiver)], nodes: [node(still)] }));
  const packets = packetsOf(passages);
  return {
    share: packets.length / 720,
    snrDb: median(packets.map(({ packet }) => packet.signals[0]?.snrDb ?? 0)) ?? 0,
  };
}

describe("a receiver that is 3 dB deaf", () => {
  it("by its demodulator hears fewer frames at the same SNR", () => {
    const sound = heard({});
    const deaf = heard({ demodulatorLossDb: 3 });
    expect(sound.share).toBeCloseTo(0.935, 1);
    expect(deaf.share).toBeCloseTo(0.209, 1);
    expect(sound.snrDb).toBeCloseTo(-5.5, 0);
    expect(deaf.snrDb).toBeCloseTo(-5.5, 0);
  });

  it("by its noise figure hears as few, at an SNR 3 dB lower", () => {
    const deaf = heard({ noiseFigureDb: 9 });
    expect(deaf.share).toBeCloseTo(0.209, 1);
    expect(deaf.snrDb).toBeCloseTo(-8.5, 0);
  });
});
