/** What a deaf or weakened gateway weighs, and how a judged gap is told, on scenes small enough to be counted by hand. */
import { describe, expect, it } from "vitest";
import { channelEvidence } from "../../../src/diagnosis/findings/channels.ts";
import { deafEvidence, isRadioOpen } from "../../../src/diagnosis/findings/deaf.ts";
import { CAUSES, combine, type EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import { weakenedEvidence } from "../../../src/diagnosis/findings/weakened.ts";
import type { Scene, SceneGap, SceneGateway, SceneReception, SceneReport } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, S, said, scene } from "./by-minutes.ts";

const EUI = "02005E1000000001";
const OTHER = "02005E1000000002";
const from = (first: number, last: number, step = 1) =>
  Array.from({ length: Math.floor((last - first) / step + 1e-9) + 1 }, (_, i) => first + step * i);
const told = (all: readonly EvidencePiece[]) => all.map((piece) => ({ ...piece, sentence: said(piece) }));
const of = (weight: number, causes: readonly string[]) =>
  Object.fromEntries(causes.map((cause) => [cause, weight]));
const but = (...causes: string[]) => CAUSES.filter((cause) => !causes.includes(cause));
const WITHIN = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE };
const gone = from(101, 199);

describe("a radio that hears nothing", () => {
  /** A report at 10 and 40 s of each minute; in the gap they count nothing. */
  const reports: SceneReport[] = from(40, 259).flatMap((minute) =>
    [10, 40].map((second) => ({
      atUs: minute * MINUTE + second * S,
      received: minute >= 100 && minute < 200 ? 0 : 4,
      crcOk: null,
      forwarded: null,
      emitted: null,
      ackPercent: null,
    })),
  );
  /** Seven nodes each minute, none of them in the gap; margins of 7.5 dB. */
  const seven = from(1, 7).flatMap((life) => every(life, 40, 260, gone));
  const deaf = (
    receptions: readonly SceneReception[] = seven,
    home: Partial<SceneGateway> = {},
    gap: Partial<SceneGap> = {},
    more: Partial<Scene> = {},
  ) =>
    told(
      deafEvidence(
        sightOf(
          scene(receptions, { missed: 99, ...gap }, { homes: [gateway({ reports, ...home })], ...more }),
        ),
      ),
    );
  const restsOn = { ...WITHIN, ofNode: false, gatewayEui: EUI };
  // Seven senders were due, the strongest 6.5 dB below the usual margin: -1.2 + 7 x 0.45 - 6.5 / 6 in log odds.
  const odds = -1.2 + 3.15 - 6.5 / 6;
  const against = 2 / (1 + Math.exp(-odds)) - 1;

  it("weighs what the radio's own rule says of it", () => {
    // The reports from 100:40 to 199:40; with one interval 100 min, a frame of each node in every one.
    expect(deaf()).toEqual([
      {
        sentence: `${EUI} heard no packet for 1 h 40 min, also none with a wrong CRC. Its 199 status reports count 0; about 700 frames of 7 nodes were due. 100 % of what is missing falls into that time.`,
        lane: "heartbeat",
        restsOn,
        weights: {
          ...Object.fromEntries(
            but("gateway-deaf", "interference").map((cause) => [cause, expect.closeTo(-3 * against, 6)]),
          ),
          interference: expect.closeTo(-5 * against, 6),
          "gateway-deaf": expect.closeTo(4 + odds + 1, 6),
        },
      },
    ]);
  });

  it("is sure where another gateway heard the nodes", () => {
    const elsewhere = from(2, 7).flatMap((life) => every(life, 40, 260, [], { gatewayId: 2 }));
    const homes = [gateway({ reports }), gateway({ id: 2, eui: OTHER })];
    const [piece] = deaf([...seven, ...elsewhere], {}, {}, { homes });
    // Six nodes in the hundred minutes from 100:00 on.
    expect(piece?.sentence).toContain(
      "7 nodes were due. Another gateway heard 600 frames of them meanwhile. 100 %",
    );
    expect(piece?.weights["gateway-deaf"]).toBe(8);
    expect(piece?.weights["weak-link"]).toBeCloseTo(-3 * 0.96, 9);
    expect(piece?.proves).toBe("gateway-deaf");
    // The second of two gateways counts four tenths.
    const [second] = deaf(
      [
        ...seven.map((one) => ({ ...one, gatewayId: 2 })),
        ...elsewhere.map((one) => ({ ...one, gatewayId: 1 })),
      ],
      {},
      {},
      {
        homes: [gateway(), gateway({ id: 2, eui: OTHER, reports })],
      },
    );
    expect(second?.weights["weak-link"]).toBeCloseTo(-3 * 0.96 * 0.4, 9);
  });

  it("that goes on has all of its time without a packet, not a number of counters", () => {
    // All seven are silent from 100 on, and no report counts a packet any more.
    const silent = from(1, 7).flatMap((life) => every(life, 40, 100));
    const still = reports.map((one) => ({ ...one, received: one.atUs > 100 * MINUTE ? 0 : 4 }));
    const [piece] = deaf(silent, { reports: still }, { kind: "silence", open: true, missed: 0 });
    expect(piece?.sentence).toMatch(/ 100 % of what is missing falls into that time\.$/);
    expect(piece?.sentence).toContain(" frames of 7 nodes were due.");
  });

  it("takes no margin from frames without a spreading factor, and no sender from broken ones or repeats", () => {
    const plain = deaf(seven.map((one) => ({ ...one, spreadingFactor: null })))[0];
    expect(plain?.weights["gateway-deaf"]).toBeCloseTo(4 + (-1.2 + 3.15) + 1, 6);
    const without = (more: Partial<SceneReception>) =>
      deaf(seven.map((one) => (one.lifeId === 7 ? { ...one, ...more } : one)))[0]?.sentence;
    for (const more of [{ crcOk: false }, { repeat: true }, { lifeId: null }])
      expect(without(more), JSON.stringify(more)).toContain("about 600 frames of 6 nodes were due");
  });

  it("is none where another gateway, due to hear six frames, heard none either", () => {
    const homes = [gateway({ reports }), gateway({ id: 2, eui: OTHER })];
    const at = (...minutes: number[]) => minutes.map((minute) => heard(2, minute, minute, { gatewayId: 2 }));
    const also = (...minutes: number[]) => deaf([...seven, ...at(...minutes)], {}, {}, { homes });
    // From its first frame at 40 to the silence at 100 an hour: four frames are 6.7 in 100 min, three are five.
    expect(also(40, 50, 60, 70)).toEqual([]);
    expect(also(40, 50, 60)[0]?.weights["gateway-deaf"]).toBeCloseTo(4 + odds + 1, 6);
    expect(also(40, 50, 60)[0]?.sentence).not.toContain("Another gateway");
  });

  it("heard again after a restart, which speaks for it, or with its counter running on, which leaves it open", () => {
    const [anew] = deaf(seven, { restartsUs: [199 * MINUTE] });
    expect(anew?.sentence).toContain("were due. It heard again after its counter restarted. 100 %");
    expect(anew?.weights["gateway-deaf"]).toBeCloseTo(4 + odds + 2 + 1, 6);
    // A restart before the silence, or long after it, is not its end.
    for (const minute of [99, 100, 201, 250])
      expect(deaf(seven, { restartsUs: [minute * MINUTE] })[0]?.sentence).not.toContain("counter restarted");
    expect(deaf(seven, { restartsUs: [200 * MINUTE] })[0]?.sentence).toContain("counter restarted");
    const running = seven.map((one) => ({ ...one, tmstUs: one.atUs % 2 ** 32 }));
    expect(deaf(running)).toEqual([
      {
        sentence: expect.stringContaining("199 status reports count 0"),
        lane: "heartbeat",
        restsOn,
        weights: { "gateway-deaf": 1, interference: 1 },
        leavesOpen: ["interference", "gateway-deaf"],
      },
    ]);
  });

  it("says a fifth where the node was silent by itself, and less where less of what is missing falls into it", () => {
    const silence = deaf(seven, {}, { kind: "silence", missed: 0 })[0];
    expect(silence?.weights["gateway-deaf"]).toBeCloseTo((4 + odds + 1) * 0.2, 6);
    expect(silence?.weights.interference).toBeCloseTo(-5 * against * 0.2, 6);
    expect(silence?.weights["node-silent"]).toBeCloseTo(-3 * against * 0.2, 6);
    expect(silence?.proves).toBeUndefined();
    const late = seven.filter(
      ({ lifeId, atUs }) => lifeId !== 1 || atUs <= 60 * MINUTE || atUs >= 200 * MINUTE,
    );
    const wide = { fromUs: 60 * MINUTE, toUs: 200 * MINUTE };
    const [piece] = deaf(
      late,
      {},
      { ...wide, missed: 139 },
      { within: wide, before: { fromUs: 0, toUs: wide.fromUs } },
    );
    // Of the counters 61 to 199 those from 100 on: 100 of 139. The node, silent before, is no sender that was due.
    expect(piece?.sentence).toMatch(/ 72 % of what is missing falls into that time\.$/);
    expect(piece?.weights["gateway-deaf"]).toBeCloseTo((4 + odds - 0.45 + 1) * (0.5 + 100 / 139 / 2), 6);
  });

  it("explains a gap of which four tenths fall into it, to a quarter of a minute", () => {
    // Of the counters 101 to 350 those up to 200, where the radio hears again: 100 of 250; of 251 too few.
    const until = (last: number) => {
      const wide = { fromUs: WITHIN.fromUs, toUs: last * MINUTE };
      const long = seven.filter(({ lifeId, atUs }) => lifeId !== 1 || atUs <= WITHIN.fromUs);
      return deaf(
        [...long, heard(1, last, last)],
        {},
        { ...wide, missed: last - 101 },
        {
          within: wide,
          after: { fromUs: wide.toUs, toUs: 460 * MINUTE },
        },
      );
    };
    expect(until(351)[0]?.sentence).toMatch(/ 40 % of what is missing falls into that time\.$/);
    expect(until(352)).toEqual([]);
  });

  it("is none where another gateway fell silent as well, from six frames due there on", () => {
    const homes = [gateway({ reports }), gateway({ id: 2, eui: OTHER })];
    const beside = (...minutes: number[]) =>
      deaf(
        [...seven, ...minutes.map((minute) => heard(2, minute, minute, { gatewayId: 2 }))],
        {},
        {},
        { homes },
      );
    // Three frames in the fifty minutes before make six in a hundred; in 55 min 5.5.
    expect(beside(50, 60, 70)).toEqual([]);
    expect(beside(45, 60, 70)).toHaveLength(1);
  });

  it("that may as well be drowned has it restarted, or another gateway put beside it", () => {
    const next = (homes: readonly SceneGateway[]) => {
      const running = seven.map((one) => ({ ...one, tmstUs: one.atUs % 2 ** 32 }));
      return judgeGap(scene(running, { missed: 99 }, { homes })).recordNext.map((one) => one.slice(0, 22));
    };
    const one = gateway({ reports, keepaliveUs: null });
    expect(next([one])).toEqual(expect.arrayContaining(["Restart the gateway's ", "Place a second gateway"]));
    const two = next([one, gateway({ id: 2, eui: OTHER, keepaliveUs: null })]);
    expect(two).toContain("Restart the gateway's ");
    expect(two).not.toContain("Place a second gateway");
  });

  it("is none where reports count packets, where there are none, or where too little is missing then", () => {
    expect(deaf(seven, { reports: reports.map((one) => ({ ...one, received: 4 })) })).toEqual([]);
    expect(deaf(seven, { reports: [] })).toEqual([]);
    const wide = { fromUs: 100 * MINUTE, toUs: 400 * MINUTE };
    const long = seven.filter(({ lifeId, atUs }) => lifeId !== 1 || atUs <= 100 * MINUTE);
    expect(
      deaf(
        [...long, heard(1, 400, 400)],
        {},
        { ...wide, missed: 299 },
        { within: wide, after: { fromUs: wide.toUs, toUs: 460 * MINUTE } },
      ),
    ).toEqual([]);
  });
});

