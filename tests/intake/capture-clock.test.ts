import { describe, expect, it } from "vitest";
import { CaptureClock } from "../../src/intake/capture-import.ts";

const START_US = Date.UTC(2026, 0, 1) * 1000;
const HOUR_US = 3_600_000_000;

function sentenceOf(times: readonly (number | null)[]): string | null {
  const clock = new CaptureClock();
  for (const atUs of times) clock.packet(atUs);
  return clock.sentence();
}

describe("the clock of a capture", () => {
  it("jumps by 56 years after packet 17", () => {
    const before = Array.from({ length: 17 }, (_, i) => i * 1_000_000);
    expect(sentenceOf([...before, START_US, START_US + 5])).toBe(
      "The clock of this capture jumps by 56 years after packet 17.",
    );
  });

  it("jumps back by 2 hours", () => {
    expect(sentenceOf([START_US, null, START_US - 2 * HOUR_US])).toBe(
      "The clock of this capture jumps back by 2 hours after packet 2.",
    );
  });

  it("runs on through nights without traffic and slight disorder", () => {
    expect(sentenceOf([START_US, START_US + 12 * HOUR_US, START_US + 12 * HOUR_US - 5e6])).toBeNull();
  });

  it("a file out of order is told as such", () => {
    const times = Array.from({ length: 12 }, (_, i) => START_US + (i % 2) * HOUR_US);
    expect(sentenceOf(times)).toBe("The packets of this capture are not in order of time: 5 steps back.");
  });
});
