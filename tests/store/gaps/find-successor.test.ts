import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import type { JudgeGap, Scene, SceneGap, SceneReception } from "../../../src/model/gap.ts";
import { type NamedText, renderNamed } from "../../../src/model/text.ts";
import { findSuccessor } from "../../../src/store/gaps/find-successor.ts";
import { gapsAsKnown } from "../../../src/store/gaps/gaps-as-known.ts";
import { openStore } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { joinRequest, phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const OLD = "01A2B3C4";
const OTHER = "01A2B3C6";
const DEVICE = "02005E1000000031";

/**
 * A node heard strong at one gateway and, every second frame, weak at another; at minute 60 it joins and goes on under
 * a new address as strong, or 12 dB weaker as another device would.
 */
function traffic(
  newcomer: string,
  newcomerDbm: number,
  { every = 1, from = 0, joins = true } = {},
): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  const hear = (atS: number, payload: Uint8Array, rssiDbm: number) => {
    const tmstUs = atS * 1e6;
    all.push(push(SHED, atS, [{ payload, rssiDbm, tmstUs }], atS % 65_536));
    if (atS % 120 < 60)
      all.push(push(TOWER, atS, [{ payload, rssiDbm: rssiDbm - 32, snrDb: -3, tmstUs }], atS % 65_536));
  };
  for (let s = 0; s < 7_200; s += 20) all.push(pull(SHED, s, s % 65_536), pull(TOWER, s, (s + 1) % 65_536));
  for (let minute = 0; minute < 120; minute++) {
    hear(minute * 60 + 31, phy(OTHER, 700 + minute, 0x21), -88);
    if (minute < 60) hear(minute * 60 + 7, phy(OLD, minute, 0x31), -77);
    if (minute > 60 && minute % every === 1 % every)
      hear(minute * 60 + 7, phy(newcomer, from + Math.floor((minute - 61) / every), 0x41), newcomerDbm);
  }
  if (joins) hear(3_630, joinRequest(DEVICE, 5), newcomerDbm);
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

function findingOf(newcomer: string, newcomerDbm: number, kind: Parameters<typeof traffic>[2] = {}) {
  return findingIn(traffic(newcomer, newcomerDbm, kind));
}

function stored(heard: readonly DecodedArrival[], judge: JudgeGap = judgeGap) {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judge);
  recorder.record(heard);
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return { store };
}

function findingIn(heard: readonly DecodedArrival[], judge: JudgeGap = judgeGap) {
  const { store } = stored(heard, judge);
  const row = store
    .prepare(
      "SELECT cause, ended_us AS endedUs, json_extract(finding, '$.sentence') AS sentence FROM gap WHERE dev_addr = ?",
    )
    .get(Number.parseInt(OLD, 16));
  const { cause, endedUs, sentence } = row as { cause: string; endedUs: number | null; sentence: string };
  const parts = sentence.startsWith("[") ? (JSON.parse(sentence) as NamedText) : sentence;
  return { cause, endedUs, sentence: renderNamed(parts, () => null) };
}

