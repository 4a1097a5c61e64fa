/** Whole answers about half an hour of a small site, every figure worked out by hand from the traffic below. */
import { describe, expect, it } from "vitest";
import { airtimeOfReception } from "../../src/radio/airtime.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView, channelFigures } from "../../src/views/air.ts";
import { gatewaysOfWindow, gatewaysView, outageSeconds } from "../../src/views/gateways.ts";
import { listNodes, needingALook, nodesView } from "../../src/views/nodes.ts";
import type { Reach } from "../../src/views/reachability.ts";
import { siteEvidence, siteView } from "../../src/views/site.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite, moment, statusAt, windowOf } from "./a-site.ts";

const PROBE = "01000001";
const PUMP = "01000002";
const STRANGER = "26000001";
const LOW = 868_100_000;
const HIGH = 868_300_000;
const WINDOW = windowOf(0, 1_800);

const airtimeS = (spreadingFactor: number, crc: "ok" | "bad" = "ok") =>
  airtimeOfReception(
    { kind: "lora", spreadingFactor, bandwidthHz: 125_000, codingRate: "4/5" },
    phy(PROBE, 1).length,
    crc,
  ) / 1e6;
const [A9, A10, A12] = [9, 10, 12].map((factor) => airtimeS(factor)) as [number, number, number];

/**
 * Listened for half an hour. The shed calls each 10 s; the tower each 20 s, but from 585 s to 905 s. The probe sends each
 * 30 s from 7 s on, on two channels in turn: the shed hears all but the counters 10 and 11, the tower every third, louder.
 * The pump sends each minute from 18 s on at SF10: the tower alone hears it. Two packets of a stranger come at SF12.
 */
function site() {
  const traffic: DecodedArrival[] = [
    ...keepalives(SHED, 0, 1_800, 10),
    ...keepalives(TOWER, 5, 601, 20),
    ...keepalives(TOWER, 905, 1_800, 20),
    statusAt(SHED, 100, { ackPercent: 97.5, temperatureC: 21.5 }),
  ];
  const isTowerOut = (second: number) => second >= 580 && second <= 905;
  for (let n = 0; n < 60; n++) {
    const s = n * 30 + 7;
    const frequencyHz = n % 2 === 1 ? LOW : HIGH;
    const probe = { payload: phy(PROBE, n), frequencyHz };
    if (n !== 10 && n !== 11) traffic.push(push(SHED, s, [{ ...probe, snrDb: 2, rssiDbm: -100 }], n));
    if (n !== 10 && n % 3 === 0 && !isTowerOut(s))
      traffic.push(push(TOWER, s + 0.02, [{ ...probe, snrDb: 7, rssiDbm: -90, tmstUs: (s + 500) * 1e6 }], n));
    if (n % 2 === 0 && !isTowerOut(s)) {
      const pump = { payload: phy(PUMP, n / 2), snrDb: -6, rssiDbm: -110, spreadingFactor: 10 };
      traffic.push(push(TOWER, s + 11, [{ ...pump, tmstUs: (s + 511) * 1e6 }], 100 + n));
    }
    if (n !== 20) continue;
    traffic.push(push(SHED, s + 3, [{ payload: phy(STRANGER, 3), crc: "bad", spreadingFactor: 12 }], 300));
    traffic.push(push(SHED, s + 5, [{ payload: phy(STRANGER, 4), spreadingFactor: 12 }], 301));
  }
  const db = listenedSite(traffic, 1_800);
  writeLabel(db, { kind: "gateway", id: TOWER, name: "Water tower" });
  writeLabel(db, { kind: "node", id: PUMP, name: "Pump" });
  return db;
}

let read: ReturnType<typeof site> | null = null;
/** The same store for all who only read it. */
function sameSite() {
  read ??= site();
  return read;
}

const minutes = <T>(one: (minute: number) => T) => Array.from({ length: 30 }, (_, minute) => one(minute));
const isOut = (minute: number) => minute >= 10 && minute < 15;
/** Counters of the probe that end in a minute, at 7 s and at 37 s. */
const probesIn = (minute: number) => [2 * minute, 2 * minute + 1];

