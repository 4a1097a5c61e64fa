import { describe, expect, it } from "vitest";
import {
  basisText,
  noiseDifferenceSentence,
  noiseSentence,
  receiverSentence,
  referenceSentence,
} from "../../../src/diagnosis/receiver/sentences.ts";
import type { Offset, ReceiverVerdict } from "../../../src/diagnosis/receiver/threshold.ts";

const DB = "\u202FdB";
const MINUS = "\u2212";

const measure = (verdict: ReceiverVerdict, overall: Offset | null) => ({
  basis: "others" as const,
  verdict,
  overall,
  lack: null,
  factors: [],
  leftOut: 0,
});
const textOf = (verdict: ReceiverVerdict, overall: Offset | null, name = "gateway 02005E1000000001") => {
  const [first] = receiverSentence(name, measure(verdict, overall));
  return typeof first === "object" && "text" in first ? first.text : "";
};

describe("what is said of a receiver", () => {
  it("follows its verdict, with offset and interval", () => {
    expect(textOf("deaf", { offsetDb: 3, lowDb: 2.2, highDb: 3.8 })).toBe(
      `Gateway 02005E1000000001 is deaf: half delivery lies +3.0${DB} (+2.2 to +3.8) from the data sheet’s floor. Compare it with a known good gateway, then exchange it.`,
    );
    expect(textOf("sound", { offsetDb: -0.5, lowDb: -1.3, highDb: 0.3 }, "Mast")).toBe(
      `Mast demodulates as its data sheet says: half delivery lies ${MINUS}0.5${DB} (${MINUS}1.3 to +0.3) from the floor.`,
    );
    expect(textOf("open", { offsetDb: 1.5, lowDb: 0.7, highDb: 2.3 })).toBe(
      `Half delivery of gateway 02005E1000000001 lies +1.5${DB} (+0.7 to +2.3) from the data sheet’s floor: more frames would tell whether it is deaf.`,
    );
    expect(textOf("not enough", null)).toBe(
      "Not enough yet to measure the receiver of gateway 02005E1000000001: no node was followed for long enough.",
    );
  });

  it("names its basis, and one or several frames left out", () => {
    expect(basisText("others", 0)).toBe("From frames that another gateway heard.");
    expect(basisText("others", 1)).toBe(
      "From frames that another gateway heard. 1 frame missed while it heard nothing at all is left out.",
    );
    expect(basisText("alone", 12)).toBe(
      "From counters that were missed, and from the weak end of what was heard: no other gateway heard enough. 12 frames missed while it heard nothing at all are left out.",
    );
  });

  it("gives the noise, or says that it is not known", () => {
    expect(noiseSentence({ noiseDbm: -118.4, overThermalDb: 4.63, channels: 8, frames: 300 })).toContain(
      `on 8 channels, 4.6${DB} over thermal noise`,
    );
    const unknown = "Its noise is not known: too few frames were weak enough to tell it.";
    expect(noiseSentence({ noiseDbm: null, overThermalDb: null, channels: 0, frames: 3 })).toBe(unknown);
    expect(noiseSentence({ noiseDbm: -118, overThermalDb: null, channels: 0, frames: 3 })).toBe(unknown);
  });

  it("blames less noise as well as more, from 1 dB on", () => {
    const said = (differenceDb: number, lowDb: number, highDb: number) =>
      noiseDifferenceSentence("Tower", { differenceDb, lowDb, highDb, cells: 12 }, true);
    const why = ": side by side, that is its receiver, or its RSSI scale.";
    expect(said(-2, -2.5, -1.5)).toBe(
      `It reports 2.0${DB} less noise than Tower (${MINUS}2.5 to ${MINUS}1.5)${why}`,
    );
    expect(said(2, 1.1, 3)).toContain(why);
    expect(said(2, 1, 3)).not.toContain(why);
    expect(said(-2, -3, -1.1)).toContain(why);
    expect(said(-2, -3, -1)).not.toContain(why);
    expect(said(0, -0.5, 0.5)).toBe(`It reports 0.0${DB} more noise than Tower (${MINUS}0.5 to +0.5).`);
  });

  it("compares with the reference where both were measured", () => {
    const reference = { offsetDb: -0.5, lowDb: -1, highDb: 0.1 };
    const own = { offsetDb: 2.5, lowDb: 2, highDb: 3 };
    const its = `Of Tower, the reference, half delivery lies ${MINUS}0.5${DB} (${MINUS}1.0 to +0.1) from the floor`;
    expect(referenceSentence("gateway 02005E1000000002", own, null, null)).toBe(
      "Gateway 02005E1000000002, the reference, was not measured yet: too little came for it.",
    );
    expect(referenceSentence("Tower", null, reference, null)).toBe(`${its}.`);
    const difference = { differenceDb: 3, lowDb: 2.3, highDb: 3.7 };
    expect(referenceSentence("Tower", null, reference, difference)).toBe(`${its}.`);
    expect(referenceSentence("Tower", own, reference, null)).toBe(`${its}.`);
    expect(referenceSentence("Tower", own, reference, difference)).toBe(
      `${its}: this gateway needs 3.0${DB} more (+2.3 to +3.7).`,
    );
    expect(referenceSentence("Tower", own, reference, { differenceDb: -3, lowDb: -3.7, highDb: -2.3 })).toBe(
      `${its}: this gateway needs 3.0${DB} less (${MINUS}3.7 to ${MINUS}2.3).`,
    );
  });
});
