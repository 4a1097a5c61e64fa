/** Was a downlink in time, for which receive window was it, and what do durations in classes read back as? */
import { describe, expect, it } from "vitest";
import {
  ASKED_IN_LINE,
  ASKED_ONE_SIDED,
  classMs,
  type DownlinkFate,
  lateness,
  quantileMs,
  receiveWindow,
  roundTripClass,
  type WindowQuestion,
} from "../../src/ledger/downlink-timing.ts";

describe("a downlink by the gateway's counter", () => {
  const fate = (change: Partial<DownlinkFate>) =>
    lateness({ moment: "counter", leadUs: null, outcome: null, word: null, ...change });

  it("is late below 42.5 ms of lead, and in time from there on", () => {
    expect(fate({ leadUs: 42_499 })).toBe("late");
    expect(fate({ leadUs: 42_500 })).toBe("in-time");
    expect(fate({ leadUs: -1 })).toBe("late");
    expect(fate({})).toBeNull();
  });

  it("is what the gateway says, whatever its lead", () => {
    expect(fate({ leadUs: 900_000, outcome: "refused", word: "TOO_LATE" })).toBe("late");
    expect(fate({ leadUs: 900_000, outcome: "refused", word: "too_late" })).toBe("late");
    expect(fate({ leadUs: 1_000, outcome: "refused", word: "COLLISION_PACKET" })).toBe("in-time");
    expect(fate({ leadUs: 1_000, outcome: "accepted" })).toBe("in-time");
    expect(fate({ leadUs: 1_000, outcome: "accepted-lower-power" })).toBe("in-time");
    expect(fate({ outcome: "refused", word: null })).toBe("in-time");
    // A word that could not be read says nothing: the lead decides.
    expect(fate({ leadUs: 1_000, outcome: "unreadable" })).toBe("late");
  });

  it("said to be too early with hardly any lead is late: the daemon subtracts without sign", () => {
    expect(fate({ leadUs: 49_999, outcome: "refused", word: "TOO_EARLY" })).toBe("late");
    expect(fate({ leadUs: 50_000, outcome: "refused", word: "TOO_EARLY" })).toBeNull();
    expect(fate({ leadUs: null, outcome: "refused", word: "TOO_EARLY" })).toBeNull();
  });

  it("is not judged when it goes out at once, by GPS or without a word of its moment", () => {
    for (const moment of ["immediate", "gps", "unsaid", null])
      expect(fate({ moment, leadUs: 1, outcome: "refused", word: "TOO_LATE" })).toBeNull();
  });
});

