import { describe, expect, it } from "vitest";
import { AirView } from "../../src/contract/index.ts";
import { readOwnPlans } from "../../src/radio/regions/own-plans.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import { airEvidence } from "../../src/views/air-evidence.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { encodePullResponse, encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import {
  arrivalOf,
  decoded,
  type HeardOptions,
  phy,
  pull,
  push,
  SHED,
  START_US,
  TOWER,
} from "../store/traffic.ts";
import { moment, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
const FOREIGN = "26000001";
const LOW = 868_100_000;
const HIGH = 868_500_000;
/** 17 octets at SF9 and SF12 in 125 kHz; LoRa modem formula. */
const SF9_S = 0.164864;
const SF12_S = 1.318912;

function ask(store: Store, window: AskedWindow) {
  const view = airView(store, window);
  expect(AirView.parse(view)).toEqual(view);
  return view;
}

function hear(eui: string, atS: number, options: HeardOptions) {
  return push(eui, atS, [options]);
}

describe("own nodes beside strangers", () => {
  const db = siteOf([
    hear(SHED, 30, { payload: phy(PROBE, 0), frequencyHz: LOW }),
    hear(TOWER, 30.01, { payload: phy(PROBE, 0), frequencyHz: LOW, tmstUs: 5 }),
    hear(SHED, 90, { payload: phy(FOREIGN, 0), frequencyHz: LOW }),
    hear(SHED, 95, { payload: phy(FOREIGN, 1), frequencyHz: LOW }),
    hear(SHED, 100, { payload: phy(PROBE, 1), frequencyHz: LOW, crc: "bad" }),
  ]);
  const view = ask(db, windowOf(0, 180));

  it("are told apart in each cell, and what names no node is neither's", () => {
    const [shed] = view.maps;
    expect(shed?.ownLoad[0]?.map((load) => (load ?? 0) * 60)).toEqual([expect.closeTo(SF9_S, 3), 0, 0]);
    expect(shed?.strangerLoad[0]?.map((load) => (load ?? 0) * 60)).toEqual([
      0,
      expect.closeTo(2 * SF9_S, 3),
      0,
    ]);
    expect(shed?.offeredLoad[0]?.map((load) => load * 60)).toEqual([
      expect.closeTo(SF9_S, 3),
      expect.closeTo(3 * SF9_S, 3),
      0,
    ]);
  });

  it("are listed by network: packets at each gateway, frames once over the site", () => {
    const rows = view.networks.map(({ network, stranger, nodes, receptions, frames }) => [
      network,
      stranger,
      nodes,
      receptions,
      frames,
    ]);
    expect(rows).toEqual([
      ["private", false, 1, 2, 1],
      ["NetID 000013", true, 1, 2, 2],
      [null, null, 0, 1, 0],
    ]);
    const tower = view.gateways.find(({ gatewayEui }) => gatewayEui === TOWER);
    expect(tower?.networks.map(({ network, frames }) => [network, frames])).toEqual([["private", 1]]);
  });

  it("follow a person's word within one network", () => {
    writeLabel(db, { kind: "node", id: PROBE, own: false });
    writeLabel(db, { kind: "node", id: "01A2B3C5", own: true });
    const named = ask(db, windowOf(0, 180));
    expect(named.networks.map(({ stranger }) => stranger)).toEqual([true, true, null]);
    expect(named.maps[0]?.ownLoad[0]).toEqual([0, 0, 0]);
  });
});

it("packets that two antennas heard count once, in every table", () => {
  const signal = (antenna: number) => ({
    antenna,
    ifChannel: 1,
    rssiDbm: -100,
    signalRssiDbm: null,
    snrDb: 2,
    frequencyOffsetHz: null,
  });
  const view = ask(
    siteOf([hear(SHED, 10, { payload: phy(PROBE, 0), signals: [signal(0), signal(1)] })]),
    windowOf(0, 60),
  );
  expect(view.channels).toMatchObject([{ receptions: 1, strangerReceptions: 0 }]);
  expect(view.channels[0]?.airtimeSeconds).toBeCloseTo(SF9_S, 6);
  expect(view.dataRates).toEqual([
    { name: "SF9BW125", receptions: 1, frames: 1, airtimeSeconds: expect.closeTo(SF9_S, 6) },
  ]);
  expect(view.networks).toMatchObject([{ receptions: 1, frames: 1 }]);
});

describe("the newest cell of a moving window", () => {
  const db = siteOf([
    hear(SHED, 30, { payload: phy(PROBE, 0), spreadingFactor: 12 }),
    hear(SHED, 65, { payload: phy(PROBE, 1), spreadingFactor: 12 }),
  ]);

  it("is divided by the time that it has lasted", () => {
    const [map] = ask(db, windowOf(0, 70, true)).maps;
    expect(map?.lastCellSeconds).toBe(10);
    expect(map?.utilisation[0]?.[0]).toBeCloseTo(SF12_S / 60, 4);
    expect(map?.utilisation[0]?.[1]).toBeCloseTo(SF12_S / 10, 4);
    expect(map?.ownLoad[0]?.[1]).toBeCloseTo(SF12_S / 10, 4);
  });

  it("of a window that ends amid what is stored is a whole cell, its minute summed whole", () => {
    const longer = siteOf([hear(SHED, 65, { payload: phy(PROBE, 1), spreadingFactor: 12 }), pull(SHED, 200)]);
    const [map] = ask(longer, windowOf(0, 70)).maps;
    expect(map?.lastCellSeconds).toBe(60);
    expect(map?.utilisation[0]?.[1]).toBeCloseTo(SF12_S / 60, 4);
  });

  it("stands still while the window moves on within a wide cell", () => {
    const later = [0, 60, 120].map((shiftS) => ask(db, windowOf(shiftS, 6 * 3600 + shiftS, true)).maps[0]);
    expect(new Set(later.map((map) => map?.from)).size).toBe(1);
  });
});

describe("a window that holds more than is looked at one by one", () => {
  it("rests on its newest packets and says since when", () => {
    const traffic = Array.from({ length: 30 }, (_, n) => hear(SHED, 10 * n, { payload: phy(PROBE, n) }));
    const db = siteOf(traffic);
    const evidence = airEvidence(db, windowOf(0, 300), () => false, 10);
    expect(evidence).toMatchObject({ whole: false, packets: 10 });
    expect(evidence.stretch.fromUs).toBeGreaterThan(START_US + 190e6);
    expect(evidence.stretch.fromUs).toBeLessThanOrEqual(START_US + 200e6);
    expect(airEvidence(db, windowOf(0, 300), () => false, 30)).toMatchObject({ whole: true, packets: 30 });
    expect(ask(db, windowOf(0, 300)).detail).toEqual({
      from: moment(0),
      to: moment(300),
      whole: true,
      packets: 30,
    });
  });
});

describe("the gateway's own transmissions", () => {
  const downlinkAt = (atS: number, token: number): DownlinkArrival => {
    const bytes = encodePullResponse({
      version: 2,
      token,
      transmission: {
        moment: { kind: "counter", tmstUs: atS * 1e6 },
        frequencyHz: 869_525_000,
        rfChain: 0,
        powerDbm: 14,
        modulation: { kind: "lora", spreadingFactor: 9, bandwidthHz: 125_000, codingRate: "4/5" },
        frequencyDeviationHz: null,
        invertedPolarity: true,
        preamble: null,
        payload: phy(PROBE, token),
        withoutCrc: true,
        implicitHeader: false,
      },
    });
    const up = arrivalOf(bytes, START_US + atS * 1e6);
    return { arrival: { ...up, from: up.to, to: up.from }, downlink: decodeDownstream(bytes) };
  };
  const ack = (atS: number, token: number, word: string | null): DecodedArrival =>
    decoded(
      arrivalOf(
        encodeTxAck({
          version: 2,
          token,
          gatewayEui: SHED,
          outcome: { result: word === null ? "accepted" : "refused", word, powerDbm: null },
        }),
        START_US + Math.round(atS * 1e6),
      ),
    );

  it("make it deaf for as long as those last that it did not refuse", () => {
    const db = openStore(":memory:");
    new Recorder(db).record([
      pull(SHED, 0),
      hear(SHED, 1, { payload: phy(PROBE, 0) }),
      downlinkAt(2, 21),
      ack(2.1, 21, null),
      downlinkAt(30, 22),
      ack(30.1, 22, "TOO_LATE"),
      downlinkAt(60, 23),
      pull(SHED, 100, 3),
    ]);
    const [gateway] = ask(db, windowOf(0, 100)).gateways;
    expect(gateway?.deaf).toMatchObject({ visible: true, sent: 2, refused: 1, reportedSent: null });
    // 17 octets at SF9 last as long without a payload CRC.
    expect(gateway?.deaf.seconds).toBeCloseTo(2 * SF9_S, 6);
    expect(gateway?.deaf.share).toBeCloseTo((2 * SF9_S) / 100, 6);
    expect(gateway?.deaf.words).toMatch(/^Deaf for 0\.3\u202Fs .* by 2 downlinks, 1 more refused/);
  });

  it("are said not to be visible where no downlink passes", () => {
    const [gateway] = ask(siteOf([hear(SHED, 1, { payload: phy(PROBE, 0) })]), windowOf(0, 60)).gateways;
    expect(gateway?.deaf).toMatchObject({ visible: false, seconds: null, share: null, spoiltShare: null });
    expect(gateway?.deaf.words).toMatch(/^Not visible here/);
  });
});

describe("airtime against the limits of the region", () => {
  /** A node at SF12 every so many seconds for two hours, some counters missed. */
  const talk = (everyS: number, isHeard: (n: number) => boolean = () => true) =>
    siteOf(
      Array.from({ length: Math.floor(7200 / everyS) }, (_, n) => n)
        .filter(isHeard)
        .map((n) =>
          hear(SHED, 5 + n * everyS, {
            payload: phy(PROBE, n),
            spreadingFactor: 12,
            frequencyHz: [LOW, 868_300_000, HIGH][n % 3] ?? LOW,
          }),
        ),
    );

  it("adds up a sub-band by the fullest sliding hour, and says over, close or under", () => {
    // 1.319 s every 100 s is 1.3 %, every 150 s 0.88 %, every 200 s 0.66 %; allowed is 1 %.
    const [over] = ask(talk(100), windowOf(0, 7200)).airtime;
    expect(over).toMatchObject({
      region: "EU868",
      subBand: "M",
      limit: 0.01,
      standing: "bad",
      stranger: false,
    });
    expect(over?.atLeast).toBeCloseTo((36 * SF12_S) / 3600, 4);
    expect(over?.words).toBe("over 1.0\u202F% by what was heard alone");
    const [under] = ask(talk(200), windowOf(0, 7200)).airtime;
    expect(under).toMatchObject({ standing: "good", words: "under 1.0\u202F% by what was heard" });
    const [close] = ask(talk(150), windowOf(0, 7200)).airtime;
    expect(close).toMatchObject({ standing: "look", words: "close to 1.0\u202F%" });
    const view = ask(talk(100), windowOf(0, 7200));
    expect(view.sentence.map(({ text }) => text).join("")).toContain(
      "1 node spent more airtime than the table allows",
    );
  });

  it("puts up what was missed by the delivery ratio, and says probably", () => {
    // Every second frame heard: at least 0.66 %, by estimate 1.3 %.
    const [row] = ask(
      talk(100, (n) => n % 2 === 0),
      windowOf(0, 7200),
    ).airtime;
    expect(row?.deliveryRatio).toBeCloseTo(0.5, 1);
    expect(row?.atLeast).toBeLessThan(0.007);
    expect(row?.estimate).toBeGreaterThan(0.0125);
    expect(row).toMatchObject({ standing: "look", words: expect.stringContaining("probably over 1.0") });
  });

  it("does not call an hour well spent before there was an hour", () => {
    const [row] = ask(talk(200), windowOf(0, 1800)).airtime;
    expect(row).toMatchObject({ standing: "waiting", words: expect.stringContaining("less than an hour") });
  });

  it("goes by the region of the gateway that heard it; by the one region of the others where none was recognised", () => {
    const [home, far, lone] = ["01000001", "01000002", "01000003"] as const;
    const on = (eui: string, devAddr: string, frequencies: readonly number[]) =>
      Array.from({ length: 12 }, (_, n) =>
        hear(eui, 20 * n + 1, {
          payload: phy(devAddr, n),
          frequencyHz: frequencies[n % frequencies.length] ?? LOW,
        }),
      );
    const own = on(SHED, home, [LOW, 868_300_000, HIGH]);
    const odd = on("02005E1000000003", lone, [868_050_000, 868_420_000]);
    const rows = (traffic: readonly DecodedArrival[]) =>
      ask(siteOf(traffic), windowOf(0, 300))
        .airtime.map(({ devAddr, region }) => [devAddr, region])
        .sort();
    expect(rows([...own, ...odd])).toEqual([
      [home, "EU868"],
      [lone, "EU868"],
    ]);
    // Of two regions none is more likely than the other.
    const other = on(TOWER, far, [433_175_000, 433_375_000, 433_575_000]);
    expect(rows([...own, ...odd, ...other])).toEqual([
      [home, "EU868"],
      [far, "EU433"],
    ]);
  });

  it("goes by a plan of one's own under its name, which has no limits", () => {
    const reading = readOwnPlans(
      JSON.stringify({
        plans: [
          {
            name: "Orchard",
            channels: [863.1, 863.9, 864.7].map((mhz) => ({ frequencyHz: Math.round(mhz * 1e6) })),
            dataRates: ["SF9BW125"],
          },
        ],
      }),
    );
    if (!reading.ok) throw new Error(reading.sentence);
    const traffic = Array.from({ length: 30 }, (_, n) =>
      hear(SHED, 5 * n + 1, {
        payload: phy(PROBE, n),
        frequencyHz: [863_100_000, 863_900_000, 864_700_000][n % 3] ?? 0,
      }),
    );
    const view = airView(siteOf(traffic), windowOf(0, 300), undefined, reading.plans);
    expect(view.gateways.map(({ region }) => region)).toEqual(["Orchard"]);
    expect(view.airtime).toEqual([]);
  });

  it("names none where no plan was recognised", () => {
    const db = siteOf([hear(SHED, 1, { payload: phy(PROBE, 0), frequencyHz: 500_100_000 })]);
    expect(ask(db, windowOf(0, 60)).airtime).toEqual([]);
  });
});

it("the collisions to expect come from the load since the gateway was there", () => {
  // 30 packets of 164.864 ms within 60 s on one channel; the window began an hour before.
  const traffic = Array.from({ length: 30 }, (_, n) =>
    hear(SHED, 2 * n + 1, { payload: phy(PROBE, n), rssiDbm: -90 - n }),
  );
  const view = ask(siteOf(traffic), windowOf(-3600, 61, true));
  const [row] = view.gateways[0]?.collisions ?? [];
  expect(row).toMatchObject({ frequencyHz: 868_300_000, dataRate: "SF9BW125", frames: 30 });
  const erlang = (30 * SF9_S) / 60;
  expect(row?.offeredLoad).toBeCloseTo(erlang, 4);
  expect(row?.aloha).toBeCloseTo(1 - Math.exp(-2 * erlang), 4);
  expect(row?.captureMeasured).toBeLessThan(row?.captureTheory ?? 0);
  expect(view.channels[0]?.collisions?.aloha).toBeCloseTo(row?.aloha ?? 0, 9);
  expect(view.gateways[0]?.collisionWords).toMatch(
    /^By ALOHA 15\u202F% of the frames .*; \d.* where the stronger one survives/,
  );
});

it("a gateway whose packets are no longer kept has the sums of its channels; one that heard nothing has no row", () => {
  const db = siteOf([
    hear(SHED, 1, { payload: phy(PROBE, 0), frequencyHz: LOW }),
    hear(SHED, 20, { payload: phy(PROBE, 1), frequencyHz: LOW }),
    pull(TOWER, 30),
  ]);
  db.exec("DELETE FROM reception");
  const view = ask(db, windowOf(0, 60));
  expect(view.channels).toEqual([
    expect.objectContaining({
      gatewayEui: SHED,
      frequencyHz: LOW,
      receptions: 2,
      airtimeSeconds: expect.closeTo(2 * SF9_S, 9),
      noiseFloorDbm: null,
      noiseSamples: 0,
      ownAirtimeSeconds: 0,
      strangerAirtimeSeconds: 0,
      strangerReceptions: 0,
      collisions: null,
    }),
  ]);
  expect(view.gateways).toMatchObject([{ gatewayEui: SHED, region: null, dataRates: [], collisions: [] }]);
});

it("talkers of one airtime come by address", () => {
  const talkers = (...addresses: readonly string[]) =>
    ask(
      siteOf(addresses.map((devAddr, n) => hear(SHED, n, { payload: phy(devAddr, 0) }))),
      windowOf(0, 60),
    ).talkers.map(({ devAddr }) => devAddr);
  expect(talkers("01000003", "01000001", "01000002")).toEqual(["01000001", "01000002", "01000003"]);
  expect(talkers("01000001", "01000002", "01000003")).toEqual(["01000001", "01000002", "01000003"]);
});

it("a channel's noise that rises is told with its size", () => {
  const traffic = Array.from({ length: 400 }, (_, n) =>
    hear(SHED, n * 18, { payload: phy(PROBE, n), snrDb: -5, rssiDbm: Math.round(-116 + n / 50) }),
  );
  const view = ask(siteOf(traffic), windowOf(0, 7200));
  const trend = view.channels[0]?.noiseTrend;
  expect(trend?.verdict).toBe("rises");
  expect(trend?.changeDb).toBeGreaterThan(6);
  // A dB each 50 frames, one each 18 s: 4 dB an hour.
  expect(trend?.slopeDbPerHour).toBeCloseTo(4, 1);
  const [low, high] = trend?.slopeInterval95 ?? [0, 0];
  expect([low < 4.05 && low > 3.5, high > 3.95 && high < 4.5]).toEqual([true, true]);
  expect(trend?.words).toMatch(/^Rises by \d\.\d\u202FdB over the window \(p <\u202F0\.001\)\.$/);
  const [lane] = view.maps[0]?.noise.dbm ?? [];
  expect(lane).toHaveLength(24);
  expect(view.maps[0]?.noise.stretchSeconds).toBe(300);
  expect((lane?.[23] ?? 0) - (lane?.[0] ?? 0)).toBeGreaterThan(6);
});
