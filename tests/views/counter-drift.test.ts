import { describe, expect, it } from "vitest";
import { halfWidthPpm } from "../../src/radio/counter-drift.ts";
import { restartsUs } from "../../src/store/queries/gateways.ts";
import { driftOfGateway } from "../../src/views/counter-drift.ts";
import { MAST, orchardScenario, playedSite } from "./a-played-site.ts";

const HOUR = {
  fromUs: Date.parse("2026-04-14T04:00:00Z") * 1000,
  toUs: Date.parse("2026-04-14T05:00:00Z") * 1000,
};
const OUTAGE = { event: "gateway-power-outage", gateway: MAST, from: "0:20:00", to: "0:21:00" };

function driftOf(
  ppm: number,
  jitterMs: number,
  seed: number,
  more: { events?: object[]; gps?: boolean } = {},
) {
  const db = playedSite(
    orchardScenario({
      nodes: 40,
      rhythmSeconds: 40,
      network: { jitterMs },
      gateway: { clockDriftPpm: ppm, gpsTime: more.gps ?? false },
      events: more.events ?? [],
    }),
    seed,
  );
  const restarts = restartsUs(db, 1, HOUR);
  const drift = driftOfGateway(db, 1, HOUR, restarts);
  db.close();
  return { drift, restarts: restarts.length };
}

describe("the drift of a simulated counter over an hour", () => {
  it.each([
    [-22, 2, 1],
    [0, 5, 2],
    [14, 8, 3],
  ])("of %f ppm is told within 0.5 ppm through a jitter of %f ms, seed %i", (ppm, jitterMs, seed) => {
    const { drift, restarts } = driftOf(ppm, jitterMs, seed);
    expect(restarts).toBe(0);
    expect(Math.abs((drift.ppm ?? Number.NaN) - ppm)).toBeLessThan(0.5);
    expect(drift.against).toBe("arrival");
    expect(drift.lowPpm).toBeLessThanOrEqual(ppm + 0.25);
    expect(drift.highPpm).toBeGreaterThanOrEqual(ppm - 0.25);
  });

  it.each([
    [9, 3, 4],
    [-6, 5, 5],
  ])(
    "of %f ppm is told within 0.5 ppm through a jitter of %f ms across a restart, seed %i",
    (ppm, jitterMs, seed) => {
      const { drift, restarts } = driftOf(ppm, jitterMs, seed, { events: [OUTAGE] });
      expect(restarts).toBe(1);
      expect(Math.abs((drift.ppm ?? Number.NaN) - ppm)).toBeLessThan(0.5);
    },
  );

  it("is told by the gateway's own time to a hundredth where it has GPS", () => {
    const { drift } = driftOf(7.3, 30, 6, { gps: true, events: [OUTAGE] });
    expect(drift.against).toBe("gateway-time");
    expect(Math.abs((drift.ppm ?? Number.NaN) - 7.3)).toBeLessThan(0.01);
    expect(halfWidthPpm(drift)).toBeLessThan(0.01);
  });
});
