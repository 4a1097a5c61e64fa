import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeNode, type NodeEvidence } from "../../src/diagnosis/status.ts";
import { percentInWords } from "../../src/words/format.ts";

const plain = (words: string) => words.replaceAll("\u202F", " ");

describe("how a node stands", () => {
  const judge = (more: Partial<NodeEvidence>) => {
    const { standing, clause } = judgeNode({
      expected: 100,
      missed: 0,
      missedDuringOutage: 0,
      missedNotRecorded: 0,
      deliveryInterval95: null,
      marginMedianDb: 12,
      fallClause: null,
      overdue: false,
      silentForSeconds: 0,
      rhythmSeconds: 60,
      ...more,
    });
    return `${standing}: ${plain(clause)}`;
  };

  it("is good, looked at or bad by its loss on the air", () => {
    expect(judge({})).toBe("good: delivered 100 % of 100");
    expect(judge({ missed: 4 })).toBe("good: delivered 96 % of 100");
    expect(judge({ missed: 5 })).toBe("look: lost 5.0 % on the air (5 of 100)");
    expect(judge({ missed: 19 })).toBe("look: lost 19 % on the air (19 of 100)");
    expect(judge({ missed: 20 })).toBe("bad: lost 20 % on the air (20 of 100)");
  });

  it("needs a look for a fall that holds, which is told beside what else is wrong", () => {
    const fallClause = "SNR fell by 8.0 dB";
    expect(judge({ fallClause })).toBe("look: SNR fell by 8.0 dB");
    expect(judge({ fallClause, missed: 5 })).toBe(
      "look: lost 5.0 % on the air (5 of 100); SNR fell by 8.0 dB",
    );
    expect(judge({ fallClause, missed: 20 })).toBe(
      "bad: lost 20 % on the air (20 of 100); SNR fell by 8.0 dB",
    );
    expect(judge({ fallClause, marginMedianDb: 0.5 })).toBe(
      "bad: median margin 0.5 dB, at the demodulation floor; SNR fell by 8.0 dB",
    );
    expect(judge({ fallClause, expected: 9 })).toBe("waiting: too early to say: 9 of 10 counters");
  });

  it("is not blamed for what was missed while no gateway was reachable, which is told all the same", () => {
    expect(judge({ missed: 30, missedDuringOutage: 28 })).toBe(
      "good: delivered 70 % of 100, 28 missed while no gateway was reachable",
    );
    expect(judge({ missed: 30, missedDuringOutage: 25 })).toBe("look: lost 5.0 % on the air (5 of 100)");
  });

  it("waits for ten counters that a gateway could have heard", () => {
    expect(judge({ expected: 9 })).toBe("waiting: too early to say: 9 of 10 counters");
    expect(judge({ expected: 100, missed: 95, missedDuringOutage: 95 })).toBe(
      "waiting: too early to say: 5 of 10 counters while a gateway was reachable",
    );
  });

  it("needs a look on a thin margin although nothing was lost, and is bad at the floor", () => {
    expect(judge({ marginMedianDb: 5 })).toBe("good: delivered 100 % of 100");
    expect(judge({ marginMedianDb: 4.9 })).toBe("look: median margin only 4.9 dB");
    expect(judge({ marginMedianDb: 0.9 })).toBe("bad: median margin 0.9 dB, at the demodulation floor");
    expect(judge({ marginMedianDb: -1.5 })).toBe(
      "bad: median margin \u22121.5 dB, at the demodulation floor",
    );
    expect(judge({ marginMedianDb: null })).toBe("good: delivered 100 % of 100");
  });

  it("needs a look while it is overdue, with its rhythm beside the silence", () => {
    expect(judge({ overdue: true, silentForSeconds: 725 })).toBe(
      "look: silent for 12 min 5 s, it sends about every 1 min",
    );
    expect(judge({ overdue: true, silentForSeconds: 725, rhythmSeconds: null })).toBe(
      "look: silent for 12 min 5 s",
    );
  });

  it("is never good with a loss of five per cent or more", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 500 }), fc.nat(500), fc.nat(500), (expected, missed, away) => {
        const lost = Math.min(missed, expected);
        const during = Math.min(away, lost);
        const told = judge({ expected, missed: lost, missedDuringOutage: during });
        if (told.startsWith("good")) expect((lost - during) / expected).toBeLessThan(0.05);
      }),
    );
  });
});

describe("a share", () => {
  it.each([
    [0, "0 %"],
    [1, "100 %"],
    [0.9996, "99.9 %"],
    [0.999999, "99.9 %"],
    [0.972, "97 %"],
    [0.995, "99.5 %"],
    [0.024, "2.4 %"],
    [0.0024, "0.24 %"],
    [0.00001, "<0.01 %"],
  ])("of %d is read as %s", (ratio, words) => expect(plain(percentInWords(ratio))).toBe(words));

  it("reads as nothing or as all only when it is", () => {
    fc.assert(
      fc.property(fc.double({ min: 0, max: 1, noNaN: true }), (ratio) => {
        const words = plain(percentInWords(ratio));
        if (ratio > 0) expect(words).not.toMatch(/^0(\.0+)? %$/);
        if (ratio < 1) expect(words).not.toMatch(/^100(\.0)? %$/);
      }),
    );
  });
});
