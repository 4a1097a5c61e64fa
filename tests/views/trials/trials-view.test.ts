import { beforeAll, describe, expect, test } from "vitest";
import { TrialAnswer, TrialsView } from "../../../src/contract/trials.ts";
import type { Scenario } from "../../../src/simulate/scenario.ts";
import type { Store } from "../../../src/store/open.ts";
import { compareSides, reportedTrials, trialsView } from "../../../src/views/trials/trials.ts";
import { place, played, sampleScenario, scenarioOf, whole } from "./played.ts";

const EUI = "02005E1000000004";

function answered(db: Store, a: string, b: string) {
  const answer = compareSides(db, whole(db), a, b);
  if (answer === null) throw new Error("no such side");
  return TrialAnswer.parse(answer);
}

describe("two antennas of one gateway, the second 3.5 dB weaker", () => {
  let db: Store;
  beforeAll(() => {
    db = played(sampleScenario("orchard-two-antennas.json"), 7);
  }, 60_000);

  test("are told apart by their true difference, in level and delivery", () => {
    const answer = answered(db, `${EUI}/0`, `${EUI}/1`);
    expect(answer).toMatchObject({ paired: true, verdict: "a", enough: true, framesStillNeeded: 0 });
    expect(answer.snrDifferenceDb.low).toBeLessThan(3.5);
    expect(answer.snrDifferenceDb.high).toBeGreaterThan(3.5);
    expect(answer.deliveryDifference.low).toBeGreaterThan(0);
    // The common frames alone make the weak antenna look better than it is.
    expect(answer.commonFrames?.snrDifferenceDb.estimate).toBeLessThan(
      answer.snrDifferenceDb.estimate ?? Number.NaN,
    );
  });

  test("an antenna that was never heard is refused", () => {
    expect(compareSides(db, whole(db), `${EUI}/0`, `${EUI}/7`)).toBeNull();
    expect(compareSides(db, whole(db), `${EUI}/2`, EUI)).toBeNull();
  });

  test("give the same answer the other way round", () => {
    const there = answered(db, `${EUI}/0`, `${EUI}/1`);
    const back = answered(db, `${EUI}/1`, `${EUI}/0`);
    expect(back.verdict).toBe("b");
    expect(back.snrDifferenceDb.estimate).toBeCloseTo(-(there.snrDifferenceDb.estimate ?? 0), 1);
    expect(back.deliveryDifference.estimate).toBeCloseTo(-(there.deliveryDifference.estimate ?? 0), 6);
  });

  test("account for every counter: both, one, the other, neither", () => {
    const { delivery, nodes } = answered(db, `${EUI}/0`, `${EUI}/1`);
    const { both, onlyA, onlyB, neither } = delivery.pairs ?? { both: 0, onlyA: 0, onlyB: 0, neither: 0 };
    expect(both + onlyA).toBe(delivery.a.heard);
    expect(both + onlyB).toBe(delivery.b.heard);
    expect(both + onlyA + onlyB + neither).toBe(delivery.a.expected);
    expect(nodes.reduce((sum, node) => sum + node.a.expected, 0)).toBe(delivery.a.expected);
    expect(nodes.reduce((sum, node) => sum + node.weight, 0)).toBeCloseTo(1, 6);
  });

  test("are the first pair of the view, and a strong node is not judged by an SNR that has stopped rising", () => {
    const view = TrialsView.parse(trialsView(db, whole(db), null));
    expect(view.trials).toMatchObject([{ a: `${EUI}/0`, b: `${EUI}/1`, verdict: "a" }]);
    const door = view.answer?.nodes.find(({ devAddr }) => devAddr === "01F2A302");
    expect(door).toMatchObject({ method: "too strong", weight: 0, snrDifferenceDb: { estimate: null } });
  });

  test("told as placements, what antenna and cable account for is taken off the place", () => {
    const start = "2026-04-21T11:00:00Z";
    place(db, "Rod", EUI, start, { antenna: 0, antennaGainDbi: 5, cableLossDb: 0.5 });
    place(db, "Stub", EUI, start, { antenna: 1, antennaGainDbi: 2, cableLossDb: 1 });
    const answer = answered(db, "rod", "Stub");
    expect(answer.a).toMatchObject({ name: "Rod", placed: true, antenna: 0 });
    expect(answer.knownGainDifferenceDb).toBe(3.5);
    expect(answer.placeAloneDb?.estimate).toBeCloseTo((answer.snrDifferenceDb.estimate ?? 0) - 3.5, 6);
  });
});

