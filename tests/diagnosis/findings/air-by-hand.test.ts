/** What single pieces of evidence say of the air, the crowd and the channels, on scenes small enough to be counted by hand. */
import { describe, expect, it } from "vitest";
import { channelEvidence } from "../../../src/diagnosis/findings/channels.ts";
import type { EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { marginEvidence } from "../../../src/diagnosis/findings/margin.ts";
import { neighbourEvidence } from "../../../src/diagnosis/findings/neighbours.ts";
import { noiseEvidence } from "../../../src/diagnosis/findings/noise.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import { loadEvidence } from "../../../src/diagnosis/findings/predicted-loss.ts";
import type { SceneReception } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, said, scene } from "./by-minutes.ts";

const sentencesOf = (pieces: readonly EvidencePiece[]) =>
  pieces.map(({ sentence }) =>
    typeof sentence === "string" ? sentence.replaceAll(/[\u202F\u00A0]/g, " ") : "",
  );
const from = (first: number, last: number, step = 1) =>
  Array.from({ length: Math.floor((last - first) / step) + 1 }, (_, i) => first + step * i);

describe("the noise within a gap", () => {
  /** Thirty frames before that tell a noise of about -118 dBm; at RSSI -90 and SNR -13 dB it is -90.2 dBm. */
  const before = from(60, 89).map((minute) =>
    heard(2, minute, minute, { rssiDbm: -115 - (minute % 3), snrDb: 1 }),
  );
  const loud = (minute: number) => heard(2, minute, minute, { rssiDbm: -90 - (minute % 2), snrDb: -13 });
  const own = every(1, 40, 100, [], { snrDb: 9 });
  const within = (...frames: SceneReception[]) =>
    noiseEvidence(sightOf(scene([...own, ...before, ...frames], { missed: 99 })));

  it("rose where five of six frames tell it, the first from before it began", () => {
    const [piece, ...more] = within(
      heard(2, 101, 101, { rssiDbm: -117, snrDb: 1 }),
      ...[110, 130, 150, 170, 190].map(loud),
    );
    // Five of six above all thirty before: 6 x 5 x 4 x 3 x 2 of 36 x 35 x 34 x 33 x 32, one in 60 000.
    expect(sentencesOf(piece === undefined ? [] : [piece])[0]).toMatch(/^The noise rose by up to 29\.\d dB/);
    expect(piece?.weights.interference).toBe(5);
    expect(more).toEqual([]);
  });

  it("rose where three frames tell it, and is not said to have stayed where two do", () => {
    // Three of three above thirty: 6 of 33 x 32 x 31, one in 5 456.
    expect(sentencesOf(within(loud(120), loud(140), loud(160)))[0]).toMatch(/^The noise rose/);
    // Two of two: 2 of 32 x 31, one in 496.
    expect(within(loud(120), loud(140))).toEqual([]);
  });

  it("is no rise where chance leaves as many above all of before once in a thousand times", () => {
    const three = [120, 140, 160].map(loud);
    const against = (count: number) =>
      sentencesOf(
        noiseEvidence(sightOf(scene([...own, ...before.slice(0, count), ...three], { missed: 99 }))),
      );
    // Three of three above 17: 6 of 20 x 19 x 18, 0.88 in a thousand; above 16: 6 of 19 x 18 x 17, 1.03.
    expect(against(17)[0]).toMatch(/^The noise rose/);
    expect(against(16)).toEqual([]);
    // Three of six above all thirty, one as high as the highest, two as low as the lowest: 6 x 5 x 4 of 36 x 35 x 34,
    // 2.8 in a thousand; with the one that is as high four, 0.25.
    const level = (minute: number, rssiDbm: number) => heard(2, minute, minute, { rssiDbm, snrDb: 1 });
    expect(within(...three, level(170, -115), level(180, -117), level(190, -117))).toEqual([]);
  });

  it("rose by rank where one loud frame of before lies above all of them", () => {
    // Ten against thirty quiet ones: none above the loud one, and yet all but it below.
    const rank = (...earlier: SceneReception[]) =>
      within(...earlier, ...from(105, 195, 10).map((m) => heard(2, m, m, { rssiDbm: -92, snrDb: -13 })))[0];
    const loudBefore = heard(2, 59, 59, { rssiDbm: -60, snrDb: -13 });
    expect(sentencesOf([rank(loudBefore)].flatMap((one) => one ?? []))[0]).toMatch(
      /^The noise rose by up to 2\d/,
    );
    expect(rank(loudBefore)?.weights).toEqual(rank()?.weights);
  });

  it("stays as it was where six frames tell the noise of before", () => {
    const quiet = from(110, 160, 10).map((minute) => heard(2, minute, minute, { rssiDbm: -116, snrDb: 1 }));
    expect(sentencesOf(within(...quiet))).toEqual([expect.stringMatching(/^The noise stayed as it was/)]);
  });

  it("was higher than after where it was there before anybody listened", () => {
    // Loud from the beginning to the gap's end at 200, -118 dBm after it.
    const always = from(60, 190, 5).map(loud);
    const after = from(205, 250, 5).map((minute) => heard(2, minute, minute, { rssiDbm: -116, snrDb: 1 }));
    const frames = [...own, ...always, ...after];
    const [piece] = noiseEvidence(sightOf(scene(frames, { missed: 99 })));
    expect(sentencesOf(piece === undefined ? [] : [piece])[0]).toMatch(
      /^The noise was up to 2\d\.\d dB higher than after/,
    );
    expect(piece?.weights.interference).toBe(5);
    // A gap that goes on has no after.
    expect(
      noiseEvidence(sightOf(scene(frames, { missed: 99, open: true })))[0]?.weights.interference,
    ).toBeLessThan(0);
  });

  it("rose around a gap that holds too few frames of the noisy channel, and says less then", () => {
    const there = (minute: number, more: Partial<SceneReception>) =>
      heard(2, minute, minute, { frequencyHz: 868_300_000, ...more });
    const quiet = from(40, 78, 2).map((minute) => there(minute, { rssiDbm: -116, snrDb: 1 }));
    const noisy = from(80, 200, 15).map((minute) => there(minute, { rssiDbm: -96, snrDb: -9 }));
    // One noisy frame in the gap from 100 to 120, five from 80 to 140.
    const within = { fromUs: 100 * MINUTE, toUs: 120 * MINUTE };
    const of = (frames: readonly SceneReception[]) =>
      noiseEvidence(
        sightOf(
          scene(
            [...own, ...frames],
            { ...within, missed: 9, rhythmUs: 6 * MINUTE },
            {
              within,
              after: { fromUs: 120 * MINUTE, toUs: 160 * MINUTE },
            },
          ),
        ),
      );
    const [piece] = of([...quiet, ...noisy]);
    expect(sentencesOf(piece === undefined ? [] : [piece])[0]).toMatch(
      /^The noise around the gap rose by up to 2\d/,
    );
    expect(piece?.weights).toMatchObject({ interference: 3, "weak-link": -1 });
    expect(of(quiet)).toEqual([]);
  });

  /** So many frames of 2.5 s, evenly from minute 100 to 200: one in 100 are 250 s of 6000 s. */
  const crowd = (count: number, first = 100, channels = 1) =>
    Array.from({ length: count }, (_, i) =>
      heard(9, first + ((200 - first) * (i + 0.5)) / count, 0, {
        counter: null,
        lifeId: null,
        devAddr: null,
        airtimeUs: 2_500_000,
        // Too strong to tell a noise.
        snrDb: 12,
        frequencyHz: 868_100_000 + 200_000 * (i % channels),
      }),
    );
  const quietAfter = from(205, 250, 5).map((minute) => heard(2, minute, minute, { rssiDbm: -116, snrDb: 1 }));

  it("says little where the channels were full of frames then and not after: what overlaps raises the power", () => {
    const said = (...more: readonly SceneReception[]) => {
      const frames = [...own, ...from(60, 190, 5).map(loud), ...quietAfter, ...more];
      const [piece] = noiseEvidence(sightOf(scene(frames, { missed: 99 })));
      expect(sentencesOf(piece === undefined ? [] : [piece])[0]).toContain("higher than after");
      return [piece?.weights.interference, piece?.weights.congestion];
    };
    // 300 frames of 2.5 s in 6000 s on one channel: 12.5 %; 180: 7.5 %, and with some 18 of 0.2 s hardly more.
    expect(said(...crowd(300))).toEqual([0.75, 0]);
    expect(said(...crowd(180))).toEqual([5, -0.5]);
    // On two channels 6.25 % each.
    expect(said(...crowd(300, 100, 2))).toEqual([5, -0.5]);
    // After it, 100 frames in 3600 s: 6.9 %, more than half; 80: 5.6 %, less.
    const later = (count: number) =>
      crowd(count).map((one, i) => ({ ...one, atUs: (200 + (60 * (i + 0.5)) / count) * MINUTE }));
    expect(said(...crowd(300), ...later(100))).toEqual([5, -0.5]);
    expect(said(...crowd(300), ...later(80))).toEqual([0.75, 0]);
  });

  it("that stayed as it was says no more in a crowd", () => {
    const quiet = from(110, 160, 10).map((minute) => heard(2, minute, minute, { rssiDbm: -116, snrDb: 1 }));
    const alone = within(...quiet)[0]?.weights;
    expect(alone?.interference).toBeLessThan(0);
    expect(within(...quiet, ...crowd(300))[0]?.weights).toEqual(alone);
  });

  it("speaks for a node's silence where next to nothing came of the others, and not where they went on", () => {
    const silent = (others: readonly SceneReception[]) =>
      noiseEvidence(
        sightOf(scene([...own, ...before, ...others], { kind: "silence", open: true, missed: 0, heard: 0 })),
      );
    const lost = [3, 4].flatMap((life) => every(life, 40, 100, [], { snrDb: 9 }));
    const goOn = [3, 4].flatMap((life) => every(life, 40, 200, [], { snrDb: 9 }));
    const drowned = [120, 140, 160].map(loud);
    expect(silent([...lost, ...drowned])[0]?.weights.interference).toBe(5);
    expect(silent([...goOn, ...drowned])).toEqual([]);
  });
});

