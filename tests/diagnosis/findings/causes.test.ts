/**
 * Each cause in a hand-made history that it must be named for, and near misses that it must not be named for. A wrong
 * cause is worse than none: what is not named must be `unexplained` or its own true cause.
 */
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import type { NextLife } from "../../../src/model/gap.ts";
import { renderNamed } from "../../../src/model/text.ts";
import {
  chance,
  EIGHT,
  type Faults,
  findingsOf,
  type History,
  HOUR,
  MINUTE,
  type Node,
  play,
  S,
  someNodes,
} from "./history.ts";

const FROM = 10 * HOUR;
const TO = 15 * HOUR;
const END = 20 * HOUR;
const during = (atUs: number) => atUs > FROM && atUs < TO;

/** Node 1 sends every four minutes at SF9 with 13 dB of margin; others around it. */
function site(seed: number, faults: Faults, change: Partial<Node> = {}, endUs = END): History {
  const [first, ...others] = someNodes(14, seed);
  const own = {
    ...(first as Node),
    periodUs: 4 * MINUTE,
    spreadingFactor: 9,
    snrDb: 0.5,
    fadingDb: 1.5,
    ...change,
  };
  return play([own, ...others], endUs, faults, seed);
}

function causesOf(history: History, id = 1): string[] {
  return findingsOf(history, [id]).map(({ judgement }) => judgement.cause);
}

/** Causes of all findings of all nodes, each once. */
function allCauses(history: History): Set<string> {
  return new Set(findingsOf(history).map(({ judgement }) => judgement.cause));
}

describe("a healthy site", () => {
  it.each([1, 2, 3])("has no finding in five days, seed %i", (seed) => {
    expect(findingsOf(site(seed, {}, {}, 120 * HOUR))).toEqual([]);
  });
});

describe("losses too few to be more than chance by themselves", () => {
  // Every node loses the frames of four short stretches, two or three of each.
  const stretches = [0, 1.1, 2.3, 3.2].map((hours) => FROM + hours * HOUR);
  const lostBy =
    (concerns: (node: Node) => boolean): NonNullable<Faults["weaker"]> =>
    (node, atUs) =>
      concerns(node) && stretches.some((begin) => atUs >= begin && atUs < begin + 9 * MINUTE) ? 90 : 0;
  const isSlow = ({ periodUs }: Node) => periodUs > 6 * MINUTE;

  it("are dropouts when many nodes lose as much at the same time", () => {
    const found = findingsOf(site(1, { weaker: lostBy(() => true) }));
    expect(found.some(({ gap, node }) => gap.lacking > 0 && isSlow(node))).toBe(true);
  });

  it("are none when one node alone has them", () => {
    for (const one of someNodes(14, 1).filter(isSlow)) {
      const found = findingsOf(site(1, { weaker: lostBy(({ id }) => id === one.id) }));
      expect(found.filter(({ gap }) => gap.lacking > 0)).toEqual([]);
    }
  });
});

describe("weak-link", () => {
  it("is named when a faster data rate takes the margin, and the finding says so", () => {
    const history = site(
      2,
      { factorOf: (node, atUs) => (node.id === 1 && during(atUs) ? 7 : null) },
      { snrDb: -6.5 },
    );
    const [found] = findingsOf(history, [1]);
    expect(found?.judgement.cause).toBe("weak-link");
    const words = found?.judgement.evidence.map(({ sentence }) => sentence).join(" ");
    expect(words).toMatch(/sends at SF7 since, at SF9 before: that takes 5\.0/);
  });

  it.each([1, 2, 3])("is named when the signal falls to the floor and a part is lost, seed %i", (seed) => {
    const history = site(seed, { weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 12.5 : 0) });
    const [found] = findingsOf(history, [1]);
    expect(found?.judgement.cause).toBe("weak-link");
    expect(found?.judgement.evidence.map(({ lane }) => lane)).toContain("margin");
    expect(found?.judgement.evidence[0]?.sentence).toMatch(/\d/);
  });
  it("is named for a black-out of one node by an obstacle, less surely", () => {
    const history = site(4, { weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 40 : 0) });
    const [found] = findingsOf(history, [1]);
    expect(found?.judgement.cause).toBe("weak-link");
    expect(found?.judgement.confidence).toBeLessThan(0.95);
  });
  it("is not named when a strong node loses a part by hopping", () => {
    const far = [...EIGHT, 864.1e6, 864.3e6, 864.5e6, 864.7e6];
    const history = site(5, {
      channelsOf: ({ id }) => (id === 1 ? far : EIGHT),
      listensTo: (f) => EIGHT.includes(f),
    });
    expect(causesOf(history)).not.toContain("weak-link");
  });
});