/** Two gateways whose paths differ by `differenceDb`, or (moved) one whose paths do from `afterMinutes` on. */
function orchard(of: {
  readonly differenceDb: number;
  readonly hours: number;
  readonly moved?: boolean;
}): Scenario {
  const first = "02005E1000000011";
  const second = "02005E1000000012";
  const gainsDb = [-138, -141, -143, -145.5, -139, -136];
  const text = JSON.stringify({
    title: "Two places",
    site: "Fennick Orchard",
    start: "2026-04-22T06:00:00Z",
    duration: `${of.hours}:00:00`,
    region: "EU868",
    channelsHz: [868_100_000, 868_300_000, 868_500_000],
    gateways: [
      { eui: first, name: "First place", keepaliveSeconds: 60, statSeconds: 300 },
      { eui: second, name: "Second place", keepaliveSeconds: 60, statSeconds: 300 },
    ],
    nodes: gainsDb.map((gainDb, i) => ({
      name: `Probe ${i + 1}`,
      devAddr: `01F2B10${i + 1}`,
      rhythmSeconds: 90,
      spreadingFactor: 9 + (i % 2),
      slowFadingDb: 1,
      fastFadingDb: 1.5,
      pathGainDb: { [first]: gainDb, [second]: of.moved === true ? -134 : gainDb - of.differenceDb },
    })),
    events:
      of.moved !== true
        ? []
        : gainsDb.map((_, i) => ({
            event: "fading-link",
            node: `Probe ${i + 1}`,
            gateway: first,
            from: `${of.hours / 2}:00:00`,
            to: `${of.hours / 2}:00:01`,
            changeDb: -of.differenceDb,
          })),
  });
  return scenarioOf(text);
}

describe("two gateways side by side", () => {
  test("differ by what their paths differ", () => {
    const db = played(orchard({ differenceDb: 3, hours: 4 }), 3);
    const answer = answered(db, "02005E1000000011", "02005E1000000012");
    expect(answer).toMatchObject({ paired: true, verdict: "a" });
    expect(answer.snrDifferenceDb.low).toBeLessThan(3);
    expect(answer.snrDifferenceDb.high).toBeGreaterThan(3);
  });

  test("cannot be told apart in ten minutes when they hardly differ, and it says what would settle it", () => {
    const db = played(orchard({ differenceDb: 0.2, hours: 1 }), 3);
    const window = { ...whole(db), toUs: Date.parse("2026-04-22T06:10:00Z") * 1000 };
    const answer = compareSides(db, window, "02005E1000000011", "02005E1000000012");
    expect(answer).toMatchObject({ verdict: "not enough", enough: false });
    expect(answer?.framesStillNeeded).toBeGreaterThan(0);
    expect(answer?.progress).toBeLessThan(1);
    expect(answer?.sentence[0]?.text).toMatch(/^Not enough to say yet: about [\d\u202F]+ more frames/);
  });
});

test("two gateways that just began together are already side by side", () => {
  const db = played(orchard({ differenceDb: 3, hours: 1 }), 3);
  const window = { ...whole(db), toUs: Date.parse("2026-04-22T06:00:45Z") * 1000 };
  expect(compareSides(db, window, "02005E1000000011", "02005E1000000012")?.paired).toBe(true);
});

test("every moment of a trial's first minutes has an answer that fits the contract", () => {
  const db = played(orchard({ differenceDb: 6, hours: 1 }), 3);
  for (let seconds = 5; seconds < 700; seconds += 15) {
    const window = { ...whole(db), toUs: Date.parse("2026-04-22T06:00:00Z") * 1000 + seconds * 1e6 };
    expect(TrialsView.safeParse(trialsView(db, window, null)).error).toBeUndefined();
  }
});