describe("a gateway that hears all weaker", () => {
  /** Four neighbours at 20 dB of margin and the node, from minute 101 on weaker by 12 dB; the node's frames are lost. */
  const weaker = (marginDb: number, untilMinute = 300, more: readonly SceneReception[] = []) => {
    const fall = (one: SceneReception, snrDb: number) => {
      const changeDb = one.atUs > WITHIN.fromUs && one.atUs < untilMinute * MINUTE ? -12 : 0;
      // Power as given, whatever the noise: -100 dBm before.
      const snr = snrDb + changeDb;
      return { ...one, snrDb: snr, rssiDbm: -100 + changeDb + 10 * Math.log10(1 + 10 ** (-snr / 10)) };
    };
    const own = every(1, 40, 260, gone).map((one) => fall(one, marginDb - 12.5));
    const others = [2, 3, 4, 5].flatMap((life) => every(life, 40, 260).map((one) => fall(one, 7.5)));
    return told(weakenedEvidence(sightOf(scene([...own, ...others, ...more], { missed: 99 }))));
  };
  const restsOn = { fromUs: 40 * MINUTE, toUs: 260 * MINUTE, ofNode: false, gatewayEui: EUI };
  // Four senders alone are told with 0.8.
  const sure = 4 + Math.log(0.8 / 0.2) + 1;

  it("explains the node's loss where it leaves less than 3 dB of margin", () => {
    // The senders agree to the dB: Student's t of three degrees of freedom, 3.182 x 0.7 / 2 = 1.1 dB either way.
    expect(weaker(14)).toEqual([
      {
        sentence: `All that ${EUI} hears fell by 12.0 dB (10.9 dB to 13.1 dB) together: 4 of 4 nodes. No other gateway hears enough of them to compare. That leaves this node 2.0 dB of margin.`,
        lane: "margin",
        restsOn,
        weights: {
          ...of(-3, ["interference", "congestion", "channel-mismatch", "gateway-transmitting"]),
          ...of(-2, [
            "node-silent",
            "node-restarted",
            "rejoin-loop",
            "shared-address",
            "gateway-unreachable",
            "gateway-restarted",
            "backhaul-loss",
            "gateway-deaf",
          ]),
          "weak-link": -8,
          "gateway-weakened": expect.closeTo(sure, 6),
        },
      },
    ]);
  });

  it("is so whatever came broken, from nobody known or at another gateway", () => {
    const strong = (more: Partial<SceneReception>) =>
      every(2, 101, 260, [], { snrDb: 10, rssiDbm: -60, ...more });
    const other = [{ crcOk: false }, { lifeId: null }, { gatewayId: 9 }].flatMap(strong);
    expect(weaker(14, 300, other)).toEqual(weaker(14));
    expect(weaker(14, 300, strong({ rssiDbm: null }))).toEqual(weaker(14));
  });

  it("is so as well where it was mended with the end of the gap", () => {
    const [mended] = weaker(14, 200);
    expect(mended?.sentence).toContain(
      "fell by 12.0 dB (10.9 dB to 13.1 dB) together: 4 of 4 nodes; 1 more is heard no longer.",
    );
    // Nobody hears the node in the weaker time: it counts two thirds of a fifth sender.
    expect(mended?.weights["gateway-weakened"]).toBeCloseTo(4 + Math.log(0.85 / 0.15) + 1, 6);
    // Mended after a quarter of the gap, less than six tenths of what is missing lie in it.
    expect(weaker(14, 125)).toEqual([]);
  });

  it("must fill six tenths of what is missing, or both ends of a silence", () => {
    // Of the minutes 101 to 199 those up to 175 are in it: 75 of 99.
    expect(weaker(14, 175)).toHaveLength(1);
    expect(weaker(14, 150)).toEqual([]);
    const silence = (untilMinute: number) => {
      const fall = (one: SceneReception, snrDb: number) => {
        const changeDb = one.atUs > WITHIN.fromUs && one.atUs < untilMinute * MINUTE ? -12 : 0;
        const snr = snrDb + changeDb;
        return { ...one, snrDb: snr, rssiDbm: -100 + changeDb + 10 * Math.log10(1 + 10 ** (-snr / 10)) };
      };
      const own = every(1, 40, 100).map((one) => fall(one, 1.5));
      const others = [2, 3, 4, 5].flatMap((life) => every(life, 40, 260).map((one) => fall(one, 7.5)));
      return weakenedEvidence(sightOf(scene([...own, ...others], { kind: "silence", open: true, missed: 0 })))
        .length;
    };
    expect([silence(300), silence(150)]).toEqual([1, 0]);
  });

  it("counts those that are heard no longer", () => {
    const [piece] = weaker(14, 200, every(6, 40, 260, gone, { snrDb: 1.5, rssiDbm: -97.7 }));
    expect(piece?.sentence).toContain("; 2 more are heard no longer.");
  });

  it("of the second gateway counts half", () => {
    const homes = [gateway(), gateway({ id: 2, eui: "02005E1000000002" })];
    const second = (one: SceneReception) => {
      const changeDb = one.atUs > WITHIN.fromUs ? -12 : 0;
      const snr = (one.snrDb ?? 0) + changeDb;
      return {
        ...one,
        gatewayId: 2,
        snrDb: snr,
        rssiDbm: -100 + changeDb + 10 * Math.log10(1 + 10 ** (-snr / 10)),
      };
    };
    const own = every(1, 40, 260, gone, { snrDb: 1.5 });
    const others = [2, 3, 4, 5].flatMap((life) => every(life, 40, 260, [], { snrDb: 7.5 }));
    const [piece] = told(
      weakenedEvidence(
        sightOf(scene([...own, ...others, ...[...own, ...others].map(second)], { missed: 99 }, { homes })),
      ),
    );
    expect(piece?.sentence).toMatch(/^All that 02005E1000000002 hears fell by 12\.0 dB/);
    expect(piece?.weights).toMatchObject({ interference: -1.5, "node-silent": -1, "weak-link": -4 });
  });

  it("explains half of it where it leaves less than 6 dB, and nothing from there on", () => {
    // Heard with 3 dB and more after the gap, the node is a fifth sender: 0.85.
    const sureOfFive = 4 + Math.log(0.85 / 0.15) + 1;
    expect(weaker(17)[0]?.weights["gateway-weakened"]).toBeCloseTo(sureOfFive / 2, 6);
    expect(weaker(17)[0]?.weights["weak-link"]).toBeCloseTo(-4, 9);
    expect(weaker(19)).toEqual([]);
  });
});