describe("interference", () => {
  it.each([1, 2, 3])("is named when the noise rises on all channels, seed %i", (seed) => {
    const causes = allCauses(site(seed, { noiseRise: (_, atUs) => (during(atUs) ? 14 : 0) }));
    expect(causes.has("interference")).toBe(true);
    expect(
      causes.has("congestion") || causes.has("channel-mismatch") || causes.has("gateway-transmitting"),
    ).toBe(false);
  });
  it("is not named when the node's own signal falls and the noise stays", () => {
    const history = site(2, { weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 12.5 : 0) });
    expect(causesOf(history)).not.toContain("interference");
  });
});

describe("congestion", () => {
  const crowd = (seed: number) =>
    someNodes(150, seed + 50, { periodUs: 15 * S, spreadingFactor: 9, snrDb: 2 }).map((node, i) => ({
      ...node,
      id: 100 + i,
    }));
  it("is named when the traffic at its data rate accounts for the loss", () => {
    const few = someNodes(8, 3, { spreadingFactor: 9, snrDb: 1, periodUs: 150 * S });
    const busy = (node: Node, atUs: number) => node.id >= 100 && !(atUs > 3 * HOUR && atUs < 4.5 * HOUR);
    const history = play([...few, ...crowd(3)], 6 * HOUR, { silent: busy }, 3);
    const causes = findingsOf(history, [1, 2, 3]).map(({ judgement }) => judgement.cause);
    expect(causes).toContain("congestion");
    expect(causes.filter((cause) => cause !== "congestion" && cause !== "unexplained")).toEqual([]);
  });
  it("is not named when the crowd sends at another data rate and the node is weak", () => {
    const few = someNodes(8, 4, { spreadingFactor: 12, snrDb: -12 });
    const weaker = (node: Node, atUs: number) => (node.id === 1 && atUs > 4 * HOUR ? 8 : 0);
    const history = play([...few, ...crowd(4).slice(0, 20)], 9 * HOUR, { weaker }, 4);
    expect(causesOf(history)).not.toContain("congestion");
  });
});

describe("channel-mismatch", () => {
  const all = Array.from({ length: 64 }, (_, i) => 902.3e6 + i * 0.2e6);
  const own = all.slice(8, 16);
  it("is named when a node hops over all of a fixed plan", () => {
    const history = site(1, {
      channelsOf: (node, atUs) => (node.id === 1 && atUs > FROM ? all : own),
      listensTo: (f) => own.includes(f),
    });
    expect(causesOf(history)).toEqual(["channel-mismatch"]);
  });
  it("is named when the gateway listens to three of the eight channels that all nodes use", () => {
    const causes = allCauses(site(2, { listensTo: (f) => EIGHT.slice(5).includes(f) }));
    expect(causes.has("channel-mismatch")).toBe(true);
    expect([...causes].filter((cause) => cause !== "channel-mismatch" && cause !== "unexplained")).toEqual(
      [],
    );
  });
  it("is named when the gateway restarts and is deaf on half of its channels from then on, not when its counter runs on, and left open when it tells no counter", () => {
    const listensTo = (f: number, atUs: number) => atUs < FROM || EIGHT.slice(4).includes(f);
    const retuned = allCauses(site(6, { listensTo, restartsUs: [FROM] }));
    expect(retuned.has("channel-mismatch")).toBe(true);
    expect(retuned.has("interference")).toBe(false);
    expect(allCauses(site(6, { listensTo }))).toEqual(new Set(["interference"]));
    const unknown = findingsOf(site(6, { listensTo, tellsCounter: false }), [1]).map(
      ({ judgement }) => judgement,
    );
    for (const { cause, recordNext } of unknown) {
      expect(cause).toBe("unexplained");
      expect(recordNext.join(" ")).toMatch(/configuration/);
    }
  });
  it("is not named for a node at the edge of reception that loses as large a share", () => {
    const history = site(3, {}, { snrDb: -13, fadingDb: 3 });
    expect(causesOf(history)).not.toContain("channel-mismatch");
  });
});

