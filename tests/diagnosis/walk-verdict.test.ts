import { describe, expect, it } from "vitest";
import { bestVerdict, judgeStop, walkSentence } from "../../src/diagnosis/status.ts";

const text = (stops: Parameters<typeof walkSentence>[1]) =>
  walkSentence("Probe", stops)
    .map((part) => part.text)
    .join("");

describe("a stop of a walk test", () => {
  it.each([
    [4, 4, 20, "waiting"],
    [5, 5, 20, "good"],
    [10, 9, 5, "good"],
    [10, 9, 4.9, "marginal"],
    [10, 8, 20, "marginal"],
    [10, 5, 1, "marginal"],
    [10, 4, 20, "dead"],
    [10, 0, null, "dead"],
    [10, 10, null, "marginal"],
  ])("with %i counters, %i heard and a margin of %s dB is %s", (counters, heard, margin, verdict) => {
    expect(judgeStop(counters, heard, margin)).toBe(verdict);
  });

  it("is as good as its best gateway", () => {
    expect(bestVerdict(["dead", "good", "marginal"])).toBe("good");
    expect(bestVerdict(["waiting", "dead"])).toBe("dead");
    expect(bestVerdict([])).toBe("waiting");
  });

  it("is counted in the sentence, and named where it is not good", () => {
    expect(text([])).toMatch(/^No stop is marked yet for Probe/);
    expect(
      text([
        { name: "Yard", best: "good" },
        { name: "Row 12", best: "dead" },
        { name: "Pond", best: "waiting" },
      ]),
    ).toBe("Probe: 1 of 3 stops is good, 1 is dead (Row 12), at 1 it is too early to say.");
  });
});