describe("a share of frames that fits a plan of which the gateway hears a part", () => {
  const EIGHT = from(867_100_000, 868_500_000, 200_000);
  it("is looked for among all nodes where they lost from the beginning on", () => {
    // Three of eight channels are heard: of counters on all eight in turn 3 of 8.
    const heardOn = new Set([868_100_000, 868_300_000, 868_500_000]);
    const nodes = [1, 2, 3].flatMap((life) =>
      every(life, 40, 260)
        .map((one, i) => ({ ...one, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0, snrDb: 8 }))
        .filter(({ frequencyHz }) => heardOn.has(frequencyHz)),
    );
    const own = nodes.filter(
      ({ lifeId, atUs }) => lifeId === 1 && atUs > WITHIN.fromUs && atUs < WITHIN.toUs,
    );
    const pieces = told(
      channelEvidence(sightOf(scene(nodes, { missed: 99 - own.length, heard: own.length, kind: "steady" }))),
    );
    expect(pieces[0]).toMatchObject({
      sentence: expect.stringMatching(
        /^All nodes together were heard with 38 % of 29\d counters, on 3 channels: the share of 3 channels in 8\.$/,
      ),
      lane: "channels",
      restsOn: { ...WITHIN, ofNode: true, gatewayEui: EUI },
    });
    // Near its mode the binomial of 298 trials at 3/8 has 0.047, eight channels a prior of 0.45: ln(299 x 0.45 x 0.047).
    expect(pieces[0]?.weights["channel-mismatch"]).toBeCloseTo(1.85, 1);
    expect(pieces[0]?.leavesOpen).toBeUndefined();
    // Seven of eight, or any five: what is missing may as well be drowned.
    const heardOf = (...left: number[]) => {
      const some = [1, 2, 3].flatMap((life) =>
        every(life, 40, 260)
          .map((one, i) => ({ ...one, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0, snrDb: 8 }))
          .filter(({ frequencyHz }) => left.includes(EIGHT.indexOf(frequencyHz))),
      );
      const within = some.filter(
        ({ lifeId, atUs }) => lifeId === 1 && atUs > WITHIN.fromUs && atUs < WITHIN.toUs,
      );
      const [piece] = channelEvidence(
        sightOf(scene(some, { missed: 99 - within.length, heard: within.length, kind: "steady" })),
      );
      return piece?.leavesOpen;
    };
    expect(heardOf(0, 1, 2, 3, 4, 5, 6)).toEqual(["interference", "channel-mismatch"]);
    expect(heardOf(0, 1, 2, 3, 4)).toEqual(["interference", "channel-mismatch"]);
  });
});

