import { describe, expect, test } from "vitest";
import { certaintyWords, keyFigureWords } from "../../web/src/format.ts";

describe("the words of keys", () => {
  test("only what happened is said, and one is not plural", () => {
    expect(keyFigureWords({ held: true, proved: 142, invalid: 3, replays: 1 })).toBe(
      "142 frames proved by keys, 3 fit no key available (another sender), 1 replayed",
    );
    expect(keyFigureWords({ held: true, proved: 1, invalid: 1, replays: 0 })).toBe(
      "1 frame proved by keys, 1 fits no key available (another sender)",
    );
    expect(keyFigureWords({ held: true, proved: 0, invalid: 0, replays: 0 })).toBe(
      "no frames proved by keys",
    );
  });

  test("without keys it says what identity rests on; frames proved by keys since removed stay proved", () => {
    expect(keyFigureWords({ held: false, proved: 0, invalid: 0, replays: 0 })).toBe(
      "no keys available: identity is the address with the evidence of its counters",
    );
    expect(keyFigureWords({ held: false, proved: 12, invalid: 0, replays: 0 })).toBe(
      "12 frames proved by keys",
    );
  });

  test("each certainty has its quiet words", () => {
    expect(certaintyWords("seen")).toBe("as read from the frame");
    expect(certaintyWords("assumed 1.0 clear text")).toBe("assumed 1.0 clear text");
    expect(certaintyWords("proved")).toBe("proved by keys");
  });
});
