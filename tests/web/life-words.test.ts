import { describe, expect, test } from "vitest";
import { atWords, lifeBeginning, lifeLabel, proofWords } from "../../web/src/format.ts";

const at = (year: number, month: number, day: number, hour = 14, minute = 2) =>
  new Date(year, month - 1, day, hour, minute).getTime();

describe("the words of a counter life", () => {
  const now = at(2026, 4, 14, 18, 0);

  test("a moment says its date only when it is not today's, and its year only when it is not this one", () => {
    expect(atWords(at(2026, 4, 14), now)).toBe("at 14:02");
    expect(atWords(at(2026, 4, 13), now)).toBe("on 13 Apr at 14:02");
    expect(atWords(at(2025, 4, 14), now)).toBe("on 14 Apr 2025 at 14:02");
  });

  test("a beginning is a sentence with its local time and its reason", () => {
    const firstHeard = new Date(at(2026, 4, 14)).toISOString();
    const reason = "counter fell from 4\u202F212 to 0, no join heard";
    expect(lifeBeginning({ begunBy: "counter-reset", reason, firstHeard }, now)).toBe(
      `new life at 14:02: ${reason}`,
    );
    expect(
      lifeBeginning({ begunBy: "first-heard", reason: "first heard with counter 7", firstHeard }, now),
    ).toBe("first life at 14:02: first heard with counter 7");
  });

  test("a drawing has two words for it, also for a beginning that is not known here", () => {
    expect(["first-heard", "join", "counter-reset", "second-device", "unexplained"].map(label)).toEqual([
      "first heard",
      "joined",
      "counter reset",
      "another device",
      "new life",
    ]);
  });

  test("a proof is said in words, and no proof is no word", () => {
    expect(proofWords("mic")).toBe("its keys proved its frames");
    expect(proofWords("join-time")).toBe("its join-request was heard just before");
    expect(proofWords(null)).toBe("–");
  });
});

function label(begunBy: string): string {
  return lifeLabel({ begunBy });
}