describe("a judged gap", () => {
  const tenMissed = [110, 111, 112, 120, 121, 130, 140, 150, 160, 170];
  const three = [2, 3, 4].flatMap((life) => every(life, 40, 260, [], { snrDb: 5 }));
  const judged = (
    own: readonly SceneReception[],
    gap: Partial<SceneGap>,
    more: Partial<Scene> = {},
    others: readonly SceneReception[] = three,
  ) => {
    const judgement = judgeGap(scene([...own, ...others], gap, more));
    return { ...judgement, sentence: said(judgement) };
  };
  const keepalivesUs = from(40, 260).map((minute) => minute * MINUTE);
  const alive = { homes: [gateway({ keepaliveUs: MINUTE, keepalivesUs })] };
  const SILENCE = { kind: "silence", missed: 0, heard: 0 } as const;
  const stood = [...every(1, 40, 100), ...every(1, 200, 260).map((one, i) => ({ ...one, counter: 101 + i }))];

  it("is told by its kind, its length, its counters and its cause", () => {
    const sentence = (gap: Partial<SceneGap>, own = every(1, 40, 260, tenMissed, { snrDb: -12 })) =>
      judged(own, gap, alive).sentence;
    expect(sentence({ heard: 89 })).toMatch(
      /^Missed 10 counters in 1 h 40 min: (possibly |likely )?the signal was too weak\.$/,
    );
    expect(sentence({ heard: 89, kind: "steady" })).toMatch(/^Lost 10 counters of 99 over 1 h 40 min: /);
    expect(sentence(SILENCE, stood)).toBe("Silent for 1 h 40 min: the node did not send.");
    expect(sentence({ ...SILENCE, missed: 1 }, stood)).toBe(
      "Silent for 1 h 40 min, 1 counter missed: the node did not send.",
    );
    expect(sentence({ ...SILENCE, open: true }, every(1, 40, 100, [], { snrDb: 5 }))).toMatch(
      /^Silent for 1 h 40 min: (possibly |likely )the node did not send\.$/,
    );
    expect(sentence({ missed: 0, heard: 0 }, stood)).toMatch(/^Interrupted for 1 h 40 min[.:]/);
    expect(judged([], {}, { homes: [gateway({ keepaliveUs: null })] }, []).sentence).toBe(
      "Missed 10 counters in 1 h 40 min. Cause unknown.",
    );
  });

  it("of one that came back under another address ends with the first frame there", () => {
    const successor = {
      devAddr: 0x01a2b3f1,
      life: 1,
      firstAtUs: 130 * MINUTE,
      joinEui: "02005E1000000031",
      joinAtUs: 129 * MINUTE,
    };
    const own = every(1, 40, 100, [], { snrDb: 5 });
    const { sentence, cause } = judged(own, { ...SILENCE, open: true }, { successor });
    expect([sentence, cause]).toEqual([
      expect.stringMatching(
        /^Interrupted for 30 min: (possibly |likely )?the node restarted and continues as 01A2B3F1\.$/,
      ),
      "node-restarted",
    ]);
  });

  it("is the node's, a gateway's or the site's trouble, and names the gateway where it is one's", () => {
    const outages = [{ ...WITHIN, restarted: false, open: false }];
    const home = (id: number, more: Partial<SceneGateway> = {}) =>
      gateway({ id, eui: `02005E100000000${id}`, keepaliveUs: 20 * S, ...more });
    const own = every(1, 40, 260, gone);
    const ofScope = ({ cause, scope, gatewayId }: ReturnType<typeof judged>) => [cause, scope, gatewayId];
    const lost = [2, 3, 4].flatMap((life) => every(life, 40, 260, gone));
    const out = (homes: SceneGateway[], more: Partial<Scene> = {}) =>
      ofScope(judged(own, { missed: 99 }, { homes, ...more }, lost));
    expect(out([home(1, { outages })])).toEqual(["gateway-unreachable", "gateway", 1]);
    expect(out([home(1, { outages }), home(2, { outages })])).toEqual(["gateway-unreachable", "site", 1]);
    const shared = judged(
      own,
      { missed: 99 },
      { homes: [home(1, { outages })], nobody: [WITHIN], followed: 2 },
      lost,
    );
    expect(ofScope(shared)).toEqual(["gateway-unreachable", "site", 1]);
    expect(shared.sentence).toBe(
      "Missed 99 counters in 1 h 40 min: no gateway could be reached; check the side that all share first, this listener and its network.",
    );
    expect(ofScope(judged(stood, SILENCE))).toEqual(["node-silent", "node", null]);
  });

  it("may be chance where it lacks odds that the others' losses do not give", () => {
    const few = every(1, 40, 260, [110, 111]);
    const lacking = (odds: number, others: readonly SceneReception[] = three) =>
      judged(few, { missed: 2, heard: 97, lacking: odds }, alive, others).isChance;
    expect([lacking(0), lacking(0.1)]).toEqual([false, true]);
    // Thirty-three of 100 of each of three: far beyond chance.
    expect(
      lacking(
        5,
        [2, 3].flatMap((life) => every(life, 40, 260, from(101, 199, 3))),
      ),
    ).toBe(false);
  });

  it("says what to record next, unless it is certain, or likely and over", () => {
    const next = (own: readonly SceneReception[], gap: Partial<SceneGap>, more: Partial<Scene> = {}) =>
      judged(own, gap, more).recordNext;
    expect(next(stood, SILENCE)).toEqual([]);
    const open = next(every(1, 40, 100, [], { snrDb: 5 }), { ...SILENCE, open: true });
    expect(open[0]).toBe("Wait until it is heard again: its counter will tell whether it continued to send.");
    const unknown = judged(every(1, 40, 260, gone), { missed: 99 }, alive, []);
    expect(unknown.cause).toBe("unexplained");
    expect(unknown.recordNext.some((one) => one.startsWith("Put up a second gateway for a day"))).toBe(true);
    // Nothing at all is known: weak link, silence and interference by their priors, and no word of what is no candidate.
    const nothing = judged([], {}, { homes: [gateway({ keepaliveUs: null })] }, []);
    expect(nothing.recordNext).toEqual([
      "Put up a second gateway for a day: what both miss was not sent, or never left the node's surroundings.",
      "Let the gateway forward packets with a wrong CRC (forward_crc_error): they tell collisions from weakness.",
      "Leave the gateway's status report at 30 s: it counts what was heard and sent.",
    ]);
    const two = judged(
      every(1, 40, 260, gone),
      { missed: 99 },
      { homes: [gateway(), gateway({ id: 2 })] },
      [],
    );
    expect(two.recordNext.some((one) => one.startsWith("Put up a second gateway"))).toBe(false);
  });
});

