/** What a scene reads from the store, field by field, from two hours of three gateways and two nodes. */
import { beforeEach, describe, expect, it } from "vitest";
import type { Scene, SceneGateway } from "../../../src/model/gap.ts";
import { airtimeOfReception } from "../../../src/radio/airtime.ts";
import { sceneOfGap } from "../../../src/store/gaps/gap-context.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import type { StoredGap } from "../../../src/store/queries/gaps.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { encodePushData } from "../../../src/wire/forwarder/encode.ts";
import { handOut, txAck } from "../down-traffic.ts";
import { arrivalOf, decoded, phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const YARD = "02005E1000000003";
const A = "01A2B3C4";
const C = "01A2B3C6";
const S = 1_000_000;
const at = (seconds: number) => START_US + seconds * S;

const report = (atS: number) =>
  decoded(
    arrivalOf(
      encodePushData({
        version: 2,
        token: 3,
        gatewayEui: SHED,
        packets: [],
        status: {
          timeUs: null,
          timeText: "2026-03-14 10:00:05 GMT",
          latitudeDeg: null,
          longitudeDeg: null,
          altitudeM: null,
          rxReceived: 6,
          rxCrcOk: 5,
          rxForwarded: 4,
          ackPercent: 98.5,
          downlinkDatagrams: 2,
          txEmitted: 1,
          temperatureC: null,
          platform: null,
          mail: null,
          description: null,
        },
      }),
      at(atS),
    ),
  );

/**
 * A sends each minute at :07 but for minutes 60 to 69, heard by the shed, by the tower (stronger, nine in ten, no counter) and twice
 * by the yard; C each minute at :31, heard by the shed. All is silent from 3900 to 4000 s; from 4900 to 5000 s the shed is,
 * and its counter restarts at 4990.
 */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  const isOut = (s: number) => s > 3_900 && s < 4_000;
  const isShedOut = (s: number) => isOut(s) || (s > 4_900 && s < 5_000);
  const tmstUs = (s: number) => (s < 4_990 ? s + 100 : s - 4_990) * S;
  for (let s = 0; s < 7_200; s += 20) if (!isShedOut(s)) all.push(pull(SHED, s, s));
  for (let s = 10; s < 7_200; s += 30) if (!isOut(s)) all.push(pull(TOWER, s, s));
  for (let minute = 0; minute < 120; minute++) {
    const [own, other] = [minute * 60 + 7, minute * 60 + 31];
    const isSent = minute < 60 || minute > 69;
    const payload = phy(A, minute);
    if (isSent && !isShedOut(own))
      all.push(push(SHED, own, [{ payload, snrDb: 4, tmstUs: tmstUs(own) }], minute));
    if (isSent && minute % 10 !== 5)
      all.push(push(TOWER, own + 0.001, [{ payload, snrDb: 8, rssiDbm: -90, tmstUs: null }], minute));
    if (minute === 3 || minute === 33) all.push(push(YARD, own + 0.002, [{ payload, snrDb: -9 }], minute));
    if (!isShedOut(other))
      all.push(
        push(SHED, other, [{ payload: phy(C, 700 + minute, 0x21), tmstUs: tmstUs(other) }], 1_000 + minute),
      );
  }
  all.push(report(3_605));
  return all;
}

function stored(arrivals: Parameters<Recorder["record"]>[0]): Store {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, null);
  recorder.record([...arrivals].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return store;
}

const gap = (more: Partial<StoredGap> = {}) =>
  ({
    id: "01A2B3C4-1-x-r",
    devAddr: 0x01a2b3c4,
    life: 1,
    kind: "counters",
    open: 0,
    fromUs: at(59 * 60 + 7),
    toUs: at(70 * 60 + 7),
    missed: 10,
    firstMissed: 60,
    lastMissed: 69,
    heard: 0,
    expected: 11,
    rhythmUs: 60 * S,
    lacking: 0,
    ...more,
  }) as unknown as StoredGap;

