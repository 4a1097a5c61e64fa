import { describe, expect, it } from "vitest";
import {
  collisionWords,
  deafWords,
  demodulatorWords,
  noiseWords,
} from "../../src/diagnosis/air-sentences.ts";
import { judgeAirtime, judgeDwell } from "../../src/diagnosis/status.ts";

const plain = (words: string) => words.replaceAll("\u202F", " ");

describe("the words over noise", () => {
  const steady = {
    verdict: "steady",
    trust: "good",
    filled: 24,
    needed: 6,
    loudestDb: 1.2,
    slopeDbPerHour: 0.1,
    changeDb: -0.6,
    p: 0.31,
    loud: null,
  } as const;

  it("give verdict, size and chance, and what is lacking", () => {
    expect(plain(noiseWords(steady))).toBe(
      "Steady: −0.6 dB over the window (p 0.31), within chance or under 3 dB.",
    );
    expect(plain(noiseWords({ ...steady, verdict: "rises", changeDb: 6.24, p: 0.0002 }))).toBe(
      "Rises by 6.2 dB over the window (p < 0.001).",
    );
    expect(plain(noiseWords({ ...steady, verdict: "not enough", filled: 3, changeDb: null, p: null }))).toBe(
      "Not enough to say: 3 of 6 stretches have enough weak frames.",
    );
  });

  it("say of a step how large it was and how long, instead of a slope", () => {
    const loud = {
      from: "2026-03-14T09:15:00.000Z",
      to: "2026-03-14T10:30:00.000Z",
      beginSeen: true,
      endSeen: true,
      riseDb: 16.2,
    };
    expect(plain(noiseWords({ ...steady, loud }))).toBe("16.2 dB louder for 1 h 15 min; otherwise steady.");
  });

  it("say when it was loud for a while, and when it rests on strong frames", () => {
    expect(plain(noiseWords({ ...steady, loudestDb: 15.7, trust: "rough" }))).toMatch(
      /At its loudest 15\.7 dB above its median\. Rough: from frames up to 5 dB SNR/,
    );
  });
});

describe("the words over collisions and demodulators", () => {
  it("give a range where both tables speak, and say when neither can", () => {
    expect(plain(collisionWords({ aloha: 0.034, captureTheory: 0.02, captureMeasured: 0.012 }))).toBe(
      "By ALOHA 3.4 % of the frames should be spoilt by others; 1.2 % to 2.0 % where the stronger one survives and other spreading factors disturb too.",
    );
    expect(collisionWords({ aloha: 0.034, captureTheory: null, captureMeasured: null })).toContain(
      "too few levels",
    );
    expect(collisionWords(null)).toContain("Nothing was heard");
  });

  it("warn of demodulators from one frame in a hundred", () => {
    expect(demodulatorWords({ busiestErlang: 3.2, blockedOf8: 0.0108, blockedOf16: 0 })).toMatch(
      /^Demodulators may/,
    );
    expect(demodulatorWords({ busiestErlang: 3, blockedOf8: 0.0081, blockedOf16: 0 })).toMatch(
      /^Demodulators are no/,
    );
  });
});

describe("the words over a gateway's own transmissions", () => {
  const heard = {
    visible: true,
    sent: 1,
    refused: 0,
    seconds: 2,
    share: 0.0005,
    spoiltShare: null,
    reportedSent: null,
  };
  it("count them, and call two in a hundred much", () => {
    expect(plain(deafWords(heard))).toBe("Deaf for 2.0 s (0.05 %) by 1 downlink.");
    expect(plain(deafWords({ ...heard, sent: 40, share: 0.021, spoiltShare: 0.03 }))).toMatch(
      /by 40 downlinks, which can cost up to 3\.0 % of the frames\. That is much\.$/,
    );
  });

  it("say what is known where they are not seen", () => {
    const unseen = { ...heard, visible: false };
    expect(deafWords(unseen)).toMatch(/^Not visible here/);
    expect(deafWords({ ...unseen, reportedSent: 0 })).toBe("Its status reports say that it sent nothing.");
    expect(deafWords({ ...unseen, reportedSent: 12 })).toMatch(
      /12 frames sent; how long each lasted is not visible/,
    );
  });
});

describe("the words over dwell time", () => {
  const kept = { frameLimitMs: 400, longestFrameMs: 370.7, framesOver: 0, frames: 9, inPeriod: null };
  it("judge single frames first, then the occupancy of one frequency", () => {
    expect(judgeDwell(kept).standing).toBe("good");
    expect(plain(judgeDwell({ ...kept, framesOver: 2, longestFrameMs: 411.6 }).words)).toBe(
      "2 of 9 frames longer than 400 ms, the longest 412 ms",
    );
    const crowded = judgeDwell({ ...kept, inPeriod: { seconds: 20, limitMs: 400, mostMs: 741.4 } });
    expect([crowded.standing, plain(crowded.words)]).toEqual([
      "bad",
      "741 ms on one frequency within 20 s, 400 ms allowed",
    ]);
  });

  it("name no limit where the sources name none", () => {
    expect(judgeAirtime({ atLeast: 0.5, estimate: null, limit: null, seconds: 9000 })).toEqual({
      standing: "waiting",
      words: "no duty-cycle limit in the sources",
    });
  });
});