describe("the evidence of a finding", () => {
  const piece = (weights: EvidencePiece["weights"], more: Partial<EvidencePiece> = {}): EvidencePiece => ({
    sentence: "10 of 12 frames.",
    lane: "counters",
    restsOn: null,
    weights,
    ...more,
  });
  const weights = ({ evidence, against }: ReturnType<typeof combine>) => [
    evidence.map(({ weight }) => weight),
    against.map(({ weight }) => weight),
  ];

  it("is what weighs a quarter and more, the strongest first, and as much against it", () => {
    const judged = combine(
      [0.3, 4, 0.25, 0.24, -0.25, -0.24, -1].map((weight) => piece({ "weak-link": weight })),
    );
    expect(weights(judged)).toEqual([
      [4, 0.3, 0.25],
      [-1, -0.25],
    ]);
    expect(judged.closest).toBe("weak-link");
  });

  it("that leaves several open weighs as for the one that it speaks for most", () => {
    const judged = combine([
      piece({ interference: 3, "channel-mismatch": 1 }, { leavesOpen: ["interference", "channel-mismatch"] }),
    ]);
    expect(weights(judged)[0]).toEqual([3]);
  });

  it("names three other causes at the most, those of a hundredth and more, the likeliest first", () => {
    const judged = combine([
      piece({ "weak-link": 4, interference: 3, congestion: 2.5, "node-silent": 1.5, "backhaul-loss": 0 }),
    ]);
    const confidences = judged.alternatives.map(({ confidence }) => confidence);
    expect(judged.alternatives).toHaveLength(3);
    expect(confidences).toEqual([...confidences].sort((a, b) => b - a));
    expect(judged.alternatives[0]?.cause).toBe(judged.cause === "unexplained" ? "weak-link" : "interference");
  });

  it("is told with 98 % at most, with proof 99.5 %", () => {
    const strong = { "weak-link": 12 };
    expect(combine([piece(strong)]).confidence).toBe(0.98);
    expect(combine([piece(strong, { proves: "weak-link" })]).confidence).toBe(0.995);
    // A proof of another cause lifts nothing.
    expect(combine([piece(strong, { proves: "interference" })]).confidence).toBe(0.98);
  });
});

