import { describe, expect, it } from "vitest";
import { trialSentence } from "../../../src/diagnosis/trials/words.ts";

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
      "Tower hears 2.9\u2009dB better (2.3 to 3.4) and loses 4.1 points fewer frames (2.8 to 5.5) than Shed.",
    );
    expect(said("b", [-2.9, -3.4, -2.3], [-0.041, -0.055, -0.028])).toBe(
      "Shed hears 2.9\u2009dB better (2.3 to 3.4) and loses 4.1 points fewer frames (2.8 to 5.5) than Tower.",
    );
  });

  it("leaves open what its interval leaves open", () => {
    expect(said("b", [-4.5, -18.2, 9.1], [-0.166, -0.242, -0.098])).toBe(
      "Shed loses 16.6 points fewer frames (9.8 to 24.2) than Tower; whether it hears stronger is open (\u22129.1 to 18.2\u2009dB).",
    );
    expect(said("a", [2.9, 2.3, 3.4], [0.002, -0.01, 0.014])).toBe(
      "Tower hears 2.9\u2009dB better (2.3 to 3.4) than Shed; whether it loses fewer frames is open (\u22121.0 to 1.4 points).",
    );
  });
});
