import { describe, expect, it } from "vitest";
import { joinEnvelope } from "../../src/diagnosis/join-envelope.ts";

const HOUR_US = 3_600_000_000;
const SF12_US = 1_482_752;
const START_US = 1_790_000_000_000_000;

const every = (count: number, fromHours: number, stepHours: number) =>
  Array.from({ length: count }, (_, i) => ({
    atUs: START_US + Math.round((fromHours + i * stepHours) * HOUR_US),
    airtimeUs: SF12_US,
  }));

describe("the join back-off envelope", () => {
  it("holds for a stack that slows down as LoRaWAN demands", () => {
    const result = joinEnvelope([
      ...every(24, 0, 0.04),
      ...every(24, 1.2, 0.4),
      ...every(5, 12, 4.5),
      ...every(5, 36, 4.5),
    ]);
    expect(result.within).toBe(true);
    expect(result.phases.map((p) => Math.round(p.airtimeUs / SF12_US))).toEqual([24, 24, 5]);
  });

  it("is broken in the phase in which a stack goes on too fast", () => {
    const tooFastLater = joinEnvelope([...every(20, 0, 0.04), ...every(6, 12, 4)]);
    expect(tooFastLater.phases.map((p) => p.within)).toEqual([true, true, false]);
    const everyEightSeconds = joinEnvelope(every(450, 0, 8 / 3600));
    expect(everyEightSeconds.phases[0]?.within).toBe(false);
  });

  it("takes the first request for power-up, in whatever order they come", () => {
    const requests = [...every(20, 0, 0.04), ...every(10, 2, 0.5)];
    expect(joinEnvelope([...requests].reverse())).toEqual(joinEnvelope(requests));
    expect(joinEnvelope([]).within).toBe(true);
  });
});