describe("a silence of all without enough reports", () => {
  const seven = from(1, 7).flatMap((life) => every(life, 40, 260, gone));
  const at = (minute: number, received: number | null): SceneReport => ({
    atUs: minute * MINUTE,
    received,
    crcOk: null,
    forwarded: null,
    emitted: null,
    ackPercent: null,
  });
  const isOpen = (
    reports: readonly SceneReport[],
    toMinute = 200,
    receptions: readonly SceneReception[] = seven,
  ) => {
    const home = gateway({ reports });
    return isRadioOpen(sightOf(scene(receptions, { missed: 99 }, { homes: [home] })), home, {
      fromUs: 100 * MINUTE,
      toUs: toMinute * MINUTE,
    });
  };

  it("leaves open whether the radio hung, where no report says that it heard something", () => {
    expect(isOpen([])).toBe(true);
    expect([0, null, 3].map((received) => isOpen([at(150, received)]))).toEqual([true, true, false]);
    // Reports of before and after say nothing of it.
    expect([99, 100, 200, 201].map((minute) => isOpen([at(minute, 3)]))).toEqual([true, false, false, true]);
  });

  it("is not told by a report whose interval began before it", () => {
    // Every 5 min: one at 104 counts from 99 on.
    const before = [80, 85, 90, 95].map((minute) => at(minute, 4));
    expect([104, 105, 106].map((minute) => isOpen([...before, at(minute, 3)]))).toEqual([true, false, false]);
  });

  it("must fill six tenths of the stretch", () => {
    // 100 minutes without a packet.
    expect([266, 267].map((toMinute) => isOpen([], toMinute))).toEqual([true, false]);
    // A gateway that delivered nothing at all shows no silence.
    expect(
      isOpen(
        [],
        200,
        seven.map((one) => ({ ...one, gatewayId: 2 })),
      ),
    ).toBe(false);
    // Two halves of it are no such silence: 50 of 100.
    expect(isOpen([], 200, [...seven, heard(1, 150, 150)])).toBe(false);
  });

  it("is no question where the radio's own rule says that it was deaf", () => {
    const zero = from(40, 259).map((minute) => at(minute + 0.5, minute >= 100 && minute < 200 ? 0 : 7));
    expect(isOpen(zero)).toBe(false);
  });
});
