import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { AirView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { type HeardOptions, phy, push, SHED, TOWER } from "../store/traffic.ts";
import { listenedSite, moment, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
const FOREIGN = "26000001";
const LOW = 868_100_000;
const HIGH = 868_500_000;

function ask(store: Store, window: AskedWindow, gatewayEui?: string) {
  const view = airView(store, window, gatewayEui === undefined ? undefined : [gatewayEui]);
  expect(AirView.parse(view)).toEqual(view);
  return view;
}

/** One packet in a datagram of its own. */
function hear(eui: string, atS: number, options: HeardOptions, token = 7) {
  return push(eui, atS, [options], token);
}

describe("the channels", () => {
  it("are listed by gateway and frequency, packets with a wrong CRC among them", () => {
    const db = siteOf([
      hear(TOWER, 1, { payload: phy(PROBE, 0), frequencyHz: HIGH }),
      hear(SHED, 2, { payload: phy(PROBE, 1), frequencyHz: HIGH }),
      hear(SHED, 3, { payload: phy(PROBE, 2), frequencyHz: LOW }),
      hear(SHED, 4, { payload: phy(PROBE, 3), frequencyHz: LOW, crc: "bad" }),
      hear(SHED, 5, { payload: phy(PROBE, 4), frequencyHz: LOW, crc: "none" }),
    ]);
    const { channels } = ask(db, windowOf(0, 60));
    expect(
      channels.map(({ gatewayEui, frequencyHz, receptions, crcBad }) => [
        gatewayEui,
        frequencyHz,
        receptions,
        crcBad,
      ]),
    ).toEqual([
      [SHED, LOW, 3, 1],
      [SHED, HIGH, 1, 0],
      [TOWER, HIGH, 1, 0],
    ]);
    expect(channels[0]?.crcBadRatio).toBeCloseTo(1 / 3, 12);
  });

  it("give load and utilisation as shares of the recorded time, and name the rest", () => {
    const traffic = [10, 20].map((atS, n) => hear(SHED, atS, { payload: phy(PROBE, n) }));
    const { channels, maps } = ask(listenedSite(traffic, 50), windowOf(0, 3600));
    const [channel] = channels;
    if (channel === undefined) throw new Error("no channel");
    expect(maps[0]?.notRecorded).toEqual([{ from: moment(50), to: moment(3600) }]);
    expect(channel.airtimeSeconds).toBeGreaterThan(0.3);
    expect(channel.offeredLoad).toBeCloseTo(channel.airtimeSeconds / 50, 6);
    expect(channel.utilisation).toBeCloseTo(channel.busySeconds / 50, 6);
  });

  it("can be narrowed to one gateway", () => {
    const db = siteOf([
      hear(SHED, 1, { payload: phy(PROBE, 0) }),
      hear(TOWER, 2, { payload: phy(PROBE, 1) }),
    ]);
    const view = ask(db, windowOf(0, 60), TOWER);
    expect(view.channels.map(({ gatewayEui }) => gatewayEui)).toEqual([TOWER]);
    expect(view.maps.map(({ gatewayEui }) => gatewayEui)).toEqual([TOWER]);
  });

  it("tell how much of their airtime strangers took", () => {
    const db = siteOf([
      hear(SHED, 1, { payload: phy(PROBE, 0) }),
      hear(SHED, 2, { payload: phy(FOREIGN, 0) }),
      hear(SHED, 3, { payload: phy(FOREIGN, 1) }),
    ]);
    const [channel] = ask(db, windowOf(0, 60)).channels;
    expect(channel?.strangerReceptions).toBe(2);
    expect(channel?.strangerAirtimeSeconds).toBeCloseTo(((channel?.airtimeSeconds ?? 0) * 2) / 3, 9);
  });
});

describe("the noise floor of a channel", () => {
  /** Frames at one SNR, the RSSI falling by 1 dB from frame to frame. */
  const frames = (count: number, snrDb: number, from = 0, rssiDbm = -90) =>
    Array.from({ length: count }, (_, i) =>
      hear(SHED, 1 + from + i, { payload: phy(PROBE, from + i), snrDb, rssiDbm: rssiDbm - i }),
    );

  it("is the low quantile of RSSI less the signal's share, from frames at 0 dB SNR or below", () => {
    const [channel] = ask(siteOf(frames(21, 0)), windowOf(0, 60)).channels;
    // At 0 dB SNR half the power is noise: 3.01 dB below the RSSI, whose 10 % quantile is −108 dBm.
    expect(channel).toMatchObject({ noiseSamples: 21, noiseFloorDbm: -111 });
  });

  it("is not given from fewer than 20 samples", () => {
    const [channel] = ask(siteOf(frames(19, -5)), windowOf(0, 60)).channels;
    expect(channel).toMatchObject({ noiseSamples: 19, noiseFloorDbm: null });
  });

  it("is not told by strong frames, whose SNR saturates", () => {
    const [channel] = ask(siteOf(frames(40, 9)), windowOf(0, 60)).channels;
    expect(channel).toMatchObject({ noiseSamples: 0, noiseFloorDbm: null });
  });

  it("leaves frames above 0 dB aside once enough lie below", () => {
    const [channel] = ask(siteOf([...frames(20, -3), ...frames(20, 4, 20, -40)]), windowOf(0, 60)).channels;
    expect(channel?.noiseSamples).toBe(20);
    expect(channel?.noiseFloorDbm).toBeLessThan(-100);
  });
});

describe("the map of the air", () => {
  it("has a cell a minute, and in each the share that was busy and broken", () => {
    const db = siteOf([
      hear(SHED, 30, { payload: phy(PROBE, 0), frequencyHz: LOW, spreadingFactor: 12 }),
      hear(SHED, 150, { payload: phy(PROBE, 1), frequencyHz: LOW, spreadingFactor: 12, crc: "bad" }),
      hear(SHED, 160, { payload: phy(PROBE, 2), frequencyHz: LOW, spreadingFactor: 12 }),
      hear(SHED, 170, { payload: phy(PROBE, 3), frequencyHz: HIGH, spreadingFactor: 7 }),
    ]);
    const view = ask(db, windowOf(0, 240));
    const [map] = view.maps;
    expect(map).toMatchObject({ from: moment(0), cellSeconds: 60, frequenciesHz: [LOW, HIGH] });
    expect(map?.crcBadRatio).toEqual([
      [0, null, 0.5, null],
      [null, null, 0, null],
    ]);
    const [low] = view.channels;
    const line = map?.utilisation[0] ?? [];
    expect(line).toHaveLength(4);
    expect(line[1]).toBe(0);
    expect(line[2]).toBeCloseTo(2 * (line[0] ?? 0), 4);
    // Seconds of all cells are the seconds of the channel.
    expect(line.reduce((sum, share) => sum + share * 60, 0)).toBeCloseTo(low?.busySeconds ?? 0, 2);
  });

  it("puts every minute of a wide cell into that cell", () => {
    // Six hours: cells of three minutes. One packet in each of the three minutes of the second cell.
    const db = siteOf(
      [180, 240, 300].map((atS, n) =>
        hear(SHED, atS + 20, { payload: phy(PROBE, n), spreadingFactor: 12, frequencyHz: LOW }),
      ),
    );
    const view = ask(db, windowOf(0, 6 * 3600));
    const [map] = view.maps;
    expect(map?.cellSeconds).toBe(180);
    expect(map?.utilisation[0]).toHaveLength(120);
    expect((map?.utilisation[0]?.[1] ?? 0) * 180).toBeCloseTo(view.channels[0]?.busySeconds ?? 0, 2);
    expect(map?.crcBadRatio[0]?.filter((ratio) => ratio !== null)).toEqual([0]);
  });

  it("takes wider cells for longer windows, 120 at most, its last as long as its minutes", () => {
    const payload = phy(PROBE, 0);
    const db = siteOf([hear(SHED, 121 * 60 - 10, { payload, spreadingFactor: 12, frequencyHz: LOW })]);
    const view = ask(db, windowOf(0, 121 * 60));
    const [map] = view.maps;
    expect(map?.cellSeconds).toBe(120);
    expect(map?.utilisation[0]).toHaveLength(61);
    // 121 minutes in cells of two: the last cell has one minute, and the packet lies in it.
    expect((map?.utilisation[0]?.[60] ?? 0) * 60).toBeCloseTo(view.channels[0]?.busySeconds ?? 0, 2);
  });
});

describe("the busiest talkers", () => {
  it("come by airtime with their fullest sliding hour", () => {
    fc.assert(
      fc.property(
        fc.uniqueArray(fc.integer({ min: 0, max: 20_000 }), { minLength: 1, maxLength: 25 }),
        (times) => {
          const inOrder = times.sort((a, b) => a - b);
          const db = siteOf(
            inOrder.map((atS, n) => hear(SHED, atS, { payload: phy(PROBE, n), spreadingFactor: 12 })),
          );
          const [talker] = ask(db, windowOf(-100, 30_000)).talkers;
          if (talker === undefined) throw new Error("nobody talked");
          const each = talker.airtimeSeconds / times.length;
          const spans = inOrder.map((atS) => [atS - each, atS] as const);
          // The fullest hour begins with a packet or ends with one.
          const begins = spans.flatMap(([start, end]) => [start, end - 3600]);
          const fullest = Math.max(
            ...begins.map((from) =>
              spans.reduce((sum, [start, end]) => {
                return sum + Math.max(0, Math.min(end, from + 3600) - Math.max(start, from));
              }, 0),
            ),
          );
          expect(talker.frames).toBe(times.length);
          expect(talker.busiestHourDuty).toBeCloseTo(fullest / 3600, 9);
          db.close();
        },
      ),
      { numRuns: 40 },
    );
  });

  it("count a frame once, however many gateways heard it, and bear their names", () => {
    const db = siteOf([
      hear(SHED, 1, { payload: phy(PROBE, 0) }),
      hear(TOWER, 1.05, { payload: phy(PROBE, 0), tmstUs: 5 }),
      hear(SHED, 9, { payload: phy(FOREIGN, 0), spreadingFactor: 12 }),
    ]);
    writeLabel(db, { kind: "node", id: PROBE, name: "Frost probe row 12" });
    const { talkers } = ask(db, windowOf(0, 60));
    expect(
      talkers.map(({ devAddr, name, stranger, frames }) => ({ devAddr, name, stranger, frames })),
    ).toEqual([
      { devAddr: FOREIGN, name: null, stranger: true, frames: 1 },
      { devAddr: PROBE, name: "Frost probe row 12", stranger: false, frames: 1 },
    ]);
  });

  it("are twenty at most", () => {
    const nodes = Array.from({ length: 25 }, (_, i) => `010000${(16 + i).toString(16).toUpperCase()}`);
    const db = siteOf(nodes.map((devAddr, i) => hear(SHED, i, { payload: phy(devAddr, 0) })));
    expect(ask(db, windowOf(0, 60)).talkers).toHaveLength(20);
  });
});

it("data rates share the receptions and the airtime among them", () => {
  const db = siteOf([
    hear(SHED, 1, { payload: phy(PROBE, 0), spreadingFactor: 7 }),
    hear(SHED, 2, { payload: phy(PROBE, 1), spreadingFactor: 7 }),
    hear(SHED, 5, { payload: phy(PROBE, 2), spreadingFactor: 12, crc: "bad" }),
  ]);
  const view = ask(db, windowOf(0, 60));
  expect(view.dataRates.map(({ name, receptions }) => [name, receptions])).toEqual([
    ["SF7BW125", 2],
    ["SF12BW125", 1],
  ]);
  const sum = view.dataRates.reduce((total, { airtimeSeconds }) => total + airtimeSeconds, 0);
  expect(sum).toBeCloseTo(view.channels[0]?.airtimeSeconds ?? 0, 9);
});

it("an empty air says so", () => {
  const view = ask(siteOf([]), windowOf(0, 60));
  expect(view.sentence).toEqual([{ text: "Nothing was on the air in this window." }]);
  expect(view).toMatchObject({ channels: [], maps: [], talkers: [], dataRates: [] });
});