describe("the scene of a gap of ten counters", () => {
  let scene: Scene;
  let tower: SceneGateway | undefined;
  let shed: SceneGateway | undefined;
  beforeEach(() => {
    const read = sceneOfGap(stored(traffic()), gap());
    if (read === null) throw new Error("the life is there");
    scene = read;
    [tower, shed] = read.homes;
  });

  it("reaches from the first datagram to the newest, an hour after the gap at most", () => {
    expect(scene.before).toEqual({ fromUs: at(0), toUs: at(3_547) });
    expect(scene.within).toEqual({ fromUs: at(3_547), toUs: at(4_207) });
    expect(scene.after).toEqual({ fromUs: at(4_207), toUs: at(7_180) });
    expect([scene.nowUs, scene.devEui, scene.nextLife, scene.shared, scene.successor]).toEqual([
      at(7_180),
      null,
      null,
      null,
      null,
    ]);
  });

  it("has the gateways that hear the node: of those that hear about as much the strongest first, none below a fifth", () => {
    expect(scene.homes.map(({ eui }) => eui)).toEqual([TOWER, SHED]);
    // Nothing of the yard.
    expect(new Set(scene.receptions.map(({ gatewayId }) => gatewayId))).toEqual(
      new Set([tower?.id, shed?.id]),
    );
    const counts = [tower, shed].map((home) =>
      scene.receptions.filter(({ gatewayId }) => gatewayId === home?.id),
    );
    // 110 minutes of A: at the tower without 5, 15 to 55, 75 to 115; at the shed without 4927 and 4987 s,
    // and of C 120 without 3931, 3991 and 4951 s.
    expect(counts.map(({ length }) => length)).toEqual([110 - 11, 108 + 117]);
  });

  it("has each packet as the gateway gave it", () => {
    expect(scene.receptions[0]).toEqual({
      atUs: at(7),
      gatewayId: shed?.id,
      tmstUs: 107 * S,
      crcOk: true,
      devAddr: 0x01a2b3c4,
      lifeId: scene.gap.lifeId,
      counter: 0,
      repeat: false,
      joinEui: null,
      frequencyHz: 868_300_000,
      spreadingFactor: 9,
      dataRate: scene.receptions[0]?.dataRate,
      rssiDbm: -97,
      signalRssiDbm: null,
      snrDb: 4,
      airtimeUs: scene.receptions[0]?.airtimeUs,
    });
    expect(scene.receptions[1]).toMatchObject({ gatewayId: tower?.id, tmstUs: null, rssiDbm: -90, snrDb: 8 });
  });

  it("has the heartbeat of each: intervals, keepalives, reports, whether it tells its counter", () => {
    expect([tower?.keepaliveUs, shed?.keepaliveUs]).toEqual([30 * S, 20 * S]);
    // 240 and 360 in two hours, but three and four of 3900 to 4000 s, four of 4900 to 5000 s at the shed.
    expect([tower?.keepalivesUs.length, shed?.keepalivesUs.length]).toEqual([240 - 3, 360 - 8]);
    expect([tower?.tellsCounter, shed?.tellsCounter]).toEqual([false, true]);
    expect([tower?.reports, tower?.transmissions, shed?.transmissions]).toEqual([[], [], []]);
    expect(shed?.reports).toEqual([
      {
        gatewayId: shed?.id,
        atUs: at(3_605),
        received: 6,
        crcOk: 5,
        forwarded: 4,
        emitted: 1,
        ackPercent: 98.5,
      },
    ]);
    expect([tower?.notRecorded, shed?.notRecorded]).toEqual([[], []]);
  });

  it("has their outages: whether the counter ran on across them, began anew, or nothing tells", () => {
    expect(shed?.outages).toEqual([
      { fromUs: at(3_900), toUs: at(4_000), open: false, restarted: false },
      { fromUs: at(4_900), toUs: at(5_000), open: false, restarted: true },
    ]);
    expect(tower?.outages).toEqual([{ fromUs: at(3_880), toUs: at(4_000), open: false, restarted: null }]);
    expect([tower?.restartsUs, shed?.restartsUs]).toEqual([[], [at(4_990)]]);
  });

  it("says when no gateway sent anything, for longer than one and a half of the shortest interval", () => {
    expect(scene.followed).toBe(2);
    expect(scene.nobody).toEqual([{ fromUs: at(3_900), toUs: at(4_000) }]);
  });
});