describe("gateway-transmitting", () => {
  it("is named when the gateway sends a fifth of the time", () => {
    const random = chance(5);
    const transmissions = [];
    for (let atUs = FROM; atUs < TO; ) {
      atUs += Math.round((2 + random() * 5) * S);
      transmissions.push({ fromUs: atUs, toUs: atUs + 1_300_000 });
    }
    const causes = allCauses(site(1, { transmissions }));
    expect(causes.has("gateway-transmitting")).toBe(true);
    expect(
      [...causes].filter((cause) => cause !== "gateway-transmitting" && cause !== "unexplained"),
    ).toEqual([]);
  });
  it("is not named when it sends now and then while a node is weak", () => {
    const transmissions = Array.from({ length: 200 }, (_, i) => ({
      fromUs: i * 6 * MINUTE,
      toUs: i * 6 * MINUTE + 200_000,
    }));
    const history = site(2, {
      transmissions,
      weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 12.5 : 0),
    });
    expect(causesOf(history)).not.toContain("gateway-transmitting");
  });
});

describe("gateway-unreachable and gateway-restarted", () => {
  const outage = (restarted: boolean | null) => ({
    outages: [{ fromUs: FROM, toUs: FROM + 40 * MINUTE, restarted }],
  });
  it("are told apart by the concentrator's counter, with proof", () => {
    for (const [restarted, cause] of [
      [false, "gateway-unreachable"],
      [true, "gateway-restarted"],
    ] as const) {
      const [found] = findingsOf(site(1, outage(restarted)), [1]);
      expect(found?.judgement).toMatchObject({ cause, word: "certain", scope: "gateway" });
    }
  });
  it("are named with doubt when the counter cannot tell", () => {
    const [found] = findingsOf(site(2, outage(null)), [1]);
    expect(["gateway-unreachable", "unexplained"]).toContain(found?.judgement.cause);
    expect(found?.judgement.word).not.toBe("certain");
  });
  it("are not named for a node that was silent while the gateway went on", () => {
    const history = site(3, { silent: (node, atUs) => node.id === 1 && during(atUs) });
    expect(causesOf(history)).toEqual(["node-silent"]);
  });
});

/** Only this cause, or left open: no other. */
function expectOnly(history: History, cause: string): void {
  const causes = allCauses(history);
  expect(causes.has(cause)).toBe(true);
  expect([...causes].filter((one) => one !== cause && one !== "unexplained")).toEqual([]);
}

describe("backhaul-loss", () => {
  it.each([false, true])("is named when a quarter of all datagrams is lost, reports: %s", (reports) => {
    expectOnly(site(4, { lossyWay: (atUs) => (during(atUs) ? 0.25 : 0), reports }), "backhaul-loss");
  });
  it("gives the keepalives, the packets and the acknowledgements that prove it", () => {
    const history = site(4, { lossyWay: (atUs) => (during(atUs) ? 0.25 : 0), reports: true });
    const [found] = findingsOf(history, [1]);
    expect(found?.judgement).toMatchObject({ cause: "backhaul-loss", scope: "gateway", gatewayId: 1 });
    expect(found?.judgement.evidence[0]?.sentence).toMatch(
      /^Datagrams were lost on the way: [\d\u202F]+ of [\d\u202F]+ keepalives and status reports arrived; the gateway reports \d+ packets forwarded, \d+ of them never arrived; it missed \d+\D%/,
    );
  });
  it("is named when so many are lost that most keepalives come at twice their interval", () => {
    expectOnly(site(4, { lossyWay: () => 0.6, reports: true }), "backhaul-loss");
  });
  it("is not named for a total outage", () => {
    const history = site(1, {
      outages: [{ fromUs: FROM, toUs: FROM + 40 * MINUTE, restarted: false }],
      reports: true,
    });
    expect(allCauses(history)).toEqual(new Set(["gateway-unreachable"]));
  });
});