describe("what the others lost", () => {
  const tenth = (first: number) => from(first, 259, 12);

  it("is no reason to call a node alone where they lose as much as before", () => {
    // Three that lose one in twelve all along (8 %), the node ten of 99.
    const own = every(1, 40, 260, [110, 111, 112, 120, 121, 130, 140, 150, 160, 170]);
    const others = [2, 3, 4].flatMap((life) => every(life, 40, 260, tenth(41 + life)));
    expect(sentencesOf(neighbourEvidence(sightOf(scene([...own, ...others])))).join(" ")).not.toContain(
      "alone",
    );
    const sound = [2, 3, 4].flatMap((life) => every(life, 40, 260));
    expect(sentencesOf(neighbourEvidence(sightOf(scene([...own, ...sound])))).join(" ")).toContain(
      "It is alone with it: 3 other nodes lost 0 %",
    );
  });

  it("is called far less, not alone, where others lose some, and neither where theirs rose with it", () => {
    // The node lost all of 99; others one in twelve (8 %) all along, or from its gap's begin on.
    const own = every(1, 40, 260, from(103, 199));
    const said = (first: number) => {
      const others = [2, 3, 4].flatMap((life) => every(life, 40, 260, tenth(first + life)));
      return sentencesOf(
        neighbourEvidence(sightOf(scene([...own, ...others], { missed: 97, kind: "steady" }))),
      ).join(" ");
    };
    expect(said(41)).toMatch(/Others lost far less: 3 other nodes lost 8.* before/);
    expect(said(41)).not.toContain("alone");
    expect(said(98)).not.toMatch(/alone|far less/);
  });

  it("rose against a before of thirty counters and more, and says how much they lost then", () => {
    const own = every(1, 40, 260, from(102, 198, 4));
    const said = (first: number) => {
      const others = [2, 3].flatMap((life) => every(life, first, 260, from(101 + life, 198, 3)));
      return neighbourEvidence(sightOf(scene([...own, ...others], { missed: 25 }))).find(({ sentence }) =>
        String(sentence).startsWith("Others lost frames"),
      );
    };
    // Of two nodes 15 counters each before, none lost; then 14 each, of which nothing is said, and after tells the same.
    expect(said(85)?.sentence).toMatch(/, 0.% before/);
    expect(said(86)?.sentence).toMatch(/, 0.% after/);
  });

  it("is no radio's doing where two reachable gateways hear nothing at once", () => {
    const keepalivesUs = from(40, 260).map((minute) => minute * MINUTE);
    const at = (id: number) =>
      gateway({ id, eui: `02005E100000000${id}`, keepalivesUs, keepaliveUs: MINUTE });
    const lost = from(101, 199);
    const byBoth = (isHeardAtSecond: boolean) =>
      [1, 2, 3].flatMap((life) => [
        ...every(life, 40, 260, lost),
        ...every(life, 40, 260, isHeardAtSecond && life > 1 ? [] : lost, { gatewayId: 2 }),
      ]);
    const pieces = (isHeardAtSecond: boolean) =>
      neighbourEvidence(
        sightOf(scene(byBoth(isHeardAtSecond), { missed: 99 }, { homes: [at(1), at(2)] })),
      ).filter(({ sentence }) => String(sentence).includes("at the same time, each of them reachable"));
    expect(pieces(false)).toHaveLength(1);
    expect(pieces(false)[0]?.weights).toEqual({
      interference: 2.5,
      "gateway-deaf": -4,
      "gateway-weakened": -4,
    });
    expect(pieces(true)).toEqual([]);
  });

  it("counts for a node that lost all while a half of theirs came through", () => {
    const own = every(1, 40, 260, from(101, 199));
    const half = from(101, 199).filter((minute) => minute % 2 === 0 || minute % 10 === 1);
    const others = [2, 3, 4].flatMap((life) => every(life, 40, 260, half));
    const sight = sightOf(scene([...own, ...others], { missed: 99 }));
    expect(sentencesOf(neighbourEvidence(sight)).join(" ")).toMatch(
      /The others came through in part.*Others lost frames as well/,
    );
  });
});