describe("a silence of all gateways", () => {
  const without = (...ranges: readonly (readonly [fromS: number, toS: number])[]) =>
    traffic().filter(
      ({ arrival: { atUs } }) => !ranges.some(([fromS, toS]) => atUs > at(fromS) && atUs < at(toS)),
    );

  it("is longer than 30 s where one sends every 20 s, and within two minutes of the gap", () => {
    const scene = sceneOfGap(stored(without([4_100, 4_140], [5_400, 5_500])), gap());
    expect(scene?.nobody).toEqual([
      { fromUs: at(3_900), toUs: at(4_000) },
      { fromUs: at(4_100), toUs: at(4_140) },
    ]);
  });

  it("is judged by the keepalives within four minutes of the gap", () => {
    // Far from it the shed sends every 5 s besides, which nobody need keep up beside the gap; silent from 3300 to 3307 s.
    const scene = (fromS: number, toS: number) => {
      const more: DecodedArrival[] = [];
      for (let s = fromS; s < toS; s += 1) more.push(pull(SHED, s + 0.5, s));
      return sceneOfGap(stored([...traffic(), ...more]), gap())?.nobody.length;
    };
    // Of each range a hundred: with them the median would be a second, and every pause between two keepalives too long.
    expect(scene(3_207, 3_307)).toBe(1);
    expect(scene(4_448, 4_548)).toBe(1);
    expect(scene(3_307, 3_407)).toBeGreaterThan(1);
    expect(scene(4_347, 4_447)).toBeGreaterThan(1);
  });

  it("is one of the gateways of the node's own site, once sites are named", () => {
    const own = traffic().filter(
      ({ decoding }) => decoding?.ok !== true || decoding.datagram.gatewayEui !== YARD,
    );
    const yard = [3_700, 3_950].map((s) => push(YARD, s, [{ payload: phy("01A2B3C9", s) }], s));
    const store = stored([...own, ...yard]);
    // The yard's packet at 3950 s parts the silence.
    expect(sceneOfGap(store, gap())?.nobody).toEqual([
      { fromUs: at(3_900), toUs: at(3_950) },
      { fromUs: at(3_950), toUs: at(4_000) },
    ]);
    for (const [eui, site] of [
      [SHED, "orchard"],
      [TOWER, "orchard"],
      [YARD, "harbour"],
    ])
      store.prepare("INSERT INTO label (kind, id, name, site) VALUES ('gateway', ?, '', ?)").run(eui, site);
    expect(sceneOfGap(store, gap())?.nobody).toEqual([{ fromUs: at(3_900), toUs: at(4_000) }]);
  });

  it("tells no restart where the counter is told only after it", () => {
    const all = traffic().map((one) => {
      const { arrival, decoding } = one;
      if (arrival.atUs >= at(3_900) || decoding?.ok !== true || decoding.datagram.kind !== "push-data")
        return one;
      const packets = decoding.datagram.packets.map((packet) => ({ ...packet, tmstUs: null }));
      return { arrival, decoding: { ...decoding, datagram: { ...decoding.datagram, packets } } };
    });
    const shed = sceneOfGap(stored(all), gap())?.homes.find(({ eui }) => eui === SHED);
    expect(shed?.outages[0]).toEqual({ fromUs: at(3_900), toUs: at(4_000), open: false, restarted: null });
  });

  it("tells no restart where no packet came after it", () => {
    const frames = traffic().filter(
      ({ arrival: { atUs }, decoding }) =>
        atUs < at(3_900) || (decoding?.ok === true && decoding.datagram.kind === "pull-data"),
    );
    const scene = sceneOfGap(stored(frames), gap({ kind: "silence", open: 1, missed: 0, toUs: at(7_180) }));
    const shed = scene?.homes.find(({ eui }) => eui === SHED);
    expect(shed?.outages[0]).toEqual({ fromUs: at(3_900), toUs: at(4_000), open: false, restarted: null });
  });
});

describe("the scene of a silence that goes on", () => {
  it("reaches to the newest datagram, and ends there", () => {
    const frames = traffic().filter(({ arrival }) => arrival.atUs <= at(3_700));
    const scene = sceneOfGap(
      stored(frames),
      gap({ kind: "silence", open: 1, missed: 0, toUs: at(3_700), firstMissed: null, lastMissed: null }),
    );
    expect(scene?.within).toEqual({ fromUs: at(3_547), toUs: at(3_700) });
    expect(scene?.after).toEqual({ fromUs: at(3_700), toUs: at(3_700) });
  });

  it("has the outage that has not ended up to there", () => {
    const frames = traffic().filter(({ arrival }) => arrival.atUs <= at(3_900));
    const later = [...frames, ...[4_000, 4_030, 4_060].map((s) => pull(TOWER, s + 10, s))];
    const scene = sceneOfGap(stored(later), gap({ kind: "silence", open: 1, missed: 0, toUs: at(4_070) }));
    const shed = scene?.homes.find(({ eui }) => eui === SHED);
    expect(shed?.outages).toEqual([{ fromUs: at(3_900), toUs: at(4_070), open: true, restarted: null }]);
  });
});