describe("gateway-deaf", () => {
  const deaf = [{ fromUs: FROM, toUs: FROM + 2 * HOUR }];
  it.each([1, 2, 3])("is named for all nodes when the radio hangs until a restart, seed %i", (seed) => {
    const history = site(seed, { deaf, reports: true, restartsUs: [FROM + 2 * HOUR] });
    expectOnly(history, "gateway-deaf");
    const [found] = findingsOf(history, [1]);
    expect(found?.judgement).toMatchObject({ scope: "gateway", gatewayId: 1 });
    expect(renderNamed(found?.judgement.evidence[0]?.sentence ?? "", () => null)).toMatch(
      /^Gateway 02005E1000000001 heard no packet for .* Its \d+ status reports count 0; about \d+ frames of \d+ nodes were due/,
    );
  });
  it("is named while it goes on, and the next step is a restart", () => {
    const history = site(1, { deaf: [{ fromUs: 17 * HOUR, toUs: END }], reports: true });
    expect(causesOf(history)).toEqual(["gateway-deaf"]);
  });
  it("is left open, and called no noise, where all vanish and no report counts what the radio hears", () => {
    const causes = allCauses(site(1, { deaf, restartsUs: [FROM + 2 * HOUR] }));
    expect(causes.has("interference")).toBe(false);
  });
  it("is left open where it ends by itself and the counter ran on: noise on all channels leaves the same", () => {
    const strong = someNodes(9, 4, { snrDb: 8, fadingDb: 1 });
    const history = play(strong, END, { deaf, reports: true }, 4);
    const ranOn = history.receptions.map((one) => ({ ...one, tmstUs: one.atUs % 2 ** 32 }));
    const found = findingsOf({ ...history, receptions: ranOn });
    expect(found.length).toBeGreaterThan(4);
    expect(new Set(found.map(({ judgement }) => judgement.cause))).toEqual(new Set(["unexplained"]));
    const likeliest = found[0]?.judgement.alternatives.slice(0, 2).map(({ cause }) => cause);
    expect(new Set(likeliest)).toEqual(new Set(["interference", "gateway-deaf"]));
  });
  it("is not named for a site with one node, whose own silence it may be", () => {
    const [only] = someNodes(1, 3, { periodUs: 4 * MINUTE, snrDb: 2 });
    const faults: Faults = { deaf: [{ fromUs: 17 * HOUR, toUs: END }], reports: true };
    const causes = allCauses(play([only as Node], END, faults, 3));
    expect(causes.has("gateway-deaf")).toBe(false);
  });
  it("is not named when noise drowns all but the strongest", () => {
    const history = site(1, { noiseRise: (_, atUs) => (during(atUs) ? 14 : 0), reports: true });
    expect(allCauses(history).has("gateway-deaf")).toBe(false);
  });
  it("is not named when one node falls silent and the others go on", () => {
    const history = site(3, { silent: (node, atUs) => node.id === 1 && during(atUs), reports: true });
    expect(causesOf(history)).toEqual(["node-silent"]);
  });
});

describe("gateway-weakened", () => {
  it.each([1, 2, 3])("is named when all fall by 14 dB and the weak ones lose frames, seed %i", (seed) => {
    expectOnly(site(seed, { weaker: (_, atUs) => (during(atUs) ? 14 : 0) }), "gateway-weakened");
  });
  it("gives the size, how many nodes, and that no other gateway can be compared", () => {
    const [found] = findingsOf(site(1, { weaker: (_, atUs) => (during(atUs) ? 14 : 0) }), [1]);
    expect(found?.judgement).toMatchObject({ cause: "gateway-weakened", scope: "gateway", gatewayId: 1 });
    const { evidence } = found!.judgement;
    const sentences = evidence.map(({ sentence }) => renderNamed(sentence, () => null));
    const sentence = sentences.find((text) => text.startsWith("All that gateway 02005E1000000001 hears"));
    expect(sentence).toMatch(/hears fell by 1[345]\.\d\D*dB .* together: \d+ of \d+ nodes.*No other gateway/);
  });
  it("is not called noise when three of four nodes vanish and the last comes 24 dB weaker", () => {
    const nodes = [3, -1, -2, 11].map((snrDb, i) => ({
      ...(someNodes(1, i + 1)[0] as Node),
      id: i + 1,
      spreadingFactor: i === 3 ? 9 : 7,
      snrDb,
    }));
    const causes = allCauses(
      play(nodes, END, { weaker: (_, atUs) => (during(atUs) ? 24 : 0), reports: true }, 1),
    );
    expect(causes.has("interference")).toBe(false);
  });
  it("is not named when one node alone falls", () => {
    const history = site(2, { weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 12.5 : 0) });
    expect(allCauses(history).has("gateway-weakened")).toBe(false);
  });
  it("is not named when the noise rises for all", () => {
    const history = site(1, { noiseRise: (_, atUs) => (during(atUs) ? 14 : 0) });
    expect(allCauses(history).has("gateway-weakened")).toBe(false);
  });
});

