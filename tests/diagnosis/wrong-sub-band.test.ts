import { describe, expect, it } from "vitest";
import { type SubBandEvidence, wrongSubBand } from "../../src/diagnosis/wrong-sub-band.ts";

const evidence = (more: Partial<SubBandEvidence> = {}): SubBandEvidence => ({
  plan: "US902-928",
  channels: "sub-band 1",
  planChannels: 64,
  receptions: 60,
  joinRequests: 0,
  lives: [],
  others: [],
  ...more,
});
const life = (heard: number, expected: number, medianMarginDb: number | null = 12) => ({
  heard,
  expected,
  medianMarginDb,
});

describe("one frame in eight", () => {
  it("from strong links names the whole plan and the sub-band listened to", () => {
    expect(wrongSubBand(evidence({ lives: [life(31, 241), life(28, 231)] }))).toEqual([
      "57 of 470 frames were heard, about 8 in 64, although the links are strong: nodes hop over all 64 channels of US902-928, and this gateway listens to sub-band 1 alone.",
    ]);
  });

  it("says nothing of weak links, of another share, or of too few frames", () => {
    expect(wrongSubBand(evidence({ lives: [life(31, 241, 2), life(28, 231, null)] }))).toEqual([]);
    expect(wrongSubBand(evidence({ lives: [life(61, 241)] }))).toEqual([]);
    expect(wrongSubBand(evidence({ lives: [life(240, 241)] }))).toEqual([]);
    expect(wrongSubBand(evidence({ lives: [life(3, 17)] }))).toEqual([]);
  });

  it("is one in twelve where the plan has 96 channels", () => {
    const lives = [life(31, 361)];
    expect(wrongSubBand(evidence({ planChannels: 96, lives })).join()).toContain("about 8 in 96");
    expect(wrongSubBand(evidence({ planChannels: 96, lives: [life(61, 361)] }))).toEqual([]);
  });
});

describe("join-requests", () => {
  it("and no data speak for the wrong part of the plan, or for joins that nobody answers", () => {
    const [sentence] = wrongSubBand(evidence({ receptions: 9, joinRequests: 9 }));
    expect(sentence).toContain("All 9 receptions are join-requests");
    expect(sentence).toContain("sub-band 1 is the wrong part of the plan, or no join is answered");
  });

  it("say nothing beside data, or when few", () => {
    expect(wrongSubBand(evidence({ receptions: 10, joinRequests: 9 }))).toEqual([]);
    expect(wrongSubBand(evidence({ receptions: 2, joinRequests: 2 }))).toEqual([]);
  });
});

describe("another gateway of the site", () => {
  const other = { name: "Water tower", plan: "US902-928", channels: "sub-band 2", receptions: 80 };

  it("that listens elsewhere is named on both sides", () => {
    expect(wrongSubBand(evidence({ others: [other] }))).toEqual([
      "This gateway listens to sub-band 1 and Water tower to sub-band 2 of US902-928: nodes that keep to one of them are not heard at the other.",
    ]);
  });

  it("that hears what this one does not is a reason to look", () => {
    const deaf = evidence({ plan: null, channels: null, receptions: 0, others: [other] });
    expect(wrongSubBand(deaf)).toEqual([
      "This gateway heard nothing, while Water tower heard 80 receptions in sub-band 2 of US902-928: see whether it is set to other channels.",
    ]);
  });

  it("on the same channels, on another plan, or hardly heard, says nothing", () => {
    const others = [
      { ...other, channels: "sub-band 1" },
      { ...other, plan: "AU915-928" },
      { ...other, receptions: 12 },
    ];
    expect(wrongSubBand(evidence({ others }))).toEqual([]);
  });
});
