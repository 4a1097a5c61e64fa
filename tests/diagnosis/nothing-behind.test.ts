import { describe, expect, it } from "vitest";
import { backhaulProof } from "../../src/diagnosis/findings/gateway.ts";
import { subBandMismatch } from "../../src/diagnosis/wrong-sub-band.ts";
import { deafShare } from "../../src/radio/occupancy.ts";

describe("evidence with nothing behind it", () => {
  it("proves nothing", () => {
    expect(backhaulProof([], 0)).toEqual({ missing: 0, share: null, forwarded: 0 });
    expect(backhaulProof([3], 5).missing).toBe(0);
    expect(deafShare([], 60_000, 0)).toBe(0);
    expect(deafShare([1e9, 1e9], 0, 1e9)).toBe(1);
    expect(subBandMismatch(0, 0, 9).mismatch).toBe(false);
    expect(subBandMismatch(10, 80, null).mismatch).toBe(false);
  });
});