describe("the gateways", () => {
  // Each test asks for itself: what is worked out beside the tests belongs to none of them.
  const ask = () => gatewaysView(sameSite(), WINDOW);

  it("are answered for the window asked, none left out", () => {
    const { gateways, window, moreGateways } = ask();
    expect(window).toEqual({ from: moment(0), to: moment(1_800), live: false });
    expect([gateways.map(({ eui }) => eui), moreGateways]).toEqual([[SHED, TOWER], 0]);
    expect([...gatewaysOfWindow(sameSite(), WINDOW)].map(({ eui, datagrams }) => [eui, datagrams])).toEqual([
      [SHED, 241],
      [TOWER, 117],
    ]);
  });

  it("have a whole row: the shed", () => {
    const { gateways } = ask();
    const { heartbeat: _heartbeat, ...row } = gateways[0] ?? {};
    expect(row).toEqual({
      eui: SHED,
      name: null,
      // 180 keepalives, 58 packets of the probe, two of the stranger, a report.
      datagrams: 241,
      receptions: 60,
      crcBad: 1,
      crcNone: 0,
      rejected: {},
      odd: {},
      keepaliveSeconds: 10,
      firstHeard: moment(0),
      lastHeard: moment(1_790),
      protocolVersions: [2],
      region: {
        name: "EU868",
        confidence: expect.closeTo(0.999, 3),
        subBand: null,
        alternatives: [],
        contradictions: [expect.stringContaining("868.5")],
        reason: "EU863-870, from 59 receptions.",
      },
      clockDriftPpm: 0,
      clockDriftInterval95: [0, 0],
      restarts: 0,
      restartTimes: [],
      outages: [],
      outagesKnown: true,
      notRecorded: [],
      events: [],
      pullSource: "192.0.2.7 40123",
      ackPercent: 97.5,
      temperatureC: 21.5,
      standing: "good",
      clause: "reachable throughout, keepalive every 10\u202Fs",
      downlinks: null,
    });
  });

  it("have a whole row: the tower, which was out, with what no report said left open", () => {
    const { gateways } = ask();
    expect(gateways[1]).toMatchObject({
      name: "Water tower",
      // 30 and 45 keepalives, 17 packets of the probe and 25 of the pump.
      datagrams: 30 + 45 + 17 + 25,
      receptions: 42,
      keepaliveSeconds: 20,
      firstHeard: moment(5),
      lastHeard: moment(1_785),
      outages: [{ from: moment(585), to: moment(905) }],
      ackPercent: null,
      temperatureC: null,
      standing: "look",
      clause: "was unreachable once, 5\u202Fmin 20\u202Fs",
    });
  });

  it("have a heartbeat minute by minute", () => {
    const { gateways } = ask();
    const probes = (minute: number) =>
      isOut(minute) ? 0 : probesIn(minute).filter((n) => n % 3 === 0 && n !== 10).length;
    const pumps = (minute: number) => (isOut(minute) ? 0 : 1);
    const keepalive = (minute: number) => (isOut(minute) ? 0 : 3);
    expect(gateways[1]?.heartbeat).toEqual({
      cellSeconds: 60,
      from: moment(0),
      keepalivesExpected: 3,
      datagrams: minutes((minute) => keepalive(minute) + probes(minute) + pumps(minute)),
      keepalives: minutes(keepalive),
      statusReports: minutes(() => 0),
      receptions: minutes((minute) => probes(minute) + pumps(minute)),
      crcBad: minutes(() => 0),
    });
    expect(gateways[0]?.heartbeat).toMatchObject({
      keepalivesExpected: 6,
      statusReports: minutes((minute) => (minute === 1 ? 1 : 0)),
      crcBad: minutes((minute) => (minute === 10 ? 1 : 0)),
    });
  });

  it("have a heartbeat from the window's own minute, in cells of hours from a full hour", () => {
    const db = listenedSite(keepalives(SHED, 0, 5_400, 60), 5_400);
    const heartbeat = (fromS: number, toS: number) =>
      gatewaysView(db, windowOf(fromS, toS)).gateways[0]?.heartbeat;
    expect(heartbeat(1_830, 5_430)).toMatchObject({
      cellSeconds: 60,
      from: moment(1_800),
      keepalives: Array.from({ length: 61 }, (_, cell) => (cell < 60 ? 1 : 0)),
    });
    // Forty days in 480 cells: two hours each. From half past nine on, in cells from nine on.
    const days = heartbeat(1_800, 1_800 + 40 * 86_400);
    expect(days).toMatchObject({ cellSeconds: 7_200, from: moment(0) });
    expect(days?.keepalives).toHaveLength(481);
  });

  it("have no figure that their newest report does not give", () => {
    const traffic = [
      ...keepalives(SHED, 0, 100, 10),
      statusAt(SHED, 50),
      push(SHED, 60, [{ payload: phy(PROBE, 1) }]),
    ];
    expect(gatewaysView(listenedSite(traffic, 100), windowOf(0, 100)).gateways[0]).toMatchObject({
      ackPercent: null,
      temperatureC: null,
    });
  });

  it("were out for the seconds that lie in the window", () => {
    const reach = {
      outages: [
        [-100, 50],
        [200, 260],
        [500, 900],
      ].map(([from = 0, to = 0]) => windowOf(from, to)),
    };
    expect(outageSeconds(reach as unknown as Reach, windowOf(0, 600))).toBe(50 + 60 + 100);
    expect(outageSeconds(reach as unknown as Reach, windowOf(60, 190))).toBe(0);
  });
});