describe("node-silent", () => {
  it("is certain when the node comes back with its next counter", () => {
    const [found] = findingsOf(site(1, { silent: (node, atUs) => node.id === 1 && during(atUs) }), [1]);
    expect(found?.judgement).toMatchObject({ cause: "node-silent", word: "certain" });
  });
  it("is likely, not certain, while a strong node has not come back", () => {
    const [found] = findingsOf(site(2, { silent: (node, atUs) => node.id === 1 && atUs > FROM }), [1]);
    expect(found?.gap.open).toBe(true);
    expect(found?.judgement.cause).toBe("node-silent");
    expect(found?.judgement.word).not.toBe("certain");
    expect(found?.judgement.recordNext.join(" ")).toMatch(/counter/);
  });
  it("is not certain for a node that was fading away before", () => {
    const fading = (node: Node, atUs: number) =>
      node.id === 1 && atUs > 6 * HOUR ? Math.min(40, ((atUs - 6 * HOUR) / HOUR) * 3) : 0;
    const history = site(3, { weaker: fading });
    const open = findingsOf(history, [1]).filter(({ gap }) => gap.open && gap.kind === "silence");
    for (const { judgement } of open) expect(judgement.confidence).toBeLessThan(0.95);
  });
});

describe("node-restarted and rejoin-loop", () => {
  const next = (begunBy: string, afterUs: number): ReadonlyMap<number, NextLife> =>
    new Map([
      [1, { number: 2, begunBy, firstAtUs: FROM + afterUs, firstCounter: 0, lastAtUs: END, heard: 50 }],
    ]);
  const stops: Faults = { silent: (node, atUs) => node.id === 1 && atUs > FROM };
  it("restarted is certain when the counter restarts within a few intervals", () => {
    const [found] = findingsOf(site(1, stops), [1], next("counter-reset", 9 * MINUTE));
    expect(found?.judgement).toMatchObject({ cause: "node-restarted", word: "certain" });
  });
  it("rejoin-loop is named when it asks again and again", () => {
    const joins = Array.from({ length: 30 }, (_, i) => ({
      devEui: "02005E1000000031",
      atUs: FROM + (5 + i * 10) * MINUTE,
      snrDb: 0,
    }));
    const [found] = findingsOf(site(2, { ...stops, joins }), [1]);
    expect(found?.judgement.cause).toBe("rejoin-loop");
  });
  it("rejoin-loop is not named for one restart with two join-requests", () => {
    const joins = [2, 4].map((minute) => ({
      devEui: "02005E1000000031",
      atUs: FROM + minute * MINUTE,
      snrDb: 0,
    }));
    const [found] = findingsOf(site(3, { ...stops, joins }), [1], next("join", 9 * MINUTE));
    expect(found?.judgement.cause).toBe("node-restarted");
  });
});

describe("shared-address", () => {
  it("is named when two series of counters take turns, and not when they changed once", () => {
    const [found] = findingsOf(
      site(1, { weaker: (node, atUs) => (node.id === 1 && during(atUs) ? 12.5 : 0) }),
      [1],
    );
    expect(found).toBeDefined();
    expect(found?.judgement.cause).not.toBe("shared-address");
  });
});

