/** The invented site's neighbours on the air: one network that grows, one heard too little to say. */
import type { StrangersView } from "../../src/contract/index.ts";

const DAY_MS = 86_400_000;

export function strangersView({ fromMs, toMs }: { fromMs: number; toMs: number }): StrangersView {
  const iso = (ms: number) => new Date(ms).toISOString();
  const monday = Math.floor((toMs / DAY_MS + 3) / 7) * 7 * DAY_MS - 3 * DAY_MS;
  const weeks = [210, 233, 251, 284].map((seconds, i) => ({
    from: iso(monday - (3 - i) * 7 * DAY_MS),
    days: i === 3 ? 4 : 7,
    enough: true,
    secondsPerDay: seconds,
    interval95: [seconds - 12, seconds + 12] as [number, number],
  }));
  const few = {
    verdict: "not enough" as const,
    secondsPerDayPerWeek: null,
    interval95: null,
    sharePerWeek: null,
    p: null,
    words: "Not enough to say: 1 week recorded enough, 3 are needed.",
  };
  return {
    window: { from: iso(fromMs), to: iso(toMs), live: true },
    detail: { from: iso(fromMs), to: iso(toMs), whole: true, packets: 980 },
    sentence:
      "Strangers of 2 networks took 1 min 10 s of airtime, 21.2 % of that of all nodes heard. NetID 000013 grows. They should cost Frost probe row 17 most: 0.62 % of its frames by ALOHA, 0.31 % to 0.44 % with capture.",
    networks: [
      {
        network: "NetID 000013",
        nodes: 9,
        frames: 210,
        airtimeSeconds: 58,
        share: 0.176,
        weeks,
        growth: {
          verdict: "grows",
          secondsPerDayPerWeek: 24.1,
          interval95: [17.2, 30.8],
          sharePerWeek: 0.1,
          p: 0.0004,
          words: "Grows: +24.1\u202Fs a day each week (17.2 to 30.8), 10\u202F% of its median day.",
        },
      },
      {
        network: "NwkID 5B7 (type 3)",
        nodes: 2,
        frames: 40,
        airtimeSeconds: 12,
        share: 0.036,
        weeks: weeks.slice(3),
        growth: few,
      },
    ],
    weeksAt: { gatewayEui: "02005E1000000001", gatewayName: "Packing shed" },
    nodes: [
      {
        devAddr: "01F2A117",
        name: "Frost probe row 17",
        gatewayEui: "02005E1000000001",
        gatewayName: "Packing shed",
        frames: 118,
        collisions: { aloha: 0.0062, captureTheory: 0.0044, captureMeasured: 0.0031 },
        worstNetwork: "NetID 000013",
        worstShare: 0.0055,
        words:
          "At Packing shed strangers should spoil 0.62\u202F% of its frames by ALOHA, 0.31\u202F% to 0.44\u202F% with capture, most to NetID 000013 (118 frames heard).",
      },
    ],
    caution:
      "Expected, not observed: frames are taken to start at random, nodes of equal rhythm do worse. Strangers that no gateway read, those with a wrong CRC among them, are missing, so their airtime and its cost are lower bounds.",
  };
}
