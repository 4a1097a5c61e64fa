import { describe, expect, it } from "vitest";
import { MarkEffect } from "../../../src/contract/trials.ts";
import type { Store } from "../../../src/store/open.ts";
import { changeMarks, type NewMark, NO_POSITION } from "../../../src/store/user-data.ts";
import { type EffectAsked, markEffect } from "../../../src/views/trials/mark-effect.ts";
import { BESIDE, drawMarkedSite, MAST, type MarkedSite, markAt } from "./draw-marked-site.ts";
import { place, played, scenarioOf } from "./played.ts";

/** Sites of each kind; more print how often what was said held. */
const SITES = Number(process.env.MASTLOG_MARK_SITES ?? 3);
const isLong = process.env.MASTLOG_MARK_SITES !== undefined;

function pin(db: Store, at: string, mark: Partial<NewMark> = {}): number {
  const asked: NewMark = {
    ...NO_POSITION,
    atUs: Date.parse(at) * 1000,
    untilUs: null,
    kind: "note",
    text: "Cut the hedge",
    gatewayEui: null,
    devAddr: null,
    ...mark,
  };
  const written = changeMarks(db, { kind: "add", mark: asked });
  return written.ok ? written.result : 0;
}

function siteOf(drawn: MarkedSite, more: object = {}): Store {
  return played(scenarioOf(JSON.stringify({ ...drawMarkedSite(drawn), ...more })), drawn.seed);
}

function effectOf(db: Store, id: number, asked: EffectAsked = {}): MarkEffect {
  const effect = markEffect(db, id, asked);
  if (typeof effect === "string") throw new Error(effect);
  return MarkEffect.parse(effect);
}

function drawnEffect(drawn: MarkedSite): MarkEffect {
  const db = siteOf(drawn);
  const effect = effectOf(db, pin(db, markAt(drawn)));
  db.close();
  return effect;
}

const words = ({ sentence }: MarkEffect) => sentence.map(({ text }) => text).join("");

function holds({ snrDifferenceDb: { low, high } }: MarkEffect, truth: number): boolean {
  return low !== null && high !== null && low <= truth && truth <= high;
}

describe("drawn sites about a mark", () => {
  const hours = isLong ? 24 : 12;
  it(
    "with no change are called better or worse no more often than the level allows",
    () => {
      const told = Array.from({ length: SITES }, (_, seed) => drawnEffect({ seed, hours, changeDb: 0 }));
      const wrong = told.filter(({ effect }) => effect === "better" || effect === "worse").length;
      const better = told.filter(({ effect }) => effect === "better").length;
      const held = told.filter((one) => holds(one, 0)).length;
      if (isLong) console.log({ sites: SITES, better, wrong, held });
      // Of few sites none, of many one in twenty and three standard errors.
      expect(wrong).toBeLessThanOrEqual(Math.floor(0.05 * SITES + 3 * Math.sqrt(0.05 * 0.95 * SITES)));
    },
    isLong ? 7_200_000 : undefined,
  );

  it(
    "with a path that changed by 4 dB are called so, to the right side",
    () => {
      for (const changeDb of [4, -4]) {
        const told = Array.from({ length: SITES }, (_, seed) =>
          drawnEffect({ seed: 1000 + seed, hours, changeDb }),
        );
        const right = changeDb > 0 ? "better" : "worse";
        const found = told.filter(({ effect }) => effect === right).length;
        const held = told.filter((one) => holds(one, changeDb)).length;
        if (isLong) console.log({ changeDb, sites: SITES, found, held });
        expect(told.filter(({ effect }) => effect === (changeDb > 0 ? "worse" : "better"))).toEqual([]);
        expect(found).toBeGreaterThanOrEqual(Math.ceil(0.8 * SITES) - 1);
      }
    },
    isLong ? 7_200_000 : undefined,
  );
});