describe("a node that joins and comes back under another address", () => {
  it("is found there, though its strength differs from gateway to gateway", () => {
    const { cause, sentence } = findingOf("01A2B3F1", -78);
    expect(cause).toBe("node-restarted");
    expect(sentence).toMatch(/^Interrupted for 2\smin: .*the node restarted and continues as 01A2B3F1\.$/u);
  });

  it("has ended its gap with the first frame there, where that is what the finding says", () => {
    const heard = traffic("01A2B3F1", -78);
    expect(findingIn(heard).endedUs).toBe(START_US + (61 * 60 + 7) * 1e6);
    const silent = (scene: Scene) => ({ ...judgeGap(scene), cause: "node-silent" as const });
    expect(findingIn(heard, silent)).toMatchObject({ cause: "node-silent", endedUs: null });
  });

  it("is known by then to have ended its gap, at a moment in the past as well", () => {
    const { store } = stored(traffic("01A2B3F1", -78));
    const at = (minute: number) => START_US + minute * 60e6;
    const known = (minute: number) =>
      gapsAsKnown(store, { fromUs: START_US, toUs: at(120) }, at(minute), judgeGap).gaps.map(
        ({ cause, open, endedUs }) => [cause, open, endedUs],
      );
    expect(known(100)).toEqual([["node-restarted", 1, at(61) + 7e6]]);
  });

  it("is told by the gateway that heard the old address most, whichever came first", () => {
    // The tower, known first, hears half of the old address and nothing of the new one.
    const isOfTower = ({ decoding }: DecodedArrival) =>
      decoding.ok && decoding.datagram.kind === "push-data" && decoding.datagram.gatewayEui === TOWER;
    const heard = traffic("01A2B3F1", -77).filter((one) => !(isOfTower(one) && isOf("01A2B3F1")(one)));
    expect(findingIn([pull(TOWER, -1), ...heard]).cause).toBe("node-restarted");
  });

  it("is not seen in a device that joins with another strength", () => {
    expect(findingOf("01A2B3F1", -90).cause).not.toBe("node-restarted");
  });

  // As strong as the silent node each time, and something else is another device's.
  it.each([
    ["sends in another rhythm", { every: 2 }],
    ["goes on from a high counter", { from: 40 }],
    ["did not join", { joins: false }],
  ])("is not seen in one that %s", (_, kind) => {
    const { cause, sentence } = findingOf("01A2B3F1", -77, kind);
    expect(cause).not.toBe("node-restarted");
    expect(sentence).not.toContain("01A2B3F1");
  });

  it("is not seen in either of two that fit", () => {
    const both = [...traffic("01A2B3F1", -77), ...traffic("01A2B3F2", -77).filter(isOf("01A2B3F2"))];
    const { cause, sentence } = findingIn(both.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    expect(cause).not.toBe("node-restarted");
    expect(sentence).not.toMatch(/01A2B3F[12]/);
  });
});

describe("a successor", () => {
  const { store } = stored(traffic("01A2B3F1", -77));
  const lifeOf = (devAddr: string) =>
    store
      .prepare("SELECT id FROM life WHERE dev_addr = ?")
      .pluck()
      .get(Number.parseInt(devAddr, 16)) as number;
  const [old, next] = [lifeOf(OLD), lifeOf("01A2B3F1")];
  const heard = (lifeId: number, levels: readonly (number | null)[], gatewayId = 1) =>
    levels.map((rssiDbm) => ({ lifeId, rssiDbm, gatewayId }) as SceneReception);
  const four = (level: number) => Array<number>(4).fill(level);
  const found = (receptions: readonly SceneReception[], rhythmUs: number | null = 60e6) =>
    findSuccessor(
      store,
      {
        devAddr: Number.parseInt(OLD, 16),
        lifeId: old,
        fromUs: START_US + 3_547e6,
        toUs: START_US + 7_200e6,
        rhythmUs,
      } as SceneGap,
      receptions,
    );

  it("is as strong within 3.5 dB, by four frames of each, the newest forty", () => {
    expect(found([...heard(old, four(-77)), ...heard(next, four(-80.5))])).toEqual({
      devAddr: 0x01a2b3f1,
      life: 1,
      firstAtUs: START_US + 3_667e6,
      joinEui: DEVICE,
      joinAtUs: START_US + 3_630e6,
    });
    expect(found([...heard(old, four(-77)), ...heard(next, four(-80.6))])).toBeNull();
    expect(found([...heard(old, four(-77)), ...heard(next, four(-73.5))])).not.toBeNull();
    expect(found([...heard(old, four(-77)), ...heard(next, [-77, -77, -77])])).toBeNull();
    expect(found([...heard(old, [-77, -77, -77]), ...heard(next, four(-77))])).toBeNull();
    expect(found([...heard(old, four(-77)), ...heard(next, [-77, null, -77, -77])])).toBeNull();
    // Fifty frames at -60 dBm, then forty at -77.
    const weaker = [...Array<number>(50).fill(-60), ...Array<number>(40).fill(-77)];
    expect(found([...heard(old, weaker), ...heard(next, four(-77))])).not.toBeNull();
  });

  it("is told by the gateway that heard the old one most, of two that heard it as often the first", () => {
    const both = (first: number, second: number) => [
      ...heard(old, Array<number>(first).fill(-77), 1),
      ...heard(old, Array<number>(second).fill(-100), 2),
      ...heard(next, four(-77), 1),
      ...heard(next, four(-60), 2),
    ];
    expect(found(both(5, 4))).not.toBeNull();
    expect(found(both(4, 4))).not.toBeNull();
    expect(found(both(4, 5))).toBeNull();
  });

  it("sends within a quarter of the old one's rhythm, where both are known", () => {
    const alike = [...heard(old, four(-77)), ...heard(next, four(-77))];
    // It sends each minute: 60 s are a quarter more than 48 s, a quarter less than 80 s.
    expect([48e6, 48.1e6, 79.9e6, 80e6, null].map((us) => found(alike, us) !== null)).toEqual([
      false,
      true,
      true,
      false,
      true,
    ]);
  });
});

/** Whether a datagram holds an uplink of an address: its octets stand in the frame from the lowest to the highest. */
function isOf(devAddr: string) {
  const inFrame = Buffer.from(devAddr, "hex").reverse();
  return ({ decoding }: DecodedArrival): boolean =>
    decoding.ok &&
    decoding.datagram.kind === "push-data" &&
    decoding.datagram.packets.some(
      ({ payload }) => payload !== null && Buffer.from(payload).includes(inFrame),
    );
}