describe("the receive window of a downlink", () => {
  const eu = (change: Partial<WindowQuestion> = {}) =>
    receiveWindow({
      delayUs: 1_000_000,
      isJoin: false,
      downlink: { frequencyHz: 868_100_000, bandwidthHz: 125_000 },
      uplink: { frequencyHz: 868_100_000, bandwidthHz: 125_000 },
      ...change,
    });

  it("is a whole second after the uplink, to within 1 ms", () => {
    expect(eu()).toBe("rx1");
    expect(eu({ delayUs: 1_001_000 })).toBe("rx1");
    expect(eu({ delayUs: 999_000 })).toBe("rx1");
    expect(eu({ delayUs: 1_001_001 })).toBeNull();
    expect(eu({ delayUs: 998_999 })).toBeNull();
  });

  it("lies 1 to 16 s after the uplink", () => {
    expect(eu({ delayUs: 0 })).toBeNull();
    expect(eu({ delayUs: -1_000_000 })).toBeNull();
    expect(eu({ delayUs: 16_000_000 })).toBe("rx1");
    expect(eu({ delayUs: 17_000_000 })).toBeNull();
  });

  it("is RX1 after 1 s on any frequency, since RX2 opens no sooner than 2 s", () => {
    expect(eu({ downlink: { frequencyHz: 869_525_000, bandwidthHz: 125_000 } })).toBe("rx1");
  });

  it("is RX1 on the uplink's own frequency, also after 2 s and where that is RX2's", () => {
    const same = { frequencyHz: 869_525_000, bandwidthHz: 125_000 };
    expect(eu({ delayUs: 2_000_000 })).toBe("rx1");
    expect(eu({ delayUs: 5_000_000, downlink: same, uplink: same })).toBe("rx1");
  });

  it.each([869_525_000, 505_300_000, 866_550_000, 921_900_000, 923_200_000])(
    "is RX2 on %i Hz, its frequency by default",
    (frequencyHz) => {
      expect(eu({ delayUs: 2_000_000, downlink: { frequencyHz, bandwidthHz: 125_000 } })).toBe("rx2");
      expect(eu({ delayUs: 6_000_000, downlink: { frequencyHz, bandwidthHz: 125_000 } })).toBe("rx2");
    },
  );

  it("of a fixed plan: RX1 on 500 kHz; on 923.3 MHz RX2 after 2 s, and either later", () => {
    const uplink = { frequencyHz: 902_300_000, bandwidthHz: 125_000 };
    const on = (frequencyHz: number, delayUs: number) =>
      eu({ delayUs, uplink, downlink: { frequencyHz, bandwidthHz: 500_000 } });
    expect(on(923_900_000, 2_000_000)).toBe("rx1");
    expect(on(923_900_000, 5_000_000)).toBe("rx1");
    expect(on(923_300_000, 2_000_000)).toBe("rx2");
    expect(on(923_300_000, 3_000_000)).toBe("rx");
  });

  it("on another frequency is RX2 after 2 s, and either later", () => {
    const downlink = { frequencyHz: 869_000_000, bandwidthHz: 125_000 };
    expect(eu({ delayUs: 2_000_000, downlink })).toBe("rx2");
    expect(eu({ delayUs: 3_000_000, downlink })).toBe("rx");
    const unknown = { frequencyHz: null, bandwidthHz: null };
    expect(eu({ delayUs: 3_000_000, downlink: unknown, uplink: unknown })).toBe("rx");
  });

  it("of a join is 5 or 6 s after the request, and nothing else", () => {
    expect(eu({ isJoin: true, delayUs: 5_000_000 })).toBe("join-rx1");
    expect(eu({ isJoin: true, delayUs: 6_000_000 })).toBe("join-rx2");
    expect(eu({ isJoin: true, delayUs: 4_000_000 })).toBeNull();
    expect(eu({ isJoin: true, delayUs: 1_000_000 })).toBeNull();
  });
});

describe("durations in classes", () => {
  it("are a quarter of an octave from 0.1 ms on: 0.1, 0.2, 0.4 ms are classes 0, 4, 8", () => {
    expect([0, 50, 100, 200, 400, 102_400].map(roundTripClass)).toEqual([0, 0, 0, 4, 8, 40]);
    expect([0, 4, 8, 40].map(classMs)).toEqual([0.1, 0.2, 0.4, 102.4]);
    // A quarter of an octave: 0.1 ms times 2^(1/4).
    expect(classMs(1)).toBeCloseTo(0.118921, 6);
    expect(roundTripClass(Number.NaN)).toBe(0);
  });

  it("read back within a tenth", () => {
    for (let us = 100; us < 5_000_000; us = Math.ceil(us * 1.07))
      expect(Math.abs(classMs(roundTripClass(us)) / (us / 1000) - 1), `${us} us`).toBeLessThan(0.1);
  });

  it("give the duration that a share of all does not exceed", () => {
    // Nine of 0.2 ms and one of 0.4 ms, in any order of the map.
    const counts = new Map([
      [8, 1],
      [4, 9],
    ]);
    expect(quantileMs(counts, 0.5)).toBe(0.2);
    expect(quantileMs(counts, 0.9)).toBe(0.2);
    expect(quantileMs(counts, 0.91)).toBe(0.4);
    expect(quantileMs(counts, 1)).toBe(0.4);
  });

  it("leave out what was asked and has no duration, and say nothing without any", () => {
    const asked = [ASKED_IN_LINE, ASKED_ONE_SIDED].map((one) => [one, 50] as const);
    expect(quantileMs(new Map([...asked, [4, 1]]), 0.5)).toBe(0.2);
    expect(quantileMs(new Map(asked), 0.5)).toBeNull();
    expect(quantileMs(new Map(), 0)).toBeNull();
  });
});