describe("a site with two gateways, of which one hears 4 dB better since a mark", () => {
  const drawn = { seed: 5, hours: 12, changeDb: 4, beside: true };
  const at = markAt(drawn);
  const hoursLater = (hours: number) => new Date(Date.parse(at) + hours * 3_600_000).toISOString();
  const site = drawMarkedSite(drawn);
  const db = siteOf(drawn, {
    events: [...site.events, { event: "gateway-unreachable", gateway: MAST, from: 14 * 3600, to: 16 * 3600 }],
  });
  const about = pin(db, at, { gatewayEui: MAST });

  it("takes what the gateway that stood still saw off where the mark is about one gateway", () => {
    const effect = effectOf(db, about);
    expect(effect).toMatchObject({
      effect: "better",
      gateways: [{ eui: MAST }],
      control: { gatewayEui: BESIDE },
    });
    expect(holds(effect, 4)).toBe(true);
    expect(words(effect)).toMatch(/^Since “Cut the hedge” 02005E1000000001 hears \d\.\d\u202FdB better \(/);
  });

  it("compares all gateways together, without taking anything off, where that is asked for", () => {
    const effect = effectOf(db, about, { gateway: "all" });
    expect(effect.control).toBeNull();
    expect(effect.gateways.map(({ eui }) => eui).sort()).toEqual([MAST, BESIDE]);
    expect(words(effect)).toContain("the site");
  });

  it("leaves out the two hours in which a gateway was unreachable, and says so", () => {
    const { a, b, lengthWords } = effectOf(db, about, { gateway: "all" });
    const length = (Date.parse(a.to) - Date.parse(a.from)) / 1000;
    expect((Date.parse(b.to) - Date.parse(b.from)) / 1000).toBeCloseTo(length, 2);
    expect(b.comparedSeconds).toBeGreaterThan(length - 600);
    expect(length - a.comparedSeconds).toBeGreaterThan(2 * 3600 - 300);
    expect(length - a.comparedSeconds).toBeLessThan(2 * 3600 + 600);
    expect(lengthWords).toContain("the rest was not recorded, or a gateway was unreachable");
  });

  it("names other marks and placements of these times, the nearest first, and no stops of a walk", () => {
    const mark = pin(db, hoursLater(1), { text: "Turned the antenna" });
    pin(db, hoursLater(-3), { text: "New batteries" });
    pin(db, hoursLater(2), { text: "Row 3", kind: "stop" });
    place(db, "North parapet", BESIDE, hoursLater(4));
    const { otherMarks, reservations, control } = effectOf(db, about);
    expect(otherMarks.map(({ text }) => text)).toEqual(["Turned the antenna", "New batteries"]);
    expect(reservations).toContain(
      "Noted in these times as well: “Turned the antenna” (1\u202Fh after) and “New batteries” (3\u202Fh before). What they changed is in this figure too.",
    );
    // A gateway that was moved meanwhile did not stand still.
    expect(control).toBeNull();
    expect(effectOf(db, about, { gateway: "all" }).reservations.join(" ")).toContain("“North parapet”");
    expect(effectOf(db, mark).otherMarks).toHaveLength(2);
  });

  it("compares no more than so many days", () => {
    const { a, b, limitedBy, lengthWords } = effectOf(db, about, { days: 0.25 });
    expect([b.from, b.to, a.from, a.to]).toEqual([hoursLater(-6), at, at, hoursLater(6)]);
    expect(limitedBy).toBe("days");
    expect(lengthWords).toMatch(/^6\u202Fh before the mark with 6\u202Fh after it, no longer, as asked\./);
  });

  it("leaves the mark's own time out where it lasted", () => {
    const lasted = pin(db, hoursLater(-1), { untilUs: Date.parse(hoursLater(1)) * 1000 });
    const { a, b } = effectOf(db, lasted, { days: 0.25 });
    expect([b.to, a.from]).toEqual([hoursLater(-1), hoursLater(1)]);
  });

  it("asks for one node only where the mark is about a node", () => {
    const [node] = site.nodes;
    const effect = effectOf(db, pin(db, at, { devAddr: node?.devAddr ?? "" }));
    expect(effect.nodes.map(({ devAddr }) => devAddr)).toEqual([node?.devAddr]);
    expect(effect.reservations).toContain("One node alone: what holds for it need not hold for others.");
  });

  it.each([
    [-24, "nothing was recorded before the mark"],
    [24, "nothing was recorded since the mark"],
  ])("says what is lacking %i h away", (hours, lack) => {
    const effect = effectOf(db, pin(db, hoursLater(hours)));
    expect(effect).toMatchObject({ effect: "not enough", enough: false, framesStillNeeded: null });
    expect(words(effect)).toBe(`Before and after “Cut the hedge” cannot be compared yet: ${lack}.`);
  });

  it("knows no other mark and no other gateway", () => {
    expect(markEffect(db, 999)).toBe("no-such-mark");
    expect(markEffect(db, about, { gateway: "02005E10000000FF" })).toBe("no-such-gateway");
  });
});

describe("what would settle a comparison about a mark", () => {
  it("is waiting where more was recorded before than since, and no waiting where it was not", () => {
    const drawn = { seed: 2, hours: 12, changeDb: 1 };
    const early = siteOf(drawn, { duration: 12.5 * 3600 });
    const soon = effectOf(early, pin(early, markAt(drawn)));
    expect(soon).toMatchObject({ limitedBy: "recorded after", effect: "not enough" });
    // Half an hour on each side holds too little, and half a day would do: twelve hours were recorded before.
    expect(soon.minutesStillNeeded).toBeGreaterThan(30);
    expect(soon.minutesStillNeeded).toBeLessThan(11.5 * 60);
    expect(soon.neededWords).toMatch(/ more of recording, would settle it\.$/);
    const db = siteOf(drawn);
    const late = effectOf(db, pin(db, new Date(Date.parse(markAt(drawn)) - 11 * 3_600_000).toISOString()));
    expect(late).toMatchObject({
      limitedBy: "recorded before",
      effect: "not enough",
      minutesStillNeeded: null,
    });
    expect(late.neededWords).toContain("no waiting adds to them");
  });
});