describe("a crowd at the node's data rate", () => {
  const crowd = (first: number, last: number, count: number) =>
    Array.from({ length: count }, (_, i) =>
      heard(9, first + ((last - first) * (i + 0.5)) / count, 0, {
        counter: null,
        lifeId: null,
        devAddr: null,
        airtimeUs: 200_000,
      }),
    );
  const airtimeUs = 200_000;
  /** Two of three in a row are missed; a neighbour loses one in six from `since` on. */
  const of = (since: number, traffic: readonly SceneReception[]) => {
    const gap = { fromUs: 150 * MINUTE, toUs: 154 * MINUTE, missed: 3, heard: 0 };
    const within = { fromUs: 150 * MINUTE, toUs: 154 * MINUTE };
    const own = every(1, 40, 260, [151, 152, 153], { airtimeUs });
    const others = [2, 3].flatMap((life) =>
      every(
        life,
        40,
        260,
        from(since, 259, 6).map((minute) => minute + (life % 2) * 3),
        { airtimeUs },
      ),
    );
    return scene([...own, ...others, ...traffic], gap, {
      within,
      before: { fromUs: 90 * MINUTE, toUs: 150 * MINUTE },
      after: { fromUs: 154 * MINUTE, toUs: 214 * MINUTE },
    });
  };
  const congestion = (pieces: readonly EvidencePiece[]) => pieces[0]?.weights.congestion ?? 0;

  it("explains three lost in a row where it costs the others at that rate as much, also where it was there before", () => {
    // 30 frames of 0.2 s a minute on one channel: 1 - e^-(30 x 0.4 / 60) = 18 %.
    const traffic = crowd(90, 214, 30 * 124);
    const costly = congestion(loadEvidence(sightOf(of(90, traffic))));
    const harmless = congestion(loadEvidence(sightOf(of(300, traffic))));
    // Three of three among 221 counters are met once in 40 times at a loss of 5 %: 18 % explains them.
    expect(costly).toBeGreaterThan(3);
    // Without a loss before, the same traffic is no cause now; what the two did not lose adds a hundredth.
    expect(harmless).toBeCloseTo(costly - 0.5, 1);
  });

  it("says so only where those at that rate lose about what collisions take", () => {
    const own = every(1, 40, 260, from(102, 198, 5), { airtimeUs });
    const others = (step: number) =>
      [2, 3].flatMap((life) => every(life, 40, 260, from(100 + life, 198, step), { airtimeUs }));
    const said = (step: number) =>
      sentencesOf(
        loadEvidence(sightOf(scene([...own, ...others(step), ...crowd(100, 200, 3_000)], { missed: 20 }))),
      ).filter((sentence) => sentence.includes("about what collisions take"));
    // One in six of theirs against 18 % to be expected; one in forty; two of three.
    expect(said(6)).toHaveLength(1);
    expect(said(40)).toEqual([]);
  });

  it("is none where collisions take no more than links lose otherwise", () => {
    // 10 frames a 100 minutes: 1 - e^-(10 x 0.4 / 6000), far below 5 %: two logarithms less.
    const quiet = loadEvidence(sightOf(of(300, crowd(90, 214, 12))));
    expect(congestion(quiet)).toBeLessThan(0);
  });
});