describe("a gateway that was moved", () => {
  let db: Store;
  beforeAll(() => {
    db = played(orchard({ differenceDb: 4, hours: 4, moved: true }), 5);
    place(db, "Old wall", "02005E1000000011", "2026-04-22T05:00:00Z");
    place(db, "New wall", "02005E1000000011", "2026-04-22T08:00:00Z");
  }, 60_000);

  test("is compared one after the other, what stood still taken off, and the reserve is said", () => {
    const answer = answered(db, "Old wall", "New wall");
    expect(answer).toMatchObject({
      paired: false,
      verdict: "a",
      control: { gatewayEui: "02005E1000000012" },
    });
    expect(answer.snrDifferenceDb.low).toBeLessThan(4);
    expect(answer.snrDifferenceDb.high).toBeGreaterThan(4);
    expect(answer.reservations.join(" ")).toContain("Weather, leaves");
    expect(answer.delivery.a.deliveryRatio).toBeGreaterThan(answer.delivery.b.deliveryRatio ?? 1);
  });

  test("soon after the move it is said how much each period lacks", () => {
    const window = { ...whole(db), toUs: Date.parse("2026-04-22T08:05:00Z") * 1000 };
    const answer = compareSides(db, window, "Old wall", "New wall");
    expect(answer).toMatchObject({ verdict: "not enough", framesStillNeeded: null });
    expect(answer?.sentence[0]?.text).toContain("no node sent 5 frames at one data rate in each");
  });

  test("makes three sides with the other gateway, each pair with a p that allows for the others", () => {
    const view = trialsView(db, whole(db), { a: "Old wall", b: "New wall" });
    expect(view.sides.map(({ name }) => name)).toEqual(["Old wall", "New wall", "02005E1000000012"]);
    for (const { p, adjustedP } of view.trials) expect(adjustedP).toBeGreaterThanOrEqual(p ?? 2);
    expect(view.answer?.paired).toBe(false);
  });

  test("is not there under a name that nobody gave", () => {
    expect(compareSides(db, whole(db), "Old wall", "Barn")).toBeNull();
  });
});

test("who swapped the two back and forth is not told to do it", () => {
  const db = played(orchard({ differenceDb: 4, hours: 4, moved: true }), 5);
  for (const [hour, name] of ["Old wall", "New wall", "Old wall", "New wall"].entries())
    place(db, name, "02005E1000000011", `2026-04-22T0${6 + hour}:00:00Z`);
  const words = answered(db, "Old wall", "New wall").reservations.join(" ");
  expect(words).toContain("the two took turns 3 times");
  expect(words).not.toContain("A, B, A, B");
});

test("of three gateways the two that heard most of the same frames are proposed first", () => {
  const deaf = "02005E1000000010";
  const two = orchard({ differenceDb: 1, hours: 1 });
  const [first] = two.gateways;
  const db = played(
    {
      ...two,
      gateways: [{ ...first!, eui: deaf, name: "Far place" }, ...two.gateways],
      nodes: two.nodes.map((node, i) => ({
        ...node,
        pathGainDb: { ...node.pathGainDb, [deaf]: i === 0 ? -138 : -190 },
      })),
    },
    3,
  );
  const view = trialsView(db, whole(db), null);
  expect(view.sides[0]?.gatewayEui).toBe(deaf);
  expect(view.trials[0]).toMatchObject({ a: "02005E1000000011", b: "02005E1000000012" });
  expect(view.trials).toHaveLength(3);
  // A row of the list, read and judged with the others, says what its pair says alone; and so it does in full.
  for (const { a, b, ...row } of view.trials) {
    const alone = compareSides(db, whole(db), a, b);
    expect(reportedTrials(db, whole(db), (x, y) => x.key === a && y.key === b).answers).toEqual([alone]);
    expect(row).toMatchObject({
      snrDifferenceDb: alone?.snrDifferenceDb,
      deliveryDifference: alone?.deliveryDifference,
      words: alone?.sentence.map(({ text }) => text).join(""),
    });
  }
  // A report that shows none in full, and no placement, prints none of them.
  expect(reportedTrials(db, whole(db), () => false)).toMatchObject({ answers: [], view: { trials: [] } });
});

test("an empty store has nothing to compare and says so", () => {
  const db = played(orchard({ differenceDb: 0, hours: 1 }), 1);
  const before = { fromUs: 0, toUs: 1, live: false };
  const view = trialsView(db, before, null);
  expect(view).toMatchObject({ trials: [], answer: null });
  expect(view.sentence[0]?.text).toContain("Nothing was heard");
});

test("a trial is the same live, datagram by datagram, and from a capture read at once", () => {
  const scenario = orchard({ differenceDb: 3, hours: 1 });
  const live = played(scenario, 9, undefined, 1);
  const read = played(scenario, 9);
  const of = (db: Store) => compareSides(db, whole(db), "02005E1000000011", "02005E1000000012");
  expect(of(live)).toEqual(of(read));
});
