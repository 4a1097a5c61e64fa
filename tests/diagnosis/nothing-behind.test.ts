import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { deafShare } from "../../src/diagnosis/air-sentences.ts";
import { counterVerdict } from "../../src/diagnosis/counter-verdict.ts";
import { backhaulProof } from "../../src/diagnosis/findings/gateway.ts";
import { missesNeeded, silenceIsSignificant } from "../../src/diagnosis/silence.ts";
import { subBandMismatch } from "../../src/diagnosis/wrong-sub-band.ts";

describe("what the counter says after a gap", () => {
  it("is that the node transmitted, when it counted on at its rhythm, across a 16-bit wrap too", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 65_535 }), fc.integer({ min: 2, max: 5000 }), (before, steps) => {
        const verdict = counterVerdict({
          gapUs: steps * 60e6,
          periodUs: 60e6,
          before,
          after: (before + steps) % 65_536,
        });
        expect(verdict).toEqual({ expected: steps, step: steps, verdict: "transmitting" });
      }),
    );
  });

  it("is open between silence and transmission, and without a rhythm", () => {
    const gap = { gapUs: 100 * 60e6, periodUs: 60e6, before: 10 };
    expect(counterVerdict({ ...gap, after: 30 }).verdict).toBe("mixed");
    expect(counterVerdict({ ...gap, after: 10 }).verdict).toBe("silent");
    expect(counterVerdict({ ...gap, periodUs: 0, after: 30 }).verdict).toBe("undecided");
  });
});

describe("evidence with nothing behind it", () => {
  it("proves nothing", () => {
    expect(backhaulProof([], 0)).toEqual({ missing: 0, share: null, forwarded: 0 });
    expect(backhaulProof([3], 5).missing).toBe(0);
    expect(deafShare([], 60_000, 0)).toBe(0);
    expect(deafShare([1e9, 1e9], 0, 1e9)).toBe(1);
    expect(missesNeeded(1)).toBeNull();
    expect(missesNeeded(0)).toBe(1);
    expect(silenceIsSignificant(6.9)).toBe(false);
    expect(silenceIsSignificant(6.91)).toBe(true);
    expect(subBandMismatch(0, 0, 9).mismatch).toBe(false);
    expect(subBandMismatch(10, 80, null).mismatch).toBe(false);
  });
});
