import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  CAUSES,
  clampWeight,
  combine,
  type EvidencePiece,
  NAMED_FACTOR,
  normalRatio,
} from "../../../src/diagnosis/findings/evidence.ts";
import { CERTAIN_FROM, POSSIBLE_FROM } from "../../../src/words/causes.ts";

const piece = (weights: EvidencePiece["weights"], more: Partial<EvidencePiece> = {}): EvidencePiece => ({
  sentence: "10 of 12 frames.",
  lane: "counters",
  restsOn: null,
  weights,
  ...more,
});

describe("evidence put together", () => {
  it("names nothing without evidence", () => {
    expect(combine([])).toMatchObject({ cause: "unexplained", word: "undecided" });
    // By the priors alone a weak link is as likely as none on the list, and no other is likelier.
    const rest = [0, 0, -0.5, -0.7, -0.7, -1, -1, -1, -1.5, -1.5, -2, -2, -3, -4, -4].reduce(
      (sum, score) => sum + Math.exp(1.25 * score),
      0,
    );
    expect(combine([]).confidence).toBeCloseTo(1 - 1 / rest, 9);
  });
  it("names a cause that the evidence favours by far, with what speaks against it", () => {
    const judged = combine([piece({ "weak-link": 5, interference: -2 }), piece({ "weak-link": -1 })]);
    expect(judged.cause).toBe("weak-link");
    expect(judged.confidence).toBeGreaterThan(0.9);
    expect(judged.evidence).toHaveLength(1);
    expect(judged.against).toHaveLength(1);
  });
  it("names nothing when two causes are as likely", () => {
    const judged = combine([piece({ "weak-link": 4, interference: 4.7 })]);
    expect(judged.cause).toBe("unexplained");
    expect(judged.alternatives.map(({ cause }) => cause)).toEqual(
      expect.arrayContaining(["weak-link", "interference"]),
    );
  });
  it("names neither of two causes that one piece leaves open, whatever else speaks for one of them", () => {
    const judged = combine([
      piece({ interference: 3, "channel-mismatch": 3 }, { leavesOpen: ["interference", "channel-mismatch"] }),
      piece({ interference: 4 }),
    ]);
    expect(judged.cause).toBe("unexplained");
    const [one, other] = judged.alternatives;
    expect(one?.confidence).toBeCloseTo(other?.confidence ?? 0, 9);
  });
  it("names a cause from seven tenths on that is three times as likely as the next, and no other", () => {
    // Scores that leave all the rest next to nothing; interference's own prior is -0.7. Shares 2.75 : 1, 0.733 and 0.267.
    const against = (ratio: number) =>
      combine([piece({ "weak-link": 20, interference: 20.7 - Math.log(ratio) })]).cause;
    expect([against(2.75), against(3.05)]).toEqual(["unexplained", "weak-link"]);
    // Three others a quarter as likely each: four sevenths, four times the next.
    const others = 20 - Math.log(4);
    const split = piece({
      "weak-link": 20,
      interference: others + 0.7,
      congestion: others + 0.7,
      "node-silent": others + 0.5,
    });
    expect(combine([split]).cause).toBe("unexplained");
  });
  it("is proved by one piece, whatever others are beside it, and lists what speaks against it by weight", () => {
    const judged = combine([
      piece({ "node-silent": 9.2 }, { proves: "node-silent" }),
      ...[-1, -3, -2].map((weight) => piece({ "node-silent": weight })),
    ]);
    expect([judged.cause, judged.confidence]).toEqual(["node-silent", CERTAIN_FROM]);
    expect(judged.against.map(({ weight }) => weight)).toEqual([-3, -2, -1]);
  });
  it("carries the word that its figure alone gives", () => {
    // Scores: node-silent 3.2 - 0.5 = 2.7, the others at their priors, none of them 0; shares are exp(1.25 score) over their sum.
    const rest = [0, -1, -1.5, -1.5, -2, 0, -0.7, -0.7, -1, -1, -2].reduce(
      (sum, s) => sum + Math.exp(1.25 * s),
      0,
    );
    const judged = combine([piece({ "node-silent": 3.2 })]);
    expect(judged.confidence).toBeCloseTo(Math.exp(1.25 * 2.7) / (Math.exp(1.25 * 2.7) + rest), 2);
    expect(judged.word).toBe("likely");
  });
  it("gives each alternative its own share, and that of no cause on the list", () => {
    // Scores: weak-link 3.2, interference 1.7 - 0.7 = 1, node-silent -0.5; shares are exp(1.25 score) over the sum of all, 61.408.
    const judged = combine([piece({ "weak-link": 3.2, interference: 1.7 })]);
    expect(judged.confidence).toBeCloseTo(54.5982 / 61.408, 3);
    expect(judged.alternatives).toEqual([
      { cause: "interference", confidence: expect.closeTo(3.4903 / 61.408, 4) },
      { cause: "unexplained", confidence: expect.closeTo(1 / 61.408, 4) },
    ]);
  });
  it("is lifted to 95 % at least by a proof", () => {
    const weak = { "node-silent": 3.2 };
    const unproved = combine([piece(weak)]);
    const proved = combine([piece(weak, { proves: "node-silent" })]);
    expect(unproved.confidence).toBeLessThan(CERTAIN_FROM);
    expect(proved.confidence).toBe(CERTAIN_FROM);
    expect(proved.word).toBe("certain");
  });
  it("never names a cause below the stated confidence and factor, whatever the weights", () => {
    const weights = fc.dictionary(fc.constantFrom(...CAUSES), fc.double({ min: -6, max: 6, noNaN: true }));
    fc.assert(
      fc.property(fc.array(weights, { maxLength: 8 }), (all) => {
        const judged = combine(all.map((one) => piece(one)));
        expect(judged.confidence).toBeGreaterThanOrEqual(0);
        expect(judged.confidence).toBeLessThanOrEqual(1);
        if (judged.cause === "unexplained") return;
        expect(judged.confidence).toBeGreaterThanOrEqual(POSSIBLE_FROM);
        for (const { confidence } of judged.alternatives)
          expect(judged.confidence).toBeGreaterThanOrEqual(0.97 * NAMED_FACTOR * confidence);
      }),
      { numRuns: 200 },
    );
  });
});

describe("weights", () => {
  it("are bounded, and 0 for what is no number", () => {
    expect(clampWeight(50)).toBe(6);
    expect(clampWeight(-50, 4)).toBe(-4);
    expect(clampWeight(Number.NaN)).toBe(0);
  });
  it("compare two normal densities", () => {
    // ln( N(1; 0, 1) / N(1; 2, 2) ) = -1/2 + 1/8 + ln 2
    expect(normalRatio(1, { mean: 0, sd: 1 }, { mean: 2, sd: 2 })).toBeCloseTo(-0.5 + 0.125 + Math.LN2, 12);
  });
});