describe("two devices under one address", () => {
  it("are told with their turns, and the other life", () => {
    // One at :07 but for minutes 60 to 69, the other at :37 from minute 30 on.
    const frames = Array.from({ length: 80 }, (_, minute) => [
      ...(minute < 60 || minute > 69
        ? [push(SHED, minute * 60 + 7, [{ payload: phy(A, minute) }], minute)]
        : []),
      ...(minute >= 30
        ? [
            push(
              SHED,
              minute * 60 + 37,
              [{ payload: phy(A, 5_000 + minute, 0x33), rssiDbm: -70 }],
              900 + minute,
            ),
          ]
        : []),
    ]).flat();
    const scene = sceneOfGap(stored(frames), gap());
    // From 30:37 on: over and back in each of minutes 31 to 59 and 70 to 79.
    expect(scene?.shared).toEqual({
      otherLife: 2,
      alternations: 2 * 29 + 2 * 10,
      fromUs: at(30 * 60 + 37),
      toUs: at(79 * 60 + 7),
    });
    const other = sceneOfGap(
      stored(frames),
      gap({ life: 2, fromUs: at(59 * 60 + 37), toUs: at(70 * 60 + 37) }),
    );
    expect(other?.shared).toMatchObject({ otherLife: 1, alternations: 78 });
    // A third life that begins hours later has no part in it.
    const third = Array.from({ length: 30 }, (_, i) =>
      push(SHED, 18_000 + i * 60, [{ payload: phy(A, 20_000 + i, 0x44), rssiDbm: -40 }], 2_000 + i),
    );
    const later = stored([...frames, ...third]);
    expect(later.prepare("SELECT max(number) FROM life").pluck().get()).toBe(3);
    expect(sceneOfGap(later, gap())?.shared?.otherLife).toBe(2);
    const ofOther = gap({ life: 2, fromUs: at(59 * 60 + 37), toUs: at(70 * 60 + 37) });
    expect(sceneOfGap(later, ofOther)?.shared?.otherLife).toBe(1);
  });
});

describe("a node that restarted", () => {
  const frames = () =>
    Array.from({ length: 120 }, (_, minute) => minute)
      .filter((minute) => minute < 60 || minute > 69)
      .map((minute) =>
        push(SHED, minute * 60 + 7, [{ payload: phy(A, minute < 60 ? 500 + minute : minute - 70) }], minute),
      );
  const next = { number: 2, begunBy: "counter-reset", firstAtUs: at(70 * 60 + 7), firstCounter: 0 };

  it("has a next life, once it has begun", () => {
    const silence = { kind: "silence", missed: 0 } as const;
    expect(sceneOfGap(stored(frames()), gap(silence))?.nextLife).toEqual(next);
    const before = frames().filter(({ arrival }) => arrival.atUs < at(3_700));
    expect(sceneOfGap(stored(before), gap({ ...silence, open: 1, toUs: at(3_547) }))?.nextLife).toBeNull();
  });

  it("has no scene for a life that is not there", () => {
    expect(sceneOfGap(stored(frames()), gap({ life: 3 }))).toBeNull();
  });
});

describe("what a gateway was asked to transmit", () => {
  const frames = (...down: Parameters<Recorder["record"]>[0]) => {
    const all = Array.from({ length: 90 }, (_, minute) => minute)
      .filter((minute) => minute < 60 || minute > 69)
      .map((minute) => push(SHED, minute * 60 + 7, [{ payload: phy(A, minute) }], minute));
    const scene = sceneOfGap(stored([...all, ...down]), gap());
    return scene?.homes[0]?.transmissions;
  };
  const airtimeUs = airtimeOfReception(
    { kind: "lora", spreadingFactor: 10, bandwidthHz: 125_000, codingRate: "4/5" },
    20,
    "none",
  );

  it("is dated by its counter, and lasts as long as its octets take without a CRC", () => {
    // The counter is the time in seconds here: to be sent at 3549, asked for at 3548.
    expect(frames(handOut(3_548, 3_549, new Uint8Array(20), { spreadingFactor: 10 }))).toEqual([
      { gatewayId: 1, fromUs: at(3_549), toUs: at(3_549) + airtimeUs },
    ]);
  });

  it("is dated by its passing where the counter dates it far away, and is none where it was refused", () => {
    expect(frames(handOut(3_548, 100, new Uint8Array(20), { spreadingFactor: 10 }))).toEqual([
      { gatewayId: 1, fromUs: at(3_548), toUs: at(3_548) + airtimeUs },
    ]);
    expect(
      frames(
        handOut(3_548, 3_549, new Uint8Array(20), { token: 5 }),
        txAck(SHED, 3_548.2, 5, { result: "refused", word: "TOO_LATE" }),
      ),
    ).toEqual([]);
  });
});