describe("the channels that a node uses", () => {
  const US = from(903_900_000, 905_300_000, 200_000);
  const hopping = (frame: SceneReception, i: number) => ({ ...frame, frequencyHz: US[(i * 5) % 8] ?? 0 });
  const ratio = (missed: readonly number[], last: number) => {
    const own = every(1, 40, 260, missed, { snrDb: 8 }).map(hopping);
    const others = [2, 3].flatMap((life) => every(life, 40, 260).map(hopping));
    const within = { fromUs: 100 * MINUTE, toUs: last * MINUTE };
    const counted = scene([...own, ...others], { ...within, missed: missed.length }, { within });
    return channelEvidence(sightOf(counted)).find(({ sentence }) => String(sentence).includes("share of"));
  };

  it("show in twenty counters, and what they show of scatter grows to 24", () => {
    // Seven of 21 on eight channels: eight in 24, with 21/24 of the 0.7 for scatter.
    const weight = (last: number) =>
      ratio(
        from(101, last - 1).filter((minute) => minute % 3 !== 0),
        last,
      )?.weights["channel-mismatch"];
    expect(weight(122)).toBeGreaterThan(0);
    expect(weight(112)).toBeUndefined();
  });

  it("are all still heard: then what all began to lose is no plan of the gateway's", () => {
    // Strays on another channel before, three in a hundred: it is none that was in use.
    const strays = from(41, 99, 10).map((minute) =>
      heard(2, minute + 0.4, 2_000 + minute, { frequencyHz: 869_525_000 }),
    );
    const pieces = (isLeftOut: boolean, more: readonly SceneReception[] = []) => {
      const EIGHT = from(867_100_000, 868_500_000, 200_000);
      // A quarter of all is lost from 100 on: every fourth frame, or those of two of eight channels.
      const frames = [1, 2, 3, 4].flatMap((life) =>
        every(life, 40, 260)
          .map((frame, i) => ({ ...frame, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0 }))
          .filter(({ frequencyHz, atUs }, i) =>
            atUs <= 100 * MINUTE || atUs >= 200 * MINUTE
              ? true
              : isLeftOut
                ? frequencyHz > 867_300_000
                : (i + Math.floor(i / 8)) % 4 !== 0,
          ),
      );
      return channelEvidence(sightOf(scene([...frames, ...more], { missed: 25 })));
    };
    const began = (isLeftOut: boolean) => sentencesOf(pieces(isLeftOut)).join(" ");
    const weights = (isLeftOut: boolean) => pieces(isLeftOut).map((piece) => piece.weights);
    expect(began(false)).toContain("each channel was heard meanwhile");
    expect(began(true)).not.toContain("heard meanwhile as well");
    expect(began(true)).toContain("2 channels of 8 fell");
    expect(began(false)).toContain("and had not before");
    expect(weights(false)).toContainEqual({ "channel-mismatch": -3 });
    expect(sentencesOf(pieces(false, strays)).join(" ")).toContain("each channel was heard meanwhile");
    expect(sentencesOf(pieces(true, strays)).join(" ")).toContain("2 channels of ");
  });

  it("may be one sub-band of eight: an eighth of the counters of a strong node, on a fixed plan", () => {
    // Of 99 counters twelve were heard, those of the minutes that eight divides, at 20.5 dB of margin.
    const missed = from(101, 199).filter((minute) => minute % 8 !== 0);
    const first = (fromMinute: number, more: Partial<SceneReception> = {}) => {
      const own = every(1, fromMinute, 260, missed, { snrDb: 8, ...more }).map((frame, i) => ({
        ...hopping(frame, i),
        ...more,
      }));
      const [piece] = channelEvidence(sightOf(scene(own, { missed: 87, heard: 12 })));
      return piece === undefined ? piece : { ...piece, sentence: said(piece) };
    };
    expect(first(95)).toMatchObject({
      sentence:
        "It was heard on 8 channels with 12 % of its counters, the share of 8 channels in 64, at a median margin of 20.5 dB.",
      weights: {
        "channel-mismatch": 5,
        "weak-link": -2,
        congestion: -2,
        interference: -1.5,
        "gateway-transmitting": -2,
      },
    });
    // It had come through before: a session does not leave its channels of itself.
    expect(first(40)?.weights).toMatchObject({ "channel-mismatch": 1, "gateway-transmitting": 0 });
    expect(first(95, { frequencyHz: 903_900_000 })?.sentence).not.toContain("at a median margin");
    // Of a weak one it says no more than the share does.
    expect(first(95, { snrDb: -12 })?.sentence).not.toContain("at a median margin");
  });

  it("may be eight of 24: a fixed plan is taken on by sub-bands", () => {
    const piece = ratio(
      from(101, 199).filter((minute) => minute % 3 !== 0),
      200,
    );
    expect(String(piece?.sentence)).toContain("the share of 8 channels in 24");
    expect(piece?.weights["channel-mismatch"]).toBeGreaterThan(0);
  });

  it("are those of before where two frames within do not show them all", () => {
    const piece = ratio(
      from(101, 129).filter((minute) => minute !== 110 && minute !== 120),
      130,
    );
    expect(String(piece?.sentence).replaceAll("\u202F", " ")).toMatch(
      /^It was heard on 8 channels with 6\.9 % of/,
    );
    expect(piece?.weights["channel-mismatch"]).toBeGreaterThan(0.5);
  });

  it("are not more than sixteen outside the fixed plans", () => {
    const missed = from(101, 199).filter((minute) => minute % 3 !== 0);
    const eu = from(867_100_000, 868_500_000, 200_000);
    const own = every(1, 40, 260, missed, { snrDb: 8 }).map((frame, i) => ({
      ...frame,
      frequencyHz: eu[(i * 5) % 8] ?? 0,
    }));
    const [piece] = channelEvidence(sightOf(scene(own, { missed: missed.length })));
    // A third of the counters on eight channels would be eight of 24.
    expect(piece?.weights["channel-mismatch"]).toBeLessThan(0);
  });
});

