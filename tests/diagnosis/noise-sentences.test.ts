/** What is said of where a noise comes from, and of the noise itself: each case once, with its figures. */
import { describe, expect, it } from "vitest";
import type { NoiseSource } from "../../src/contract/others-on-air.ts";
import { placeWords, sourceWords, walkWords } from "../../src/diagnosis/others-sentences.ts";
import type { NoisePlace } from "../../src/radio/noise-place.ts";

const plain = (text: string) => text.replaceAll("\u202F", " ");
const titles: Readonly<Record<string, string>> = { a: "Water tower", b: "Pump house", c: "Barn", d: "Shed" };

describe("the place of a noise", () => {
  const gateway = (eui: string, change: object = {}) =>
    ({
      eui,
      status: "raised",
      heard: 40,
      expected: 42,
      ...change,
    }) as unknown as NoisePlace["gateways"][number];
  const place = (change: Partial<NoisePlace>): NoisePlace => ({
    verdict: "strongest",
    reason: null,
    eui: "a",
    differenceDb: 6.1,
    lowDb: 1.94,
    highDb: 10.3,
    nextEui: "b",
    weakestEui: "b",
    gateways: [gateway("a"), gateway("b")],
    ...change,
  });
  const words = (change: Partial<NoisePlace>) =>
    plain(placeWords(place(change), (eui) => titles[eui] ?? eui));
  const open = { verdict: "open", eui: null, differenceDb: null, lowDb: null, highDb: null } as const;

  it("is told with the gateway that comes next, and the interval", () => {
    expect(words({})).toBe("Strongest at Water tower, 6.1 dB (1.9 to 10.3) above Pump house.");
    expect(words({ gateways: [gateway("a"), gateway("b"), gateway("c")] })).toBe(
      "Strongest at Water tower, 6.1 dB (1.9 to 10.3) above Pump house, the next.",
    );
  });

  it("is told with a limit where the other gateway is surely weaker, and no more is known", () => {
    expect(words({ differenceDb: null })).toBe("Strongest at Water tower, at least 1.9 dB above Pump house.");
    expect(words({ highDb: null, nextEui: null })).toBe(
      "Strongest at Water tower, at least 1.9 dB above the next.",
    );
  });

  it("names who could not be compared; of more than three their number", () => {
    const few = (eui: string) => gateway(eui, { status: "too few" });
    expect(words({ gateways: [gateway("a"), gateway("b"), few("c"), few("d")] })).toBe(
      "Strongest at Water tower, 6.1 dB (1.9 to 10.3) above Pump house. Not compared, too few frames: Barn and Shed.",
    );
    expect(words({ gateways: [gateway("a"), few("b"), few("c"), few("d"), few("e")] })).toMatch(
      /Not compared, too few frames: 4 gateways\.$/,
    );
  });

  it("is alike where all are surely within 6 dB", () => {
    expect(words({ verdict: "alike" })).toBe("Alike at Water tower and Pump house, within 6 dB.");
  });

  it("is open with its reason", () => {
    expect(words({ ...open, reason: "one gateway" })).toBe(
      "Where it is strongest is open: no other gateway listens to compare with.",
    );
    expect(words({ ...open, reason: "interval" })).toBe(
      "Where it is strongest is open: the gateways differ by less than the comparison can tell.",
    );
    expect(words({ ...open, reason: "few" })).toBe(
      "Where it is strongest is open: too few frames of the other gateways show the noise in this time.",
    );
  });

  it("is open where a gateway was drowned, for it may be strongest there", () => {
    const gateways = [
      gateway("a", { status: "drowned", heard: 3, expected: 41 }),
      gateway("b", { status: "too few", heard: 20, expected: 41 }),
      // Half of what was expected is not drowned.
      gateway("c", { status: "too few", heard: 21, expected: 41 }),
    ];
    expect(words({ ...open, reason: "drowned", gateways })).toBe(
      "Where it is strongest is open: Water tower heard 3 of about 41 packets and Pump house heard 20 of about 41 packets meanwhile, so it may be strongest there.",
    );
  });

  it("gives a direction to try, and calls it no bearing", () => {
    expect(plain(walkWords("Water tower", "Pump house", 412))).toMatch(
      /^Walk from Water tower towards Pump house \(412 m\) and measure again\. This is a direction to try, not a bearing/,
    );
  });
});

describe("a source of noise", () => {
  const source = {
    kind: "loud time",
    from: "2026-03-14T09:00:00.000Z",
    to: "2026-03-14T10:15:20.000Z",
    beginSeen: true,
    endSeen: true,
    frequenciesHz: [868_300_000],
    width: "one channel",
    course: { verdict: "steady", periodSeconds: null, onShare: null },
  } as unknown as NoiseSource;
  const words = (change: object, riseDb: number | null = 16.2) =>
    plain(sourceWords({ ...source, ...change }, riseDb, "Water tower"));

  it("is told with channel, rise, length to the minute, course and width", () => {
    expect(words({})).toBe(
      "868.3 MHz: 16.2 dB louder for 1 h 15 min at Water tower, steady as far as frames show, on this channel only.",
    );
  });

  it("whose begin or end was not seen lasts at least so long, or so far", () => {
    expect(words({ beginSeen: false })).toContain("louder for at least 1 h 15 min at");
    expect(words({ endSeen: false })).toContain("louder for 1 h 15 min so far at");
  });

  it("that stands or pulses is told so", () => {
    expect(words({ kind: "standing" })).toContain("louder than its other channels, all the time at");
    const course = { verdict: "pulsed", periodSeconds: 90, onShare: 0.25 };
    expect(words({ kind: "pulsed", course })).toBe(
      "868.3 MHz: 16.2 dB louder in pulses, seen for 1 h 15 min at Water tower, one pulse every 1 min 30 s, on for about 25 % of it, on this channel only.",
    );
    expect(words({ course: { ...course, onShare: null } })).toContain("one pulse every 1 min 30 s, on this");
    expect(words({ course: { ...course, periodSeconds: null } })).toContain("steady or pulsed is open");
  });

  it("on several channels gives their number, and no size where none is known", () => {
    const frequenciesHz = [868_100_000, 868_300_000];
    expect(words({ frequenciesHz, width: "several channels" }, null)).toMatch(
      /^2 channels: louder for 1 h 15 min at .*, on several channels\.$/,
    );
  });
});
