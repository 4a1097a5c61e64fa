import { describe, expect, it } from "vitest";
import { Clock } from "../../src/report/parts.tsx";
import { timeTicks } from "../../src/report/plots.tsx";

describe("the report's clock", () => {
  it("tells times in its zone, summer time included, and names the zone", () => {
    const clock = new Clock("Europe/Berlin");
    expect(clock.stretch("2026-04-14T07:00:00Z", "2026-04-14T09:30:00Z")).toBe("14 Apr 2026, 09:00 to 11:30");
    expect(clock.stretch("2026-04-14T07:00:00Z", "2026-04-15T07:00:00Z")).toBe(
      "14 Apr 2026, 09:00 to 15 Apr 2026, 09:00",
    );
    expect(clock.zoneAt("2026-04-14T07:00:00Z")).toBe("Europe/Berlin (UTC+2)");
    expect(new Clock("America/St_Johns").zoneAt("2026-01-14T07:00:00Z")).toBe(
      "America/St_Johns (UTC\u22123:30)",
    );
    expect(new Clock("UTC").zoneAt("2026-01-14T07:00:00Z")).toBe("UTC");
  });

  it("labels an axis with the time, and with the day at midnight", () => {
    const clock = new Clock("UTC");
    expect(clock.tick(Date.parse("2026-04-14T07:00:00Z"))).toBe("07:00");
    expect(clock.tick(Date.parse("2026-04-14T00:00:00Z"))).toBe("14 Apr");
  });

  it("puts at most ten round ticks on an axis of any length", () => {
    const from = Date.parse("2026-04-14T07:03:00Z");
    for (const hours of [0.1, 1, 6, 24, 24 * 7, 24 * 31, 24 * 400]) {
      const ticks = timeTicks(from, from + hours * 3_600_000);
      expect(ticks.length).toBeLessThanOrEqual(10);
      expect(ticks.every((ms) => ms % 60_000 === 0)).toBe(true);
    }
    expect(timeTicks(from, from + 3_600_000).length).toBeGreaterThan(3);
  });
});
