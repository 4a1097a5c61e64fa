import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { certaintyOf, certaintyPrefix } from "../../src/words/causes.ts";

describe("the certainty of a finding", () => {
  it("is certain from 95 %, likely from 80 %, possible from 70 %, else undecided", () => {
    const words = [0.69, 0.7, 0.799, 0.8, 0.949, 0.95, 1].map((figure) => certaintyOf("weak-link", figure));
    expect(words).toEqual(["undecided", "possible", "possible", "likely", "likely", "certain", "certain"]);
  });
  it("is undecided where nothing explains the gap, whatever the figure", () => {
    expect(certaintyOf("unexplained", 0.98)).toBe("undecided");
  });
  it("never has a weaker word at a higher figure", () => {
    const order = ["undecided", "possible", "likely", "certain"];
    const figure = fc.double({ min: 0, max: 1, noNaN: true });
    fc.assert(
      fc.property(figure, figure, (a, b) => {
        const [low, high] = [Math.min(a, b), Math.max(a, b)];
        const rank = (value: number) => order.indexOf(certaintyOf("interference", value));
        expect(rank(high)).toBeGreaterThanOrEqual(rank(low));
      }),
    );
  });
  it("stands in sentences with the same word", () => {
    expect(certaintyPrefix("likely")).toBe("likely ");
    expect(certaintyPrefix("possible")).toBe("possibly ");
    expect(certaintyPrefix("certain")).toBe("");
  });
});
