import fc from "fast-check";
import { beforeAll, describe, expect, test } from "vitest";
import {
  describeWindow,
  stepWindow,
  storedWindow,
  type WindowChoice,
  windowFromParams,
  windowToParams,
} from "../../web/src/state/window.ts";

beforeAll(() => {
  process.env.TZ = "Europe/Berlin";
});
const at = (text: string) => Date.parse(text);
const now = at("2026-03-14T12:00:00Z");
const fixed = (from: string, to: string): WindowChoice => ({ kind: "fixed", fromMs: at(from), toMs: at(to) });

describe("the window in the address bar", () => {
  test("any window comes back as it was written", () => {
    const anyWindow: fc.Arbitrary<WindowChoice> = fc.oneof(
      fc.record({
        kind: fc.constant("live" as const),
        lastSeconds: fc.integer({ min: 10, max: 400 * 86_400 }),
      }),
      fc
        .tuple(fc.integer({ min: 0, max: 4e12 }), fc.integer({ min: 1, max: 1e10 }))
        .map(([fromMs, length]) => ({ kind: "fixed" as const, fromMs, toMs: fromMs + length })),
    );
    fc.assert(
      fc.property(anyWindow, (choice) => {
        expect(windowFromParams(new URLSearchParams(windowToParams(choice)))).toEqual(choice);
      }),
    );
  });

  test.each([
    "",
    "last=abc",
    "last=-5",
    "last=1e99",
    "from=yesterday&to=today",
    "from=2026-03-14T10:00:00Z&to=2026-03-14T09:00:00Z",
  ])("what cannot be read (%s) is the last hour, live", (query) => {
    expect(windowFromParams(new URLSearchParams(query))).toEqual({ kind: "live", lastSeconds: 3600 });
  });
});

describe("stepping", () => {
  test("back from live is the window before it, fixed", () => {
    expect(stepWindow({ kind: "live", lastSeconds: 3600 }, -1, now)).toEqual(
      fixed("2026-03-14T10:00:00Z", "2026-03-14T11:00:00Z"),
    );
  });

  test("forward past now is live again, with the same length", () => {
    const before = stepWindow({ kind: "live", lastSeconds: 3600 }, -1, now);
    expect(stepWindow(before, 1, now)).toEqual({ kind: "live", lastSeconds: 3600 });
  });

  test("a live window has nothing later", () => {
    const live: WindowChoice = { kind: "live", lastSeconds: 900 };
    expect(stepWindow(live, 1, now)).toBe(live);
  });

  test("a day of 23 hours is stepped as a day", () => {
    // In Berlin the clock went from 02:00 to 03:00 on 29 March 2026.
    const day = fixed("2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z");
    const later = at("2026-04-20T12:00:00Z");
    expect(stepWindow(day, 1, later)).toEqual(fixed("2026-03-29T22:00:00Z", "2026-03-30T22:00:00Z"));
    expect(stepWindow(day, -1, later)).toEqual(fixed("2026-03-27T23:00:00Z", "2026-03-28T23:00:00Z"));
  });
});

describe("what is stored", () => {
  test("a short store is shown whole, its last reception inside the window", () => {
    const choice = storedWindow(at("2026-03-14T08:00:12Z"), at("2026-03-14T10:00:00Z"));
    expect(choice).toEqual(fixed("2026-03-14T08:00:00Z", "2026-03-14T10:01:00Z"));
  });

  test("of a long store the newest month is shown", () => {
    const choice = storedWindow(at("2025-03-14T08:00:00Z"), at("2026-03-14T10:00:00Z"));
    expect(choice.kind === "fixed" && choice.toMs - choice.fromMs).toBe(31 * 86_400_000);
  });

  test("a live window is named by its length", () => {
    expect(describeWindow({ kind: "live", lastSeconds: 21_600 }).replaceAll("\u202F", " ")).toBe("last 6 h");
  });
});
