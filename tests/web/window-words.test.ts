import fc from "fast-check";
import { beforeAll, describe, expect, test } from "vitest";
import { windowWords } from "../../web/src/format.ts";
import { readMoment, readWindow } from "../../web/src/state/window.ts";

beforeAll(() => {
  process.env.TZ = "Europe/Berlin";
});
// A Saturday, 13:00 in Berlin.
const now = Date.parse("2026-03-14T12:00:00Z");

/** What a text means: "live 3600", "2026-03-13T13:00Z/2026-03-13T15:00Z", or "no". */
function meaning(text: string): string {
  const read = readWindow(text, now);
  if (!read.ok) return "no";
  if (read.choice.kind === "live") return `live ${read.choice.lastSeconds}`;
  const short = (ms: number) => new Date(ms).toISOString().replace(/:00\.000Z$/, "Z");
  return `${short(read.choice.fromMs)}/${short(read.choice.toMs)}`;
}

describe("lengths are live windows", () => {
  test.each([
    ["last 6 h", "live 21600"],
    ["6h", "live 21600"],
    ["last hour", "live 3600"],
    ["Last 15 min", "live 900"],
    ["past 2 days", "live 172800"],
    ["live 1 h", "live 3600"],
    ["last\u202F1\u202Fweek", "live 604800"],
    ["1.5 h", "live 5400"],
    ["90 s", "live 90"],
  ])("%s", (text, expected) => {
    expect(meaning(text)).toBe(expected);
  });
});

describe("days and times are fixed windows, local", () => {
  test.each([
    ["yesterday 14:00–16:00", "2026-03-13T13:00Z/2026-03-13T15:00Z"],
    ["yesterday 14:00-16:00", "2026-03-13T13:00Z/2026-03-13T15:00Z"],
    ["yesterday 14 to 16", "2026-03-13T13:00Z/2026-03-13T15:00Z"],
    ["yesterday", "2026-03-12T23:00Z/2026-03-13T23:00Z"],
    ["today", "2026-03-13T23:00Z/2026-03-14T23:00Z"],
    ["today 9:00 – now", "2026-03-14T08:00Z/2026-03-14T12:00Z"],
    ["since 9:00", "2026-03-14T08:00Z/2026-03-14T12:00Z"],
    ["2026-03-14 09:00 – 11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["2026-03-14 09:00-11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["14 Mar 2026, 09:00–11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["14 March 09:00–11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["14.3.2026 09:00 - 11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["2026-03-10", "2026-03-09T23:00Z/2026-03-10T23:00Z"],
    ["2026-03-10 – 2026-03-12", "2026-03-09T23:00Z/2026-03-12T23:00Z"],
    ["2026-03-10 22:00 – 02:00", "2026-03-10T21:00Z/2026-03-11T01:00Z"],
    ["2026-03-10 22:00 – 2026-03-11 02:00", "2026-03-10T21:00Z/2026-03-11T01:00Z"],
    ["monday", "2026-03-08T23:00Z/2026-03-09T23:00Z"],
    ["saturday 10:00–12:00", "2026-03-07T09:00Z/2026-03-07T11:00Z"],
    ["09:00–11:00", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
    ["yesterday 22:00–24:00", "2026-03-13T21:00Z/2026-03-13T23:00Z"],
    ["2026-03-14T08:00Z – 2026-03-14T10:00Z", "2026-03-14T08:00Z/2026-03-14T10:00Z"],
  ])("%s", (text, expected) => {
    expect(meaning(text)).toBe(expected);
  });

  test("times that are still to come today mean yesterday's", () => {
    expect(meaning("14:00–16:00")).toBe("2026-03-13T13:00Z/2026-03-13T15:00Z");
  });

  test("a day without a year is the latest one that is not to come", () => {
    expect(meaning("20 Mar")).toBe("2025-03-19T23:00Z/2025-03-20T23:00Z");
  });

  test("a day on which the clock changes is still a day", () => {
    expect(meaning("2026-03-29")).toBe("2026-03-28T23:00Z/2026-03-29T22:00Z");
    expect(meaning("2026-03-29 04:00–06:00")).toBe("2026-03-29T02:00Z/2026-03-29T04:00Z");
  });
});

describe("what is not understood is refused in words", () => {
  test.each([
    "",
    "soon",
    "03/04/2026",
    "2026-02-30",
    "25:00–26:00",
    "2026-03-14 11:00 – 2026-03-14 09:00",
    "1 – 2 – 3",
    "last 2 s",
    "last 9999 d",
  ])("%s", (text) => {
    const read = readWindow(text, now);
    expect(read.ok).toBe(false);
    expect(read.ok ? "" : read.sentence).toMatch(/\. Try “last 6 h”/);
  });

  test("no text makes it throw, and what it reads is a window with its ends in order", () => {
    const words = fc.stringMatching(/^[a-z0-9 :.–/-]{0,40}$/);
    fc.assert(
      fc.property(words, (text) => {
        const read = readWindow(text, now);
        if (read.ok && read.choice.kind === "fixed")
          expect(read.choice.fromMs).toBeLessThan(read.choice.toMs);
      }),
      { numRuns: 2000 },
    );
  });
});

test("what the top line says of a fixed window can be typed back", () => {
  const hour = 3_600_000;
  fc.assert(
    fc.property(fc.integer({ min: 0, max: 20_000 }), fc.integer({ min: 1, max: 400 }), (start, length) => {
      const fromMs = Date.parse("2024-01-01T00:00:00Z") + start * hour;
      const toMs = fromMs + length * hour;
      // Not at the two hours a year whose name stands for two moments or none.
      fc.pre(
        [fromMs, toMs].every(
          (ms) => new Date(ms - 3 * hour).getTimezoneOffset() === new Date(ms + 3 * hour).getTimezoneOffset(),
        ),
      );
      expect(readWindow(windowWords(fromMs, toMs), now)).toEqual({
        ok: true,
        choice: { kind: "fixed", fromMs, toMs },
      });
    }),
  );
});

describe("a moment", () => {
  const moment = (text: string, aroundMs = now) => {
    const read = readMoment(text, now, aroundMs);
    return read.ok ? new Date(read.ms).toISOString() : read.sentence;
  };
  test.each([
    ["now", "2026-03-14T12:00:00.000Z"],
    ["09:30", "2026-03-14T08:30:00.000Z"],
    // One in the afternoon is not yet over: ten at night was yesterday's.
    ["22:00", "2026-03-13T21:00:00.000Z"],
    ["yesterday 14:00", "2026-03-13T13:00:00.000Z"],
    ["14 Mar 2026, 09:04:22", "2026-03-14T08:04:22.000Z"],
    ["2026-03-01 9:30", "2026-03-01T08:30:00.000Z"],
    ["2026-03-14T08:00:00Z", "2026-03-14T08:00:00.000Z"],
  ])("%s", (text, expected) => {
    expect(moment(text)).toBe(expected);
  });
  test("of a window that lies back is of its day", () => {
    expect(moment("22:00", Date.parse("2026-03-02T06:00:00Z"))).toBe("2026-03-02T21:00:00.000Z");
  });
  test.each(["", "yesterday", "soon", "25:00"])(
    "%j is none, and the answer says how to write one",
    (text) => {
      expect(moment(text)).toMatch(/is not a time\. Try/);
    },
  );
});