describe("two strong frames among many lost", () => {
  it("speak against a weak link, three twice as much", () => {
    const weight = (...minutes: number[]) => {
      const own = every(
        1,
        40,
        260,
        from(101, 199).filter((minute) => !minutes.includes(minute)),
        { snrDb: 5 },
      );
      return marginEvidence(sightOf(scene(own, { missed: 99 - minutes.length })))[0]?.weights["weak-link"];
    };
    // 5 dB at SF9, whose floor is -12.5 dB: a margin of 17.5 dB.
    expect([weight(150), weight(120, 160), weight(120, 140, 160)]).toEqual([-0.7, -1, -2]);
  });
});

describe("a channel that nothing comes on", () => {
  const EIGHT = from(867_100_000, 868_500_000, 200_000);
  /** Five nodes hop over eight channels in turn; on the first of them nothing comes from minute 80 to 220. */
  const nodes = (jammed: boolean) =>
    [1, 2, 3, 4, 5].flatMap((life) =>
      every(life, 40, 260, [], { snrDb: 8, tmstUs: 1 })
        .map((frame, i) => ({ ...frame, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0 }))
        .filter(
          ({ frequencyHz, atUs }) =>
            !jammed || frequencyHz !== EIGHT[0] || atUs < 80 * MINUTE || atUs > 220 * MINUTE,
        ),
    );
  /** A gap of two of the node's counters that would have come there: every eighth of its frames. */
  const of = (jammed: boolean, more: Partial<ReturnType<typeof gateway>> = {}) => {
    const range = { fromUs: 140 * MINUTE, toUs: 160 * MINUTE };
    return scene(
      nodes(jammed),
      { ...range, missed: 2, heard: 17, lacking: 5 },
      {
        within: range,
        before: { fromUs: 40 * MINUTE, toUs: range.fromUs },
        after: { fromUs: range.toUs, toUs: 260 * MINUTE },
        homes: [gateway({ keepaliveUs: null, ...more })],
      },
    );
  };

  it("is seen around a gap of two counters, too short to show which channels fell", () => {
    const [piece] = channelEvidence(sightOf(of(true))).filter(({ sentence }) =>
      String(sentence).includes("silent"),
    );
    // From minute 79 to 221: 617 frames on the other seven channels; outside of it, before minute 260, 49 of 395 came on
    // this one: 617 × 49 / 346 = 87.4.
    expect(sentencesOf(piece === undefined ? [] : [piece])[0]?.replaceAll(/[\u202F\u00A0]/g, " ")).toMatch(
      /^One channel was silent while its frames were missed: nothing at all was heard there for 2 h 22 min, when 87 frames were due by what came on the others/,
    );
    expect(piece?.weights).toMatchObject({ interference: 4, "channel-mismatch": -2.5 });
    const judged = judgeGap(of(true));
    expect([judged.cause, judged.isChance]).toEqual(["interference", false]);
  });

  it("is told from the one that chance left out of the gap as well", () => {
    // Two channels silent from a restart at 80 to another at 220; of a third nothing but one frame came within the gap.
    const isCut = ({ frequencyHz, atUs, lifeId }: SceneReception) =>
      ((frequencyHz ?? 0) <= (EIGHT[1] ?? 0) && atUs >= 80 * MINUTE && atUs <= 220 * MINUTE) ||
      (frequencyHz === EIGHT[2] &&
        atUs > 140 * MINUTE &&
        atUs < 160 * MINUTE &&
        !(lifeId === 2 && atUs === 152 * MINUTE));
    const made = of(false, { restartsUs: [80 * MINUTE, 220 * MINUTE] });
    const receptions = made.receptions.filter((one) => !isCut(one));
    const [piece] = channelEvidence(sightOf({ ...made, receptions })).filter(
      ({ lane, weights }) => lane === "channels" && weights.interference !== undefined,
    );
    expect(sentencesOf(piece === undefined ? [] : [piece])[0]).toMatch(
      /^2 channels were silent .*; the gateway's counter restarted/,
    );
    expect(piece?.weights).toMatchObject({ "channel-mismatch": 6, interference: -3 });
  });

  it("is left open where the gateway tells no counter", () => {
    expect(judgeGap(of(true, { tellsCounter: false })).cause).toBe("unexplained");
  });
});
