import { describe, expect, it } from "vitest";
import { placeWords, trialSentence } from "../../../src/diagnosis/trials/sentences.ts";

const interval = (estimate: number, low: number, high: number) => ({ estimate, low, high });

function said(
  verdict: "a" | "b",
  snr: readonly [number, number, number],
  delivery: readonly [number, number, number],
) {
  const differences = { snr: interval(...snr), delivery: interval(...delivery) };
  const sentence = trialSentence({
    a: "Tower",
    b: "Shed",
    verdict,
    differences: differences as never,
    needed: "",
  });
  return sentence.map(({ text }) => text).join("");
}

describe("the sentence of a trial", () => {
  it("tells both differences of the better side", () => {
    expect(said("a", [2.9, 2.3, 3.4], [0.041, 0.028, 0.055])).toBe(
      "Tower hears 2.9\u202FdB better (2.3 to 3.4) and loses 4.1 points fewer frames (2.8 to 5.5) than Shed.",
    );
    expect(said("b", [-2.9, -3.4, -2.3], [-0.041, -0.055, -0.028])).toBe(
      "Shed hears 2.9\u202FdB better (2.3 to 3.4) and loses 4.1 points fewer frames (2.8 to 5.5) than Tower.",
    );
  });

  it("counts nobody as better where the loss is the same", () => {
    expect(said("a", [2.9, 2.3, 3.4], [0.0002, 0.0001, 0.0003])).toBe(
      "Tower hears 2.9\u202FdB better (2.3 to 3.4) and loses no more and no fewer frames (0.0 to 0.0\u202Fpoints) than Shed.",
    );
  });

  it("leaves open what its interval leaves open", () => {
    expect(said("b", [-4.5, -18.2, 9.1], [-0.166, -0.242, -0.098])).toBe(
      "Shed loses 16.6 points fewer frames (9.8 to 24.2) than Tower; whether it hears stronger is open (\u22129.1 to 18.2\u202FdB).",
    );
    expect(said("a", [2.9, 2.3, 3.4], [0.002, -0.01, 0.014])).toBe(
      "Tower hears 2.9\u202FdB better (2.3 to 3.4) than Shed; whether it loses fewer frames is open (\u22121.0 to 1.4 points).",
    );
  });
});

describe("what the place alone contributes", () => {
  it("is told of the side that hears better, whichever was named first", () => {
    expect(
      placeWords({ a: "Tower", b: "Shed", foundDb: 2.9, knownDb: 1.8, place: interval(1.1, 0.5, 1.6) }),
    ).toBe(
      "Of the 2.9\u202FdB of Tower, antennas and cables as entered make 1.8\u202FdB; the place alone makes 1.1\u202FdB (0.5 to 1.6).",
    );
    expect(
      placeWords({ a: "Shed", b: "Tower", foundDb: -2.6, knownDb: -3, place: interval(0.4, -0.3, 1) }),
    ).toBe(
      "Of the 2.6\u202FdB of Tower, antennas and cables as entered make 3.0\u202FdB; the place alone makes \u22120.4\u202FdB (\u22121.0 to 0.3); that the place itself is better or worse is not shown.",
    );
  });
});