describe("the nodes", () => {
  const ask = () => nodesView(sameSite(), WINDOW);
  const row = (devAddr: string) => ask().nodes.find((one) => one.devAddr === devAddr);
  const noTrend = {
    slopePerDay: null,
    change: null,
    p: null,
    significant: false,
    words: expect.stringMatching(/^Not enough to say/),
  };

  it("are listed by address, with the sentence, the home network and none left out", () => {
    const view = ask();
    expect(view.nodes.map(({ devAddr }) => devAddr)).toEqual([PROBE, PUMP, STRANGER]);
    expect(view).toMatchObject({ homeNetworks: ["private"], homeAssumed: true, moreNodes: 0 });
    expect(
      view.sentence
        .map(({ text }) => text)
        .join("")
        .replaceAll("\u202F", " "),
    ).toBe(
      "2 nodes and 1 stranger were heard in this window of 30 min; Pump lost most, 17 % on the air (5 of 30).",
    );
  });

  it("have a whole row: the probe, heard by both", () => {
    expect(row(PROBE)).toEqual({
      devAddr: PROBE,
      life: 1,
      name: null,
      network: "private",
      stranger: false,
      heard: 58,
      expected: 60,
      missed: 2,
      missedDuringOutage: 0,
      missedNotRecorded: 0,
      deliveryRatio: 58 / 60,
      // Wilson 1927 for 58 of 60.
      deliveryInterval95: [expect.closeTo(0.8864, 4), expect.closeTo(0.9908, 4)],
      frames: 58,
      // At the tower 20 in three, less those of 600 to 900 s.
      receptions: 58 + 17,
      repeats: 0,
      // 17 of 58 as the tower heard them, -90 dBm at 7 dB; the others -100 dBm at 2 dB. SF9 reads down to -12.5 dB.
      rssiDbm: { median: -100, p10: -100, p90: -90, count: 58 },
      snrDb: { median: 2, p10: 2, p90: 7, count: 58 },
      marginDb: { median: 14.5, p10: 14.5, p90: 19.5, count: 58 },
      snrTrend: noTrend,
      fall: null,
      rhythmSeconds: 30,
      airtimeSeconds: expect.closeTo(58 * A9, 9),
      dataRates: [{ name: "SF9BW125", frames: 58 }],
      gateways: [SHED, TOWER],
      firstHeard: moment(7),
      lastHeard: moment(1_777),
      overdue: false,
      standing: "good",
      clause: "delivered 97\u202F% of 60",
      strip: {
        binSeconds: 30,
        heard: Array.from({ length: 60 }, (_, n) => (n === 10 || n === 11 ? 0 : 1)),
        missed: Array.from({ length: 60 }, (_, n) => (n === 10 || n === 11 ? 1 : 0)),
        missedDuringOutage: Array(60).fill(0),
        missedNotRecorded: Array(60).fill(0),
      },
      why: null,
    });
  });

  it("have a whole row: the pump, of which five counters are missing while its gateway was out", () => {
    expect(row(PUMP)).toMatchObject({
      name: "Pump",
      heard: 25,
      expected: 30,
      missed: 5,
      // The shed was reachable meanwhile.
      missedDuringOutage: 0,
      deliveryRatio: 25 / 30,
      frames: 25,
      receptions: 25,
      rssiDbm: { median: -110, p10: -110, p90: -110, count: 25 },
      // SF10 reads down to -15 dB.
      marginDb: { median: 9, p10: 9, p90: 9, count: 25 },
      rhythmSeconds: 60,
      airtimeSeconds: expect.closeTo(25 * A10, 9),
      dataRates: [{ name: "SF10BW125", frames: 25 }],
      gateways: [TOWER],
      firstHeard: moment(18),
      lastHeard: moment(1_758),
      standing: "look",
      clause: "lost 17\u202F% on the air (5 of 30)",
    });
    expect(row(PUMP)?.strip.missed).toEqual(
      Array.from({ length: 60 }, (_, bin) => (bin >= 20 && bin < 30 && bin % 2 === 0 ? 1 : 0)),
    );
  });

  it("have a whole row: a stranger of one counter, whose broken packet is nobody's", () => {
    expect(row(STRANGER)).toMatchObject({
      network: "NetID 000013",
      stranger: true,
      heard: 1,
      expected: 1,
      deliveryRatio: null,
      deliveryInterval95: null,
      rhythmSeconds: null,
      airtimeSeconds: expect.closeTo(A12, 9),
      standing: "waiting",
      clause: "too early to say: 1 of 10 counters",
    });
  });

  it("of a crowd are those that a person named, then one's own, then those heard most", () => {
    const listed = (most: number) => {
      const { nodes, more, ownHeard, strangersHeard, framesOf } = listNodes(sameSite(), WINDOW, most);
      return [nodes.map(({ devAddr }) => devAddr), more, ownHeard, strangersHeard, framesOf.size];
    };
    expect(listed(3)).toEqual([[PROBE, PUMP, STRANGER], 0, 2, 1, 3]);
    expect(listed(2)).toEqual([[PROBE, PUMP], 1, 2, 1, 2]);
    expect(listed(1)).toEqual([[PUMP], 2, 2, 1, 1]);
    const db = site();
    writeLabel(db, { kind: "node", id: STRANGER, name: "Neighbour's meter" });
    expect(listNodes(db, WINDOW, 2).nodes.map(({ devAddr }) => devAddr)).toEqual([PUMP, STRANGER]);
  });

  it("of a crowd come by frames, then by address, where nothing else tells them apart", () => {
    const frames = (devAddr: string, count: number, fromS: number) =>
      Array.from({ length: count }, (_, n) => push(SHED, fromS + 10 * n, [{ payload: phy(devAddr, n) }], n));
    const db = listenedSite(
      [
        ...frames("01000009", 3, 1),
        ...frames("01000005", 3, 2),
        ...frames("01000007", 4, 3),
        ...frames("01000001", 2, 4),
      ],
      100,
    );
    const listed = (most: number) =>
      listNodes(db, windowOf(0, 100), most).nodes.map(({ devAddr }) => devAddr);
    expect([1, 2, 3].map(listed)).toEqual([
      ["01000007"],
      ["01000005", "01000007"],
      ["01000005", "01000007", "01000009"],
    ]);
    // Of the window alone: nothing was heard in it, and what lies at its end is not.
    expect(listNodes(db, windowOf(50, 100)).nodes).toEqual([]);
    expect(listNodes(db, windowOf(31, 34), 2).nodes.map(({ devAddr }) => devAddr)).toEqual(["01000007"]);
  });

  it("of a crowd are one's own before a stranger that was heard more", () => {
    const frames = (devAddr: string, count: number, fromS: number) =>
      Array.from({ length: count }, (_, n) => push(SHED, fromS + 10 * n, [{ payload: phy(devAddr, n) }], n));
    const db = listenedSite([...frames(STRANGER, 9, 1), ...frames(PROBE, 2, 2)], 100);
    const { nodes, more } = listNodes(db, windowOf(0, 100), 1);
    expect([nodes.map(({ devAddr }) => devAddr), more]).toEqual([[PROBE], 1]);
  });

  it("need a look by what was lost on the air, which an outage or a pause is not", () => {
    const pump = row(PUMP);
    const like = (devAddr: string, more: object) =>
      ({ ...pump, devAddr, ...more }) as NonNullable<ReturnType<typeof row>>;
    const order = (...nodes: ReturnType<typeof like>[]) =>
      needingALook(nodes, 9).map(({ devAddr }) => devAddr);
    const lost = { expected: 100, missed: 20, missedDuringOutage: 0, missedNotRecorded: 0 };
    expect(
      order(
        like("A", { ...lost, missedDuringOutage: 15 }),
        like("B", { ...lost, missedNotRecorded: 12 }),
        like("C", { ...lost, missed: 10 }),
        like("D", { ...lost, standing: "bad", missed: 1 }),
        like("E", { ...lost, standing: "good" }),
        like("F", { ...lost, stranger: true }),
        like("G", { ...lost, expected: 0, missed: 0 }),
        like("H", { ...lost, expected: 0, missed: 0 }),
        like("I", { ...lost, standing: "waiting" }),
        // Of nothing expected nothing was lost, whatever its address.
        like("0", { ...lost, expected: 0, missed: 0 }),
        // 28 of 400 are 7 %: less than the 8 % of B.
        like("J", { ...lost, expected: 400, missed: 28 }),
      ),
    ).toEqual(["D", "C", "B", "J", "A", "0", "G", "H"]);
  });
});

