import { describe, expect, it } from "vitest";
import type { BenchItem, BenchState } from "../../../src/contract/index.ts";
import { benchSentence, benchVerdict, isSettled, judgeBench } from "../../../src/diagnosis/bench/judge.ts";
import { SOUND } from "./a-sound-gateway.ts";

/** The items of the sound gateway, some of them in another state. */
function items(states: Record<string, BenchState>): BenchItem[] {
  return judgeBench(SOUND).map((item) => ({ ...item, state: states[item.id] ?? item.state }));
}
const said = (states: Record<string, BenchState>) =>
  benchSentence("Packing shed", items(states))
    .map(({ text }) => text)
    .join("");

describe("the verdict", () => {
  it.each<[BenchState, Record<string, BenchState>]>([
    ["pass", {}],
    ["pass", { noise: "waiting", downlinks: "waiting" }],
    ["waiting", { keepalives: "waiting" }],
    ["waiting", { channels: "waiting" }],
    ["warn", { keepalives: "waiting", noise: "warn" }],
    ["fail", { noise: "warn", identifier: "fail", channels: "waiting" }],
  ])("is %s with %o", (verdict, states) => {
    expect(benchVerdict(items(states))).toBe(verdict);
  });

  it("is said in a sentence that names what is wrong and counts the rest", () => {
    expect(said({})).toBe("Packing shed is good: 25 of 25 checks passed.");
    expect(said({ noise: "waiting" })).toBe("Packing shed is good: 24 of 25 checks passed, 1 still open.");
    expect(said({ channels: "waiting" })).toBe(
      "Packing shed cannot be judged yet: 24 of 25 checks passed, 1 still open.",
    );
    expect(said({ noise: "warn" })).toBe(
      "Packing shed works, with 1 warning (noise floor); 24 of 25 checks passed.",
    );
    expect(
      said({ keepalives: "fail", region: "fail", noise: "fail", levels: "fail", overload: "fail" }),
    ).toBe(
      "Packing shed fails 5 checks (keepalives, channel plan, overload and 2 more); 20 of 25 checks passed.",
    );
  });
});

describe("a list", () => {
  it("is settled when no check awaits what may still come, though some cannot be known", () => {
    const unknown = judgeBench({ ...SOUND, roundTrip: { pairsMs: [], trip: null, ackPercent: null } });
    expect(unknown.find(({ id }) => id === "round-trip")?.state).toBe("waiting");
    expect(isSettled(unknown)).toBe(true);
    expect(isSettled(judgeBench({ ...SOUND, noise: [] }))).toBe(false);
  });
});