describe("a trouble that was there before anybody listened", () => {
  const plan64 = Array.from({ length: 64 }, (_, i) => 902_300_000 + i * 200_000);
  const transmissions = Array.from({ length: 14_400 }, (_, i) => {
    const fromUs = i * 5 * S + ((i * 7_919) % 3_000) * 1_000;
    return { fromUs, toUs: fromUs + S };
  });
  const troubles: readonly [string, string, Faults][] = [
    ["three of eight channels", "channel-mismatch", { listensTo: (f) => EIGHT.slice(5).includes(f) }],
    [
      "eight of 64 channels",
      "channel-mismatch",
      { channelsOf: () => plan64, listensTo: (f) => f < 903_800_000 },
    ],
    ["a fifth of the time spent transmitting", "gateway-transmitting", { transmissions }],
    ["a lossy way", "backhaul-loss", { lossyWay: () => 0.15 }],
  ];

  it.each(troubles)("is named for %s: %s, or left open, and not called anything else", (_, cause, faults) => {
    const named = [1, 2].flatMap((seed) =>
      findingsOf(play(someNodes(14, seed), END, faults, seed)).map(({ judgement }) => judgement.cause),
    );
    const right = named.filter((one) => one === cause).length;
    expect(right / named.length).toBeGreaterThan(0.6);
    expect(named.filter((one) => one !== cause && one !== "unexplained").length).toBeLessThanOrEqual(
      0.03 * named.length,
    );
  });

  it("is known by its end: channels that a restart of the gateway brought back, or that came back by themselves", () => {
    const listensTo = (f: number, atUs: number) => atUs > 2 * HOUR || EIGHT.slice(5).includes(f);
    const named = (faults: Faults) =>
      [1, 2].flatMap((seed) =>
        findingsOf(play(someNodes(14, seed), 6 * HOUR, faults, seed)).map(({ judgement }) => judgement.cause),
      );
    const retuned = named({ listensTo, restartsUs: [2 * HOUR] });
    expect(retuned.filter((cause) => cause === "channel-mismatch").length).toBeGreaterThan(
      0.6 * retuned.length,
    );
    expect(retuned).not.toContain("interference");
    const drowned = named({ listensTo });
    expect(drowned.filter((cause) => cause === "interference").length).toBeGreaterThan(0.6 * drowned.length);
    expect(drowned).not.toContain("channel-mismatch");
  });

  it("is no noise where all came weaker than when it was over, at a site of three nodes", () => {
    const nodes = [9, 8, 7].map((snrDb, i) => ({
      ...(someNodes(1, i + 1)[0] as Node),
      id: i + 1,
      periodUs: (100 + 7 * i) * S,
      spreadingFactor: 7,
      snrDb,
    }));
    const faults: Faults = { weaker: (_, atUs) => (atUs < 2 * HOUR ? 16 : 0), reports: true };
    const causes = allCauses(play(nodes, 6 * HOUR, faults, 1));
    expect(causes.has("gateway-weakened")).toBe(true);
    expect(causes.has("interference")).toBe(false);
  });

  it("is left open where half of the channels were never heard: four are no gateway's plan", () => {
    const faults: Faults = { listensTo: (f) => EIGHT.filter((_, i) => i % 2 === 0).includes(f) };
    const causes = allCauses(play(someNodes(14, 1), END, faults, 1));
    expect(causes.has("unexplained")).toBe(true);
    expect(causes.has("interference")).toBe(false);
    expect(causes.has("channel-mismatch")).toBe(false);
  });

  it("is left open where one or two channels may be drowned or not listened on", () => {
    const faults: Faults = { listensTo: (f) => EIGHT.slice(1).includes(f) };
    const named = findingsOf(play(someNodes(14, 1), END, faults, 1)).map(({ judgement }) => judgement.cause);
    expect(named.length).toBeGreaterThan(5);
    expect(named.filter((one) => one === "unexplained").length).toBeGreaterThan(0.8 * named.length);
  });
});

describe("a silence that ends where nothing was recorded, before a new life", () => {
  it("is a restart at an unknown moment, and no counter that stood still", () => {
    const silent = (node: Node, atUs: number) => node.id === 1 && atUs > FROM;
    const [found] = findingsOf(site(3, { silent }), [1]);
    const { scene } = found!;
    const toUs = scene.gap.fromUs + 40 * MINUTE;
    const range = { fromUs: scene.gap.fromUs, toUs };
    const judgement = judgeGap({
      ...scene,
      gap: { ...scene.gap, open: false, toUs, expectedByRhythm: 10 },
      within: range,
      after: { fromUs: toUs, toUs: toUs + HOUR },
      homes: scene.homes.map((home) => ({ ...home, notRecorded: [{ fromUs: toUs, toUs: toUs + 2 * HOUR }] })),
      receptions: scene.receptions.filter(({ atUs }) => atUs < toUs),
    });
    expect(judgement.cause).toBe("node-restarted");
    expect(judgement.evidence[0]?.sentence).toContain("its counter had restarted");
    expect(JSON.stringify(judgement)).not.toContain("did not advance");
  });
});
