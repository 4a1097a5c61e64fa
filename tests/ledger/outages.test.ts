/** From which silence on is a gateway unreachable? */
import { expect, it } from "vitest";
import { outageLimitUs, outagesInSilence } from "../../src/ledger/gaps/intervals.ts";

it("three intervals without a datagram are the longest silence that is no outage, but no less than 30 s", () => {
  expect(outageLimitUs(20_000_000)).toBe(60_000_000);
  expect(outageLimitUs(10_000_000)).toBe(30_000_000);
  expect(outageLimitUs(5_000_000)).toBe(30_000_000);
  expect(outageLimitUs(null)).toBeNull();
});

it("a recorded part longer than the limit is an outage; one just as long, or not recorded whole, is none", () => {
  const parts = [
    { fromUs: 0, toUs: 30_000_000 },
    { fromUs: 40_000_000, toUs: 70_000_001 },
    { fromUs: 80_000_000, toUs: 90_000_000 },
  ];
  expect(outagesInSilence(parts, 30_000_000)).toEqual([{ fromUs: 40_000_000, toUs: 70_000_001 }]);
  expect(outagesInSilence(parts, null)).toEqual([]);
});