describe("the air", () => {
  const ask = () => airView(sameSite(), WINDOW);
  const noTrend = {
    verdict: "not enough",
    words: expect.stringMatching(/^Not enough to say: 0 of 6/),
    slopeDbPerHour: null,
    slopeInterval95: null,
    changeDb: null,
    loudestDb: null,
    p: null,
    values: 0,
    loud: null,
  };

  it("is known from all of the window's packets", () => {
    const view = ask();
    expect(view.detail).toEqual({ from: moment(0), to: moment(1_800), whole: true, packets: 60 + 42 });
    expect(
      view.sentence
        .map(({ text }) => text)
        .join("")
        .replaceAll("\u202F", " "),
    ).toBe(
      "The busiest channel, 868.3 MHz at Water tower, was busy 0.54 % of the time; strangers made 6.9 % of the airtime of all nodes heard.",
    );
    expect(view.caution).toMatch(/not a statement of conformity/);
  });

  it("has a whole row of each channel at each gateway", () => {
    const view = ask();
    expect(
      view.channels.map(({ gatewayEui, frequencyHz, receptions }) => [gatewayEui, frequencyHz, receptions]),
    ).toEqual([
      [SHED, LOW, 29],
      [SHED, HIGH, 31],
      [TOWER, LOW, 8],
      [TOWER, HIGH, 34],
    ]);
    const busyS = 29 * A9 + A12 + airtimeS(12, "bad");
    expect(view.channels[1]).toEqual({
      gatewayEui: SHED,
      gatewayName: null,
      frequencyHz: HIGH,
      receptions: 31,
      airtimeSeconds: expect.closeTo(busyS, 9),
      busySeconds: expect.closeTo(busyS, 9),
      offeredLoad: expect.closeTo(busyS / 1_800, 9),
      utilisation: expect.closeTo(busyS / 1_800, 9),
      crcBad: 1,
      crcBadRatio: 1 / 31,
      // 29 frames at -100 dBm and 2 dB: 10 log10(1 + 10^0.2) = 4.12 dB of it are above the noise.
      noiseFloorDbm: -104.1,
      noiseSamples: 29,
      noiseTrust: "rough",
      noiseTrend: noTrend,
      ownAirtimeSeconds: expect.closeTo(29 * A9, 9),
      strangerAirtimeSeconds: expect.closeTo(A12, 9),
      strangerReceptions: 1,
      collisions: expect.objectContaining({ aloha: expect.any(Number) }),
    });
    // At -6 dB and -110 dBm it is 0.97 dB.
    expect(view.channels[3]).toMatchObject({ noiseFloorDbm: -111, noiseSamples: 25, noiseTrust: "good" });
    expect(view.channels[2]).toMatchObject({ noiseFloorDbm: null, noiseSamples: 0, crcBadRatio: 0 });
  });

  it("counts a channel's time that was recorded, busy at most all of it, and shares of nothing as unknown", () => {
    const sum = { gatewayId: 1, frequencyHz: LOW, receptions: 4, airtimeUs: 30e6, busyUs: 20e6, crcBad: 1 };
    const figures = (more: object, recorded: readonly ReturnType<typeof windowOf>[]) =>
      channelFigures({ ...sum, ...more } as Parameters<typeof channelFigures>[0], windowOf(0, 100), recorded);
    expect(figures({}, [])).toEqual({
      frequencyHz: LOW,
      receptions: 4,
      airtimeSeconds: 30,
      busySeconds: 20,
      offeredLoad: 0.3,
      utilisation: 0.2,
      crcBad: 1,
      crcBadRatio: 0.25,
    });
    expect(figures({}, [windowOf(0, 10), windowOf(50, 60)])).toMatchObject({
      offeredLoad: 1.5,
      utilisation: 1,
    });
    expect(figures({ receptions: 0, crcBad: 0 }, []).crcBadRatio).toBeNull();
  });

  it("has a map of each gateway, a cell a minute", () => {
    const view = ask();
    const [map] = view.maps;
    expect(map).toMatchObject({
      gatewayEui: SHED,
      gatewayName: null,
      from: moment(0),
      cellSeconds: 60,
      lastCellSeconds: 60,
      frequenciesHz: [LOW, HIGH],
      notRecorded: [],
    });
    const share = (seconds: number) => expect.closeTo(seconds / 60, 4);
    // The probe's even counters come on the higher channel; both of minute five are missing.
    const probe = (minute: number) => (minute === 5 ? 0 : A9);
    const strange = (minute: number) => (minute === 10 ? A12 + airtimeS(12, "bad") : 0);
    expect(map?.utilisation).toEqual([
      minutes((m) => share(probe(m))),
      minutes((m) => share(probe(m) + strange(m))),
    ]);
    expect(map?.ownLoad).toEqual([minutes((m) => share(probe(m))), minutes((m) => share(probe(m)))]);
    expect(map?.strangerLoad).toEqual([minutes(() => share(0)), minutes((m) => share(m === 10 ? A12 : 0))]);
    expect(map?.crcBadRatio).toEqual([
      minutes((m) => (m === 5 ? null : 0)),
      minutes((m) => (m === 5 ? null : m === 10 ? 0.333 : 0)),
    ]);
  });

  it("is shared out among data rates, networks and nodes", () => {
    const view = ask();
    expect(view.dataRates).toEqual([
      { name: "SF9BW125", receptions: 75, frames: 58, airtimeSeconds: expect.closeTo(75 * A9, 9) },
      { name: "SF10BW125", receptions: 25, frames: 25, airtimeSeconds: expect.closeTo(25 * A10, 9) },
      {
        name: "SF12BW125",
        receptions: 2,
        frames: 1,
        airtimeSeconds: expect.closeTo(A12 + airtimeS(12, "bad"), 9),
      },
    ]);
    expect(
      view.networks.map(({ network, stranger, nodes, receptions, frames }) => [
        network,
        stranger,
        nodes,
        receptions,
        frames,
      ]),
    ).toEqual([
      ["private", false, 2, 100, 83],
      ["NetID 000013", true, 1, 1, 1],
      [null, null, 0, 1, 0],
    ]);
    const totalS = 58 * A9 + 25 * A10 + A12;
    const talker = (devAddr: string, name: string | null, frames: number, spentS: number) => ({
      devAddr,
      name,
      network: devAddr === STRANGER ? "NetID 000013" : "private",
      stranger: devAddr === STRANGER,
      frames,
      airtimeSeconds: expect.closeTo(spentS, 9),
      share: expect.closeTo(spentS / totalS, 9),
      busiestHourDuty: expect.closeTo(spentS / 3_600, 9),
    });
    expect(view.talkers).toEqual([
      talker(PROBE, null, 58, 58 * A9),
      talker(PUMP, "Pump", 25, 25 * A10),
      talker(STRANGER, null, 1, A12),
    ]);
  });

  it("holds each node's airtime against the region's limits", () => {
    const view = ask();
    expect(view.airtime.map(({ devAddr }) => devAddr)).toEqual([PROBE, PUMP, STRANGER]);
    expect(view.airtime[0]).toMatchObject({
      region: "EU868",
      subBand: "M",
      fromHz: 868_000_000,
      toHz: 868_600_000,
      limit: 0.01,
      frames: 58,
      airtimeSeconds: expect.closeTo(58 * A9, 9),
      atLeast: expect.closeTo((58 * A9) / 3_600, 9),
      // As much again as was lost: 58 of 60 were heard.
      estimate: expect.closeTo((60 * A9) / 3_600, 6),
      deliveryRatio: 58 / 60,
      fullestHourTo: moment(1_777),
      standing: "waiting",
    });
    expect(view.airtime[2]).toMatchObject({ estimate: null, deliveryRatio: null });
  });

  it("is told of each gateway", () => {
    const view = ask();
    expect(
      view.gateways.map(({ gatewayEui, gatewayName, region }) => [gatewayEui, gatewayName, region]),
    ).toEqual([
      [SHED, null, "EU868"],
      [TOWER, "Water tower", "EU868"],
    ]);
    expect(view.gateways[0]?.deaf).toMatchObject({ visible: false, reportedSent: 0 });
    expect(view.gateways[1]?.deaf).toMatchObject({ visible: false, reportedSent: null });
    expect(view.gateways[1]?.networks).toEqual([
      {
        network: "private",
        stranger: false,
        nodes: 2,
        receptions: 42,
        frames: 42,
        airtimeSeconds: expect.closeTo(17 * A9 + 25 * A10, 9),
      },
    ]);
    expect(view.moreGateways).toBe(0);
  });
});

