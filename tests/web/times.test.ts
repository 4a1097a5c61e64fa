import { beforeAll, describe, expect, test } from "vitest";
import {
  age,
  exactTime,
  momentTime,
  nearTime,
  preciseTime,
  spanWords,
  windowWords,
  zoneWords,
} from "../../web/src/format.ts";

beforeAll(() => {
  process.env.TZ = "Europe/Berlin";
});
const at = (text: string) => Date.parse(text);
const plain = (text: string) => text.replaceAll("\u202F", " ");

describe("ages", () => {
  const now = at("2026-03-14T12:00:00Z");
  test.each([
    [0, "just now"],
    [9_000, "just now"],
    [40_000, "40 s ago"],
    [185_000, "3 min ago"],
    [7_300_000, "2 h ago"],
    [5 * 86_400_000, "5 d ago"],
    [-20_000, "just now"],
    [-600_000, "in 10 min"],
  ])("%s ms before now is said as %s", (before, expected) => {
    expect(plain(age(now - before, now))).toBe(expected);
  });
});

describe("moments", () => {
  test("a moment of a list names its day, and its year when it is not this one", () => {
    const now = new Date(2026, 10, 25, 12).getTime();
    expect(momentTime(new Date(2026, 3, 14, 9, 45, 59).getTime(), now)).toBe("14 Apr 09:45");
    expect(momentTime(new Date(2025, 3, 14, 9, 45).getTime(), now)).toBe("14 Apr 2025 09:45");
  });

  test("are local, with the month by name", () => {
    expect(exactTime(at("2026-03-14T08:04:31Z"))).toBe("14 Mar 2026, 09:04:31");
    expect(exactTime(at("2026-03-14T08:04:31.007Z"), true)).toBe("14 Mar 2026, 09:04:31.007");
  });

  test("leave out what the reader knows", () => {
    const now = at("2026-03-14T12:00:00Z");
    expect(nearTime(at("2026-03-14T08:04:31Z"), now)).toBe("09:04");
    expect(nearTime(at("2026-03-13T08:04:31Z"), now)).toBe("13 Mar, 09:04");
    expect(nearTime(at("2025-03-13T08:04:31Z"), now)).toBe("13 Mar 2025, 09:04");
    expect(preciseTime(at("2026-03-14T08:04:31.5Z"), now)).toBe("09:04:31.500");
    expect(preciseTime(at("2026-03-13T08:04:31.5Z"), now)).toBe("13 Mar 09:04:31.500");
  });

  test("the zone is named with its offset of that season", () => {
    expect(zoneWords(at("2026-01-14T12:00:00Z"))).toMatch(/, UTC\+1$/);
    expect(zoneWords(at("2026-07-14T12:00:00Z"))).toMatch(/, UTC\+2$/);
  });
});

describe("windows", () => {
  test.each([
    ["2026-03-14T08:00:00Z", "2026-03-14T10:00:00Z", "14 Mar 2026, 09:00–11:00"],
    ["2026-03-13T23:00:00Z", "2026-03-14T23:00:00Z", "14 Mar 2026"],
    ["2026-03-13T23:00:00Z", "2026-03-16T23:00:00Z", "14 Mar 2026 – 16 Mar 2026"],
    ["2026-03-14T21:00:00Z", "2026-03-15T01:00:00Z", "14 Mar 2026, 22:00 – 15 Mar 2026, 02:00"],
    ["2026-03-14T21:00:00Z", "2026-03-14T23:00:00Z", "14 Mar 2026, 22:00–24:00"],
    ["2026-03-14T08:00:07Z", "2026-03-14T10:00:00Z", "14 Mar 2026, 09:00:07–11:00"],
  ])("%s to %s", (from, to, expected) => {
    expect(windowWords(at(from), at(to))).toBe(expected);
  });

  test("what is stored is told in whole minutes, outwards", () => {
    expect(spanWords("2026-03-14T08:00:12Z", "2026-03-14T09:59:01Z")).toBe("14 Mar 2026, 09:00–11:00");
    expect(spanWords("2026-03-14T08:00:00Z", "2026-03-14T10:00:00Z")).toBe("14 Mar 2026, 09:00–11:00");
    expect(spanWords("2026-03-14T08:00:00Z", "2026-03-14T08:00:00Z")).toBe("14 Mar 2026, 09:00–09:01");
  });
});