describe("the site", () => {
  const plain = (text: string) => text.replaceAll("\u202F", " ");

  it("has its whole summary", () => {
    const { gateways: _gateways, score: _score, attention, ...view } = siteView(sameSite(), WINDOW);
    expect(attention.map(({ devAddr }) => devAddr)).toEqual([PUMP]);
    expect({
      ...view,
      sentence: plain(view.sentence.map(({ text }) => text).join("")),
      sentences: view.sentences.map(plain),
    }).toEqual({
      window: { from: moment(0), to: moment(1_800), live: false },
      siteName: "This site",
      empty: false,
      sentence:
        "1 of 2 nodes lost more than 5 % on the air in this window of 30 min; Water tower was unreachable for 5 min 20 s.",
      sentences: [
        "1 of 2 nodes lost more than 5 % on the air in this window of 30 min; Water tower was unreachable for 5 min 20 s.",
        expect.stringMatching(/^Gateway 02005E1000000001: The default channel 868\.5 MHz/),
      ],
      standing: [expect.objectContaining({ kind: "wrong-plan", gateway: SHED, figure: 1 })],
      events: [],
      eventsCut: false,
      toDo: [expect.stringContaining("Compare the channels with the plan")],
      recorded: [{ from: moment(0), to: moment(1_800) }],
      moreGateways: 0,
      findings: [],
      nodeCount: 2,
      strangerCount: 1,
      air: [
        {
          gatewayEui: SHED,
          gatewayName: null,
          words: expect.stringMatching(
            /^2 channels heard, busiest 868\.3.MHz at 0\.41.%, 1\.7.% with a wrong CRC$/u,
          ),
          busiestFrequencyHz: HIGH,
          busiestUtilisation: expect.closeTo((29 * A9 + A12 + airtimeS(12, "bad")) / 1_800, 9),
        },
        {
          gatewayEui: TOWER,
          gatewayName: "Water tower",
          words: expect.stringMatching(/^2 channels heard, busiest 868\.3.MHz at 0\.54.%$/u),
          busiestFrequencyHz: HIGH,
          busiestUtilisation: expect.closeTo((9 * A9 + 25 * A10) / 1_800, 9),
        },
      ],
    });
  });

  it("rests on what each node, channel and gateway of one's own did", () => {
    const db = sameSite();
    const { gateways } = gatewaysView(db, WINDOW);
    const own = nodesView(db, WINDOW).nodes.filter(({ stranger }) => !stranger);
    const [first] = own;
    if (first === undefined) throw new Error("two nodes");
    const event = (kind: string) => ({
      kind,
      from: moment(10),
      to: moment(20),
      open: false,
      word: "likely",
      nodes: 3,
      sentence: "S.",
      advice: "A.",
    });
    const withEvents = gateways.map((gateway, i) => ({
      ...gateway,
      events: (i === 0 ? ["gateway-deaf", "gateway-strengthened", "late-acknowledgements"] : []).map(event),
    })) as unknown as typeof gateways;
    const lossy = {
      ...first,
      missed: 9,
      missedDuringOutage: 4,
      missedNotRecorded: 2,
      dataRates: [
        { name: "SF9BW125", frames: 5 },
        { name: "SF12BW125", frames: 6 },
      ],
    };
    const other = {
      ...first,
      devAddr: "01000003",
      name: "Fence",
      dataRates: [{ name: "50 kb/s", frames: 5 }],
    };
    const evidence = siteEvidence(db, WINDOW, [windowOf(0, 600), windowOf(900, 1_800)], {
      sentence: [{ text: "Two " }, { text: "words." }],
      gateways: withEvents,
      own: [...own, lossy, other],
    });
    const standing = (
      devAddr: string,
      title: string,
      expected: number,
      missed: number,
      marginMedianDb: number,
      spreadingFactor: number | null,
    ) => ({
      devAddr,
      life: 1,
      title,
      expected,
      missed,
      marginMedianDb,
      spreadingFactor,
    });
    expect(evidence.nodes).toEqual([
      standing(PROBE, PROBE, 60, 2, 14.5, 9),
      standing(PUMP, "Pump", 30, 5, 9, 10),
      // Four of its nine were missed in an outage, two while nothing was recorded; most of its frames came at SF12.
      standing(PROBE, PROBE, 54, 3, 14.5, 12),
      standing("01000003", "Fence", 60, 2, 14.5, null),
    ]);
    const channel = (
      gatewayEui: string,
      gatewayTitle: string,
      frequencyHz: number,
      frames: number,
      due: number,
    ) => ({
      gatewayEui,
      gatewayTitle,
      frequencyHz,
      frames,
      due,
    });
    // Of what each gateway heard of a node an even share is due on each channel that the node used.
    expect(
      evidence.channels
        .map(({ noiseDbm: _noise, ...rest }) => rest)
        .sort((a, b) => a.gatewayEui.localeCompare(b.gatewayEui) || a.frequencyHz - b.frequencyHz),
    ).toEqual([
      channel(SHED, `Gateway ${SHED}`, LOW, 29, 29),
      channel(SHED, `Gateway ${SHED}`, HIGH, 29, 29),
      channel(TOWER, "Water tower", LOW, 8, 17 / 2),
      channel(TOWER, "Water tower", HIGH, 9 + 25, 17 / 2 + 25),
    ]);
    // The pump's 25 frames alone lie below 0 dB of SNR: 0.97 dB of their -110 dBm are above the noise.
    const noise = evidence.channels.filter(({ noiseDbm }) => noiseDbm.length > 0);
    expect(
      noise.map(({ gatewayEui, frequencyHz, noiseDbm }) => [gatewayEui, frequencyHz, noiseDbm.length]),
    ).toEqual([[TOWER, HIGH, 25]]);
    expect(noise[0]?.noiseDbm[24]).toBeCloseTo(-110 - 10 * Math.log10(1 + 10 ** -0.6), 9);
    expect(evidence.gateways).toEqual([
      {
        gatewayEui: SHED,
        title: `Gateway ${SHED}`,
        heard: 58,
        contradictions: [expect.stringContaining("868.5")],
      },
      { gatewayEui: TOWER, title: "Water tower", heard: 42, contradictions: [] },
    ]);
    expect(evidence.gatewayEvents).toEqual([
      {
        gatewayEui: SHED,
        cause: "gateway-deaf",
        from: moment(10),
        to: moment(20),
        open: false,
        word: "likely",
        nodes: 3,
        sentence: "S.",
        advice: "A.",
      },
    ]);
    expect([evidence.recordedShare, evidence.opening]).toEqual([1_500 / 1_800, "Two words."]);
    expect(siteEvidence(db, WINDOW, [windowOf(-600, 1_800)], { sentence: [], gateways, own })).toMatchObject({
      recordedShare: 1,
    });
  });

  it("rests on judged gaps of one's own nodes", () => {
    const db = site();
    const finding = JSON.stringify({
      sentence: "S.",
      evidence: [],
      against: [],
      alternatives: [],
      recordNext: [],
    });
    const gap = (devAddr: string, judged: string | null) =>
      db
        .prepare(
          `INSERT INTO gap (id, dev_addr, life, tag, kind, open, from_us, to_us, missed, heard, context_from_us, context_to_us, finding)
           VALUES (?, ?, 1, 'run', 'counters', 0, ?, ?, 2, 0, 0, 0, ?)`,
        )
        .run(
          `${devAddr}-${judged === null}`,
          Number.parseInt(devAddr, 16),
          WINDOW.fromUs + 1,
          WINDOW.fromUs + 2,
          judged,
        );
    for (const devAddr of [PROBE, STRANGER]) for (const judged of [null, finding]) gap(devAddr, judged);
    const { gaps } = siteEvidence(db, WINDOW, [], { sentence: [], gateways: [], own: [] });
    expect(gaps.map(({ id }) => id)).toEqual([`${PROBE}-false`]);
  });

  it("lists the newest five hundred recorded ranges", () => {
    const db = site();
    db.exec("DELETE FROM recorded_range");
    const insert = db.prepare(
      "INSERT INTO recorded_range (source, from_us, to_us, datagrams, begun_by) VALUES ('service', ?, ?, 1, 'start')",
    );
    for (let i = 0; i < 501; i++) insert.run(WINDOW.fromUs + 2e6 * i, WINDOW.fromUs + 2e6 * i + 1e6);
    const { recorded } = siteView(db, WINDOW);
    expect([recorded.length, recorded[0], recorded[499]?.from]).toEqual([
      500,
      { from: moment(2), to: moment(3) },
      moment(1_000),
    ]);
  });
});
