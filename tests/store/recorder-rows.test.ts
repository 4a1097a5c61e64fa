/** What each datagram leaves in the tables, column by column, and both sides of each limit. Worked out by hand. */
import { inflateSync } from "node:zlib";
import { describe, expect, it } from "vitest";
import type { Arrival, RadioPacket, Signal, StatusReport } from "../../src/model/datagram.ts";
import { airtimeOfReception } from "../../src/radio/airtime.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { RejectionWriter } from "../../src/store/recorder/datagrams.ts";
import { FrameWriter } from "../../src/store/recorder/frames.ts";
import { RecordedTimeWriter } from "../../src/store/recorder/recorded-time-writer.ts";
import type { StoredReception } from "../../src/store/recorder/rows.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { decodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { handOut, pullAck, pushAck, txAck } from "./down-traffic.ts";
import {
  arrivalOf,
  decoded,
  type HeardOptions,
  joinRequest,
  packet,
  phy,
  pull,
  push,
  SHED,
  START_US,
  TOWER,
} from "./traffic.ts";

const NODE = "01A2B3C4";
const DEV_ADDR = 0x01a2b3c4;
const at = (second: number) => START_US + Math.round(second * 1e6);
const inSeconds = (us: unknown) => (typeof us === "number" ? (us - START_US) / 1e6 : us);

function recording(...batches: readonly (readonly (DecodedArrival | DownlinkArrival)[])[]) {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, null);
  for (const batch of batches) recorder.record(batch);
  return { db, recorder };
}
const recorded = (...batch: readonly (DecodedArrival | DownlinkArrival)[]) => recording(batch).db;
/** One by one, in this order. */
const inTurn = (...items: readonly (DecodedArrival | DownlinkArrival)[]) =>
  recording(...items.map((item) => [item])).db;
const all = (db: Store, sql: string) => db.prepare(sql).raw().all() as unknown[][];
const one = (db: Store, sql: string) => db.prepare(sql).get() as Record<string, unknown>;
const through = <T extends DecodedArrival | DownlinkArrival>(
  item: T,
  door: Arrival["door"],
  port?: number,
): T => ({
  ...item,
  arrival: {
    ...item.arrival,
    door,
    ...(port === undefined ? {} : { from: { ...item.arrival.from, port } }),
  },
});

const SIGNAL: Signal = {
  antenna: 0,
  ifChannel: 2,
  rssiDbm: -97,
  signalRssiDbm: null,
  snrDb: 6.2,
  frequencyOffsetHz: null,
};
/** A packet with all that a forwarder may tell of it. */
const hear = (
  atS: number,
  options: HeardOptions & Partial<Pick<RadioPacket, "gatewayTimeUs" | "rfChain" | "delayed">>,
  token = 7,
  eui = SHED,
) => {
  const { gatewayTimeUs = null, rfChain = 0, delayed = false, ...rest } = options;
  const made = { ...packet({ tmstUs: Math.round(atS * 1e6), ...rest }), gatewayTimeUs, rfChain };
  const bytes = encodePushData({ version: 2, token, gatewayEui: eui, packets: [made], status: null });
  const item = decoded(arrivalOf(bytes, at(atS)));
  if (delayed && item.decoding.ok && item.decoding.datagram.kind === "push-data")
    for (const each of item.decoding.datagram.packets) Object.assign(each, { delayed: true });
  return item;
};

describe("a packet", () => {
  const ok = { kind: "lora", spreadingFactor: 9, bandwidthHz: 125_000, codingRate: "4/5" } as const;
  const payload = phy(NODE, 7);
  const airtimeUs = airtimeOfReception(ok, payload.length, "ok");

  it("is a reception with all that the gateway gave", () => {
    const signals = [
      { ...SIGNAL, signalRssiDbm: -99, frequencyOffsetHz: -1_250, rssiDbm: -97, snrDb: -7.26 },
    ];
    const db = recorded(
      hear(5, { payload, tmstUs: 4_000_000, gatewayTimeUs: at(5.25), rfChain: 1, signals }),
    );
    const { id: _id, payload: octets, data_rate: dataRate, ...row } = one(db, "SELECT * FROM reception");
    expect(Buffer.from(octets as Uint8Array)).toEqual(Buffer.from(payload));
    expect(row).toEqual({
      gateway_id: 1,
      at_us: at(5),
      tmst_key: 4_000_000,
      frame_id: 1,
      crc: 0,
      ghost: 0,
      frequency_hz: 868_300_000,
      coding_rate: 1,
      antenna: 0,
      if_channel: 2,
      rf_chain: 1,
      rssi_tenths: -970,
      signal_rssi_tenths: -990,
      snr_tenths: -73,
      frequency_offset_hz: -1_250,
      gateway_offset_us: 250_000,
      airtime_us: airtimeUs,
      further: 0,
      late_us: 0,
      delayed: 0,
    });
    expect(one(db, "SELECT data_rate AS rate FROM frame").rate).toBe(dataRate);
  });

  it("is a frame with all that its octets say, in a life of its address", () => {
    const db = recorded(hear(5, { payload }));
    const { content, data_rate: _rate, ...frame } = one(db, "SELECT * FROM frame");
    expect(content).toBeGreaterThan(0);
    expect(frame).toEqual({
      id: 1,
      life_id: 1,
      dev_addr: DEV_ADDR,
      dev_eui: null,
      at_us: at(5),
      message_type: 2,
      fcnt: 7,
      counter: 7,
      repeat: 0,
      frequency_hz: 868_300_000,
      airtime_us: airtimeUs,
      frame_control: 0x80,
      port: 2,
      mic_verdict: null,
      key_id: null,
      replay: 0,
    });
    expect(one(db, "SELECT * FROM life")).toEqual({
      id: 1,
      dev_addr: DEV_ADDR,
      number: 1,
      begun_by: "first-heard",
      reason: "first heard with counter 7",
      first_at_us: at(5),
      last_at_us: at(5),
      first_counter: 7,
      last_counter: 7,
      heard: 1,
      dev_eui: null,
      key_id: null,
      proof: null,
    });
  });

  it("that asks to join is a frame without an address", () => {
    const db = recorded(hear(5, { payload: joinRequest("02005E1000000031", 5) }));
    expect(one(db, "SELECT * FROM frame")).toMatchObject({
      life_id: null,
      dev_addr: null,
      dev_eui: "02005E1000000031",
      message_type: 0,
      fcnt: null,
      counter: null,
      frame_control: null,
      port: null,
    });
  });

  it("with a wrong CRC, or none, is no frame and counts for the air; of an empty level nothing is made up", () => {
    const none = { ...SIGNAL, rssiDbm: null, snrDb: null };
    const db = recorded(
      hear(5, { payload, crc: "bad" }, 1),
      hear(6, { payload: phy(NODE, 8), crc: "none", signals: [none] }, 2),
    );
    expect(all(db, "SELECT crc, frame_id, rssi_tenths, snr_tenths FROM reception ORDER BY at_us")).toEqual([
      [1, null, -970, 62],
      [2, null, null, null],
    ]);
    expect(all(db, "SELECT * FROM frame")).toEqual([]);
    expect(all(db, "SELECT minute, crc_ok, crc_bad, crc_none FROM gateway_minute")).toEqual([
      [START_US / 60e6, 0, 1, 1],
    ]);
  });

  it("whose counter is 0 or missing has a stand-in for it that an equal packet shares", () => {
    const keys = (...tmst: (number | null)[]) =>
      all(
        recorded(
          ...tmst.map((tmstUs, i) => hear(5 + 20 * i, { payload: phy(NODE, i === 2 ? 8 : 7), tmstUs }, i)),
        ),
        "SELECT tmst_key FROM reception ORDER BY at_us",
      ).flat() as number[];
    const [zero, missing, other] = keys(0, null, null);
    expect(zero).toBe(missing);
    expect(zero).toBeLessThan(0);
    expect(other).not.toBe(missing);
    expect(keys(1)).toEqual([1]);
  });

  it("that is no frame of the protocol, or came without octets, is a reception and counts for the air", () => {
    const rows = (db: Store) => [
      all(db, "SELECT crc, frame_id, tmst_key FROM reception"),
      all(db, "SELECT receptions FROM channel_minute").flat(),
      all(db, "SELECT count(*) FROM frame").flat(),
      all(db, "SELECT reason, refused, count FROM refusal"),
      all(db, "SELECT count(*) FROM refusal_sample").flat(),
    ];
    // Three octets: a header and no more of a data frame.
    const cut = recorded(hear(5, { payload: Uint8Array.of(0x40, 1, 2), tmstUs: 4_000_000 }));
    expect(rows(cut)).toEqual([[[0, null, 4_000_000]], [1], [0], [["phy_tooShort", 0, 1]], [0]]);
    const bare = hear(5, { payload, tmstUs: null });
    if (bare.decoding.ok && bare.decoding.datagram.kind === "push-data")
      for (const each of bare.decoding.datagram.packets) Object.assign(each, { payload: null });
    expect(rows(recorded(bare))).toEqual([[[0, null, -1]], [1], [0], [["tmst_missing", 0, 1]], [0]]);
  });

  it("heard by two antennas has its airtime once, at the first of them", () => {
    const signals = [
      { ...SIGNAL, antenna: 1, rssiDbm: -95 },
      { ...SIGNAL, antenna: 0 },
    ];
    const db = recorded(hear(5, { payload, signals }));
    expect(all(db, "SELECT antenna, further, airtime_us, frame_id FROM reception ORDER BY id")).toEqual([
      [0, 0, airtimeUs, 1],
      [1, 1, 0, 1],
    ]);
    expect(all(db, "SELECT receptions, airtime_us, busy_us FROM channel_minute")).toEqual([
      [1, airtimeUs, airtimeUs],
    ]);
    expect(all(db, "SELECT crc_ok FROM gateway_minute")).toEqual([[1]]);
  });

  it("that proves a ghost passes its airtime on to another antenna's reception of it", () => {
    // A weak copy on another channel by two antennas, then the strong one that it is the ghost of.
    const weak = [0, 1].map((antenna) => ({ ...SIGNAL, antenna, rssiDbm: -110 }));
    const strong = [{ ...SIGNAL, rssiDbm: -50 }];
    const ghost = hear(5, { payload, signals: weak, frequencyHz: 868_500_000, tmstUs: 5_000_000 }, 1);
    const real = hear(5.001, { payload, signals: strong, tmstUs: 5_000_000 }, 2);
    const rows = (db: Store) =>
      all(
        db,
        "SELECT frequency_hz, antenna, ghost, further, airtime_us, frame_id IS NULL FROM reception ORDER BY frequency_hz, antenna",
      );
    const expected = [
      [868_300_000, 0, 0, 0, airtimeUs, 0],
      [868_500_000, 0, 1, expect.anything(), 0, 1],
      [868_500_000, 1, 1, expect.anything(), 0, 1],
    ];
    for (const db of [inTurn(ghost, real), inTurn(real, ghost)]) {
      expect(rows(db)).toEqual(expected);
      expect(
        all(db, "SELECT frequency_hz, receptions, airtime_us FROM channel_minute WHERE receptions > 0"),
      ).toEqual([[868_300_000, 1, airtimeUs]]);
      expect(all(db, "SELECT sum(crc_ok) FROM gateway_minute")).toEqual([[1]]);
      expect(all(db, "SELECT count(*) FROM frame")).toEqual([[1]]);
      expect(all(db, "SELECT count FROM refusal WHERE reason = 'ghost'")).toEqual([[2]]);
      expect(all(db, "SELECT count(*) FROM refusal_sample")).toEqual([[0]]);
    }
  });
});

describe("packets of one datagram", () => {
  it("are stored in order of the counter, those that tell none first", () => {
    const heard = [9, 0, 7].map((s) => packet({ payload: phy(NODE, s), tmstUs: s * 1_000_000 }));
    const bytes = encodePushData({ version: 2, token: 1, gatewayEui: SHED, packets: heard, status: null });
    const db = recorded(decoded(arrivalOf(bytes, at(10))));
    expect(all(db, "SELECT max(tmst_key, 0) FROM reception ORDER BY id").flat()).toEqual([0, 7e6, 9e6]);
  });

  it("that are odd are counted by what is odd; a wrong CRC is none of that", () => {
    const body = JSON.stringify({
      rxpk: [
        {
          tmst: 1,
          time: "yesterday",
          freq: 868.3,
          chan: 2,
          rfch: 0,
          stat: -1,
          modu: "LORA",
          datr: "SF9BW125",
          codr: "4/5",
          rssi: -97,
          lsnr: 6.2,
          size: 4,
          data: Buffer.from([0x60, 1, 2, 3]).toString("base64"),
        },
      ],
    });
    const db = recorded(
      decoded(
        arrivalOf(
          Buffer.concat([Uint8Array.from([2, 0, 1, 0]), Buffer.from(SHED, "hex"), Buffer.from(body)]),
          at(10),
        ),
      ),
    );
    expect(all(db, "SELECT reason, refused, count FROM refusal")).toEqual([["time_bad", 0, 1]]);
    expect(all(db, "SELECT crc FROM reception")).toEqual([[1]]);
  });
});

describe("the same packet again", () => {
  const payload = phy(NODE, 7);
  const receptions = (...items: DecodedArrival[]) =>
    all(inTurn(...items), "SELECT count(*) FROM reception")[0]?.[0];

  it("with its counter is one reception within two minutes, by the same antenna on the same channel", () => {
    const again = (afterS: number, more: Partial<HeardOptions> = {}) =>
      receptions(
        hear(5, { payload, tmstUs: 5_000_000 }, 1),
        hear(5 + afterS, { payload, tmstUs: 5_000_000, ...more }, 2),
      );
    expect([again(120), again(120.001)]).toEqual([1, 2]);
    expect(again(1, { tmstUs: 5_000_001 })).toBe(2);
    expect(again(1, { frequencyHz: 868_500_000 })).toBe(2);
    expect(again(1, { signals: [{ ...SIGNAL, antenna: 1 }] })).toBe(2);
  });

  it("without a counter is one reception within a second", () => {
    const again = (afterS: number) =>
      receptions(hear(5, { payload, tmstUs: null }, 1), hear(5 + afterS, { payload, tmstUs: null }, 2));
    expect([again(1), again(1.001)]).toEqual([1, 2]);
  });

  it("is counted as repeated, at the later of both times, and dated by the earlier", () => {
    const db = inTurn(hear(8, { payload, tmstUs: 5_000_000 }, 1), hear(5, { payload, tmstUs: 5_000_000 }, 2));
    expect(all(db, "SELECT at_us + late_us FROM reception").map(([us]) => inSeconds(us))).toEqual([5]);
    const [row = []] = all(db, "SELECT reason, refused, count, first_at_us, last_at_us FROM refusal");
    expect([...row.slice(0, 3), ...row.slice(3).map(inSeconds)]).toEqual(["reception_repeated", 0, 1, 8, 8]);
  });

  it("octet by octet is a duplicate within two seconds, a keepalive within a tenth of one", () => {
    const twice = (make: (s: number) => DecodedArrival, afterS: number) => {
      const db = inTurn(make(5), make(5 + afterS));
      return [
        all(db, "SELECT kind FROM datagram ORDER BY at_us").flat(),
        all(db, "SELECT coalesce(sum(count), 0) FROM refusal WHERE reason = 'duplicate'")[0]?.[0],
        all(db, "SELECT datagrams FROM gateway_minute")[0]?.[0],
      ];
    };
    const data = (s: number) => hear(s, { payload, tmstUs: 5_000_000 }, 1);
    expect(twice(data, 2)).toEqual([[0, 16], 1, 1]);
    expect(twice(data, 2.001)).toEqual([[0, 0], 0, 2]);
    const alive = (s: number) => pull(SHED, s, 9);
    expect(twice(alive, 0.1)).toEqual([[2, 18], 1, 1]);
    expect(twice(alive, 0.101)).toEqual([[2, 2], 0, 2]);
    // The same moment too: it was stored before.
    const { db, recorder } = recording([data(5)]);
    expect(recorder.record([data(5)])).toMatchObject({ datagrams: 0, knownAlready: 1, receptions: 0 });
    expect(all(db, "SELECT count(*) FROM datagram")).toEqual([[1]]);
  });

  it("out of order is known by what is stored", () => {
    const data = (s: number) => hear(s, { payload, tmstUs: 5_000_000 }, 1);
    const db = inTurn(pull(SHED, 4, 1), data(5), pull(SHED, 30, 2), data(6.5), data(8.5));
    expect(all(db, "SELECT kind FROM datagram ORDER BY at_us").flat()).toEqual([2, 0, 16, 16, 2]);
    // What came before the step back is known by what is stored: half a second after the first, though 3 s was between.
    const back = inTurn(pull(SHED, 1, 1), data(5), pull(SHED, 3, 2), data(5.5));
    expect(all(back, "SELECT kind FROM datagram ORDER BY at_us").flat()).toEqual([2, 2, 0, 16]);
    // The same octets 2.1 s earlier are another datagram; half a second after the first it is a duplicate of that.
    const thrice = inTurn(data(5), data(2.9), data(5.5));
    expect(all(thrice, "SELECT kind FROM datagram ORDER BY at_us").flat()).toEqual([0, 0, 16]);
  });

  it("out of order is judged again where a capture brought it so", () => {
    // Nine packets ten seconds apart, then one that was 5 s on its way: read backwards nothing tells that.
    const items = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9].map((i) =>
      hear(10 * i + (i === 9 ? 5 : 0), { payload: phy(NODE, i), tmstUs: (1_000 + 10 * i) * 1e6 }, i),
    );
    const differing = (order: readonly DecodedArrival[], door: Arrival["door"]) =>
      recording(...order.map((item) => [through(item, door)])).recorder.differingByOrder();
    const backwards = [...items].reverse();
    expect(differing(backwards, "capture")).toBeGreaterThan(0);
    expect([differing(items, "capture"), differing(backwards, "relay")]).toEqual([0, 0]);
  });
});

describe("what a commit says of itself", () => {
  it("counts what it brought, and names gateways and nodes", () => {
    const { recorder } = recording();
    const told = recorder.record([
      pull(SHED, 1),
      hear(5, { payload: phy(NODE, 7) }, 1),
      hear(6, { payload: phy("01A2B3C5", 7) }, 2, TOWER),
      decoded(arrivalOf(Uint8Array.from([9, 9, 9]), at(7))),
      handOut(8, 9, new Uint8Array(20)),
    ]);
    expect(told).toEqual({
      datagrams: 3,
      receptions: 2,
      knownAlready: 0,
      refused: 1,
      answers: 1,
      gateways: new Set([SHED, TOWER]),
      nodes: new Set([NODE, "01A2B3C5"]),
      lastReceptionId: 2,
      wide: true,
      fromUs: at(1),
      toUs: at(7),
    });
    expect(recorder.record([])).toEqual({
      datagrams: 0,
      receptions: 0,
      knownAlready: 0,
      refused: 0,
      answers: 0,
      gateways: new Set(),
      nodes: new Set(),
      lastReceptionId: 0,
      wide: false,
      fromUs: Number.POSITIVE_INFINITY,
      toUs: Number.NEGATIVE_INFINITY,
    });
  });

  it("ends a batch where that is enough, and not before its first datagram", () => {
    const { db, recorder } = recording();
    const asked: number[] = [];
    recorder.record(
      [1, 2, 3, 4].map((s) => pull(SHED, s, s)),
      {
        isEnough: (done) => {
          asked.push(done);
          return done === 2;
        },
      },
    );
    expect(asked).toEqual([1, 2]);
    expect(all(db, "SELECT count(*) FROM datagram")).toEqual([[2]]);
  });

  it("takes in nothing of a time that was removed", () => {
    const { db, recorder } = recording([pull(SHED, 100, 1)]);
    db.prepare("UPDATE removal SET removed_to_us = ?, rule = '1 day'").run(at(50));
    const again = new Recorder(db, null);
    expect(again.record([pull(SHED, 49.9, 2), pull(SHED, 50, 3)])).toMatchObject({
      refused: 1,
      datagrams: 1,
    });
    expect(all(db, "SELECT reason, refused, count FROM refusal")).toEqual([["removed_time", 1, 1]]);
    recorder.close();
  });
});

const REPORT: StatusReport = {
  timeUs: null,
  timeText: null,
  latitudeDeg: null,
  longitudeDeg: null,
  altitudeM: null,
  rxReceived: null,
  rxCrcOk: null,
  rxForwarded: null,
  ackPercent: null,
  downlinkDatagrams: null,
  txEmitted: null,
  temperatureC: null,
  platform: null,
  mail: null,
  description: null,
};

describe("a gateway's row", () => {
  const report = (more: Partial<StatusReport>): StatusReport => ({ ...REPORT, ...more });
  const status = (atS: number, more: Partial<StatusReport>, token = 3) =>
    decoded(
      arrivalOf(
        encodePushData({ version: 2, token, gatewayEui: SHED, packets: [], status: report(more) }),
        at(atS),
      ),
    );
  const gateway = (db: Store) => one(db, "SELECT * FROM gateway");

  it("has when it was heard, which version it spoke, and where its datagrams come from, in any order", () => {
    const items = [
      through(pull(SHED, 10, 1), "capture", 40_001),
      through(hear(20, { payload: phy(NODE, 1) }, 2), "capture", 40_002),
      through(pull(SHED, 30, 3), "capture", 40_003),
      through(hear(40, { payload: phy(NODE, 2) }, 4), "capture", 40_004),
    ];
    for (const order of [items, [...items].reverse()]) {
      expect(gateway(inTurn(...order))).toMatchObject({
        eui: SHED,
        first_at_us: at(10),
        last_at_us: at(40),
        versions: 2,
        push_source: "192.0.2.7 40004",
        pull_source: "192.0.2.7 40003",
        push_at_us: at(40),
        pull_at_us: at(30),
        rival_source: null,
      });
    }
  });

  it("has what its newest report says of its place, each figure by itself, and no place at 0/0", () => {
    const first = status(10, {
      latitudeDeg: 47.1,
      longitudeDeg: 8.2,
      altitudeM: 400,
      platform: "A",
      description: "B",
    });
    const second = status(20, { latitudeDeg: 47.5, longitudeDeg: 8.5, platform: "C" }, 4);
    const zero = status(30, { latitudeDeg: 0, longitudeDeg: 0, altitudeM: 410 }, 5);
    const half = status(40, { latitudeDeg: 12, longitudeDeg: null }, 6);
    const other = status(50, { latitudeDeg: null, longitudeDeg: 9 }, 7);
    for (const order of [
      [first, second, zero, half, other],
      [other, half, zero, second, first],
    ])
      expect(gateway(inTurn(...order))).toMatchObject({
        latitude: 47.5,
        longitude: 8.5,
        position_at_us: at(20),
        altitude_m: 410,
        altitude_at_us: at(30),
        platform: "C",
        platform_at_us: at(20),
        description: "B",
        description_at_us: at(10),
      });
    expect(gateway(inTurn(status(10, { latitudeDeg: 0, longitudeDeg: 8 })))).toMatchObject({
      latitude: 0,
      longitude: 8,
    });
  });

  it("has its reports, with its clock against arrival", () => {
    const db = recorded(
      status(10, {
        timeUs: at(8),
        rxReceived: 6,
        rxCrcOk: 5,
        rxForwarded: 4,
        ackPercent: 98.56,
        downlinkDatagrams: 3,
        txEmitted: 2,
        temperatureC: 31.25,
      }),
      status(20, {}, 4),
    );
    const columns =
      "clock_offset_us, rx_received, rx_crc_ok, rx_forwarded, ack_tenths_percent, downlink_datagrams, tx_emitted, temperature_tenths_c";
    expect(all(db, `SELECT ${columns} FROM status_report ORDER BY at_us`)).toEqual([
      [-2_000_000, 6, 5, 4, 986, 3, 2, 313],
      Array(8).fill(null),
    ]);
    expect(all(db, "SELECT status_reports, datagrams, keepalives FROM gateway_minute")).toEqual([[2, 2, 0]]);
  });

  it("has a rival where two sources ask in turn within two minutes", () => {
    const rival = (...asks: [second: number, port: number][]) => {
      const db = inTurn(...asks.map(([second, port], i) => through(pull(SHED, second, i), "udp", port)));
      const { rival_source: source, rival_at_us: us, pull_source: now } = gateway(db);
      return [source, inSeconds(us), now];
    };
    // It asks, another asks, it asks again: the other is its rival.
    expect(rival([0, 1], [10, 2], [20, 1])).toEqual(["192.0.2.7 2", 20, "192.0.2.7 1"]);
    expect(rival([0, 1], [10, 2])).toEqual([null, null, "192.0.2.7 2"]);
    expect(rival([0, 1], [10, 2], [20, 3])).toEqual([null, null, "192.0.2.7 3"]);
    // Two minutes since it asked last, then a little more.
    expect(rival([0, 1], [10, 2], [120, 1])[0]).toBe("192.0.2.7 2");
    expect(rival([0, 1], [10, 2], [120.001, 1])[0]).toBeNull();
    // Read out of order, an older one says nothing of now.
    expect(rival([0, 1], [30, 1], [10, 2])).toEqual([null, null, "192.0.2.7 1"]);
  });

  it("has its answers to downlinks", () => {
    const db = recorded(
      txAck(SHED, 10, 5),
      txAck(SHED, 10.5, 7, { result: "accepted-lower-power", powerDbm: 13 }),
      txAck(SHED, 11, 6, { result: "refused", word: "TOO_LATE" }),
    );
    expect(all(db, "SELECT token, result, word, power_tenths FROM transmit_outcome ORDER BY token")).toEqual([
      [5, "accepted", null, null],
      [6, "refused", "TOO_LATE", null],
      [7, "accepted-lower-power", "TX_POWER", 130],
    ]);
  });
});

describe("a concentrator's counter", () => {
  const restarts = (...readings: [second: number, tmstS: number, delayed?: boolean][]) =>
    all(
      inTurn(
        ...readings.map(([second, tmstS, delayed = false], i) =>
          hear(second, { payload: phy(NODE, i), tmstUs: Math.round(tmstS * 1e6), delayed }, i),
        ),
      ),
      "SELECT at_us FROM gateway_restart ORDER BY at_us",
    )
      .flat()
      .map(inSeconds);

  it("that began anew is dated where it stood at zero, in whatever order its packets come", () => {
    const before = [100, 1_100] as [number, number];
    const after = [200, 30] as [number, number];
    const later = [300, 130] as [number, number];
    expect(restarts(before, after, later)).toEqual([170]);
    expect(restarts(after, before, later)).toEqual([170]);
    expect(restarts(later, before, after)).toEqual([170]);
    expect(restarts(before, [200, 1_200], [300, 70])).toEqual([230]);
    // A counter of 130 s a hundred seconds after one that ran began in no restart between them.
    expect(restarts(before, [200, 1_200], later)).toEqual([]);
  });

  it("that ran on between two packets takes back a restart that was seen across them", () => {
    // From 1 100 s at 100 s to 30 s at 300 s: begun anew at 270. What comes late then, 1 250 s at 250 s, changes nothing.
    expect(restarts([100, 1_100], [300, 30], [250, 1_250])).toEqual([270]);
    // 20 s at 120 s: begun anew at 100 s, and again at 270 s.
    expect(restarts([90, 1_100], [300, 30], [120, 20])).toEqual([100, 270]);
    // 190 s at 300 s began at 110 s; by 50 s at 200 s, which comes late, it was at 150 s, and at no other time.
    expect(restarts([90, 1_100], [300, 190])).toEqual([110]);
    expect(restarts([90, 1_100], [300, 190], [200, 50])).toEqual([150]);
  });

  it("is not read from packets that a gateway held back, and comes back to a second board's", () => {
    expect(restarts([100, 1_100], [200, 30, true], [300, 1_300])).toEqual([]);
    // Two boards in turn: no restart but the first change.
    expect(
      restarts([100, 1_100], [110, 30], [120, 1_120], [130, 50], [140, 1_140]).length,
    ).toBeLessThanOrEqual(1);
  });

  it("dates back what the way held up, once eight packets fitted", () => {
    const late = (before: number) => {
      const items = Array.from({ length: before }, (_, i) =>
        hear(10 * i, { payload: phy(NODE, i), tmstUs: (1_000 + 10 * i) * 1e6 }, i),
      );
      // Heard 10 s after the last, and 5 s on its way.
      const s = 10 * before;
      const db = inTurn(
        ...items,
        hear(s + 5, { payload: phy(NODE, before), tmstUs: (1_000 + s) * 1e6 }, before),
      );
      const [row = []] = all(db, "SELECT at_us, late_us FROM reception ORDER BY id DESC LIMIT 1");
      const noted = all(db, "SELECT count FROM refusal WHERE reason = 'late'").flat();
      return [inSeconds(row[0]), Number(row[1]) / 1e6, noted];
    };
    expect(late(9)).toEqual([90, 5, [1]]);
    expect(late(8)).toEqual([85, 0, []]);
  });
});

describe("rejections", () => {
  it("are counted by gateway and reason, with their first and last moment", () => {
    const db = openStore(":memory:");
    const writer = new RejectionWriter(db);
    const note = (atUs: number, more: Partial<Parameters<RejectionWriter["note"]>[0]> = {}) =>
      writer.note({
        gatewayId: 1,
        reason: "odd",
        refused: false,
        atUs,
        sentence: "Odd.",
        raw: null,
        ...more,
      });
    note(500);
    note(300, { count: 4 });
    note(900);
    note(100, { gatewayId: 2 });
    note(100, { reason: "other", refused: true });
    writer.flush();
    note(50);
    writer.flush();
    writer.flush();
    expect(
      all(
        db,
        "SELECT gateway_id, reason, refused, count, first_at_us, last_at_us FROM refusal ORDER BY 2, 1",
      ),
    ).toEqual([
      [1, "odd", 0, 7, 50, 900],
      [2, "odd", 0, 1, 100, 100],
      [1, "other", 1, 1, 100, 100],
    ]);
  });

  it("of a datagram without octets leave no sample: there is nothing to keep", () => {
    const { db } = recording([decoded(arrivalOf(new Uint8Array(0), at(5)))]);
    expect(all(db, "SELECT gateway_id, refused, count FROM refusal")).toEqual([[0, 1, 1]]);
    expect(all(db, "SELECT count(*) FROM refusal_sample")).toEqual([[0]]);
    const one = recording([decoded(arrivalOf(Uint8Array.of(9), at(5)))]);
    expect(all(one.db, "SELECT count(*) FROM refusal_sample")).toEqual([[1]]);
  });

  it("leave three samples a commit, twenty in all, of 2 048 octets at the most", () => {
    const db = openStore(":memory:");
    const writer = new RejectionWriter(db);
    const raw = (size: number) => ({ bytes: new Uint8Array(size), source: "192.0.2.7 1" });
    const commit = (times: number, size = 10) => {
      for (let i = 0; i < times; i++)
        writer.note({
          gatewayId: 0,
          reason: "odd",
          refused: true,
          atUs: i,
          sentence: "Odd.",
          raw: raw(size),
        });
      writer.flush();
    };
    const count = () => all(db, "SELECT count(*) FROM refusal_sample")[0]?.[0];
    commit(5);
    expect(count()).toBe(3);
    for (let i = 0; i < 6; i++) commit(3);
    expect(count()).toBe(20);
    commit(1, 3_000);
    expect(count()).toBe(20);
    expect(
      all(db, "SELECT size, length(bytes), source, sentence FROM refusal_sample ORDER BY id DESC LIMIT 1"),
    ).toEqual([[3_000, 2_048, "192.0.2.7 1", "Odd."]]);
  });
});

describe("a server's datagram that leaves nothing to send", () => {
  /** A PULL_RESP of version 2 with this body. */
  const down = (body: string, atS = 10): DownlinkArrival => {
    const bytes = Uint8Array.from([2, 0, 9, 3, ...Buffer.from(body)]);
    const up = arrivalOf(bytes, at(atS));
    return { arrival: { ...up, from: up.to, to: up.from }, downlink: decodeDownstream(bytes) };
  };
  const txpk = (more: object) =>
    JSON.stringify({
      txpk: {
        imme: true,
        freq: 868.3,
        rfch: 0,
        powe: 14,
        modu: "LORA",
        datr: "SF9BW125",
        codr: "4/5",
        ...more,
      },
    });
  const refused = (...bodies: readonly string[]) =>
    all(
      recording(...bodies.map((body, i) => [down(body, 10 + i)])).db,
      "SELECT gateway_id, reason, refused, count FROM refusal ORDER BY reason",
    );

  it("is counted under no gateway by what left nothing of it, else as empty", () => {
    // Base64 that cannot be read leaves no payload; no data, or data of no octets, is empty.
    expect(refused(txpk({ size: 4, data: "****" }))).toEqual([[0, "downlink_base64", 1, 1]]);
    expect(refused(txpk({ size: 0, data: "" }))).toEqual([[0, "downlink_data_empty", 1, 1]]);
    // The datagram itself is kept as a sample.
    expect(
      all(recording([down(txpk({ size: 0, data: "" }))]).db, "SELECT reason, source FROM refusal_sample"),
    ).toEqual([["downlink_data_empty", "192.0.2.1 1700"]]);
    // What cannot be read at all is counted by its own reason.
    expect(refused("{")).toEqual([[0, "downlink_json_syntax", 1, 1]]);
    expect(refused("{", "{")).toEqual([[0, "downlink_json_syntax", 1, 2]]);
  });

  it("that is sent is no refusal, and what was odd in it is counted as used", () => {
    const sound = Buffer.from([0x60, 1, 2, 3]).toString("base64");
    expect(refused(txpk({ size: 4, data: sound }))).toEqual([]);
    expect(refused(txpk({ size: 9, data: sound }))).toEqual([[0, "downlink_size_mismatch", 0, 1]]);
    // The same again is stored already: its oddity is not counted twice.
    expect(refused(txpk({ size: 4, data: sound }), txpk({ size: 4, data: sound }))).toEqual([]);
  });
});

describe("a downlink", () => {
  it("is a row with all that was asked, and what the gateway made of it", () => {
    const octets = new Uint8Array(20).fill(0xe0);
    const lora = { kind: "lora", spreadingFactor: 10, bandwidthHz: 125_000, codingRate: "4/5" } as const;
    const db = recorded(
      pull(SHED, 5),
      handOut(10, 12, octets, { spreadingFactor: 10, frequencyHz: 869_525_000, powerDbm: 27.04 }),
      txAck(SHED, 10.5, 77, { result: "accepted-lower-power", powerDbm: 13.26 }),
    );
    const { id: _id, digest, payload, ...row } = one(db, "SELECT * FROM downlink");
    expect(digest).toBeGreaterThan(0);
    expect(Buffer.from(payload as Uint8Array)).toEqual(Buffer.from(octets));
    expect(row).toMatchObject({
      gateway_id: 1,
      at_us: at(10),
      token: 77,
      tmst_us: 12_000_000,
      frequency_hz: 869_525_000,
      coding_rate: 1,
      power_tenths: 270,
      moment: "counter",
      airtime_us: airtimeOfReception(lora, 20, "none"),
      target: "192.0.2.7 40123",
      outcome: "accepted-lower-power",
      outcome_word: "TX_POWER",
      outcome_at_us: at(10.5),
      sent_power_tenths: 133,
    });
    const plain = one(
      recorded(pull(SHED, 5), handOut(10, 12, octets), txAck(SHED, 10.5, 77)),
      "SELECT * FROM downlink",
    );
    expect(plain).toMatchObject({
      power_tenths: 140,
      outcome: "accepted",
      outcome_word: null,
      sent_power_tenths: null,
    });
  });

  it("belongs to the gateway that called last from where it goes, whoever called from elsewhere since", () => {
    const owner = (...items: (DecodedArrival | DownlinkArrival)[]) =>
      all(recorded(...items, handOut(30, 32, new Uint8Array(20))), "SELECT gateway_id FROM downlink").flat();
    const elsewhere = (s: number) => through(pull(TOWER, s, 2), "capture", 40_999);
    expect(owner(pull(SHED, 10), elsewhere(20))).toEqual([1]);
    expect(owner(elsewhere(10), pull(SHED, 20))).toEqual([2]);
    expect(owner(pull(SHED, 10), pull(TOWER, 20, 2))).toEqual([2]);
    expect(owner(elsewhere(10))).toEqual([0]);
  });
});

describe("recorded time", () => {
  const DAY_S = 86_400;
  const ranges = (db: Store) =>
    all(db, "SELECT source, from_us, to_us, datagrams, begun_by FROM recorded_range ORDER BY from_us").map(
      ([source, from, to, datagrams, by]) => [source, inSeconds(from), inSeconds(to), datagrams, by],
    );

  it("of captures is parted by pauses of more than thirty days, in whatever order they come", () => {
    const days = (...at30: number[]) => ranges(inTurn(...at30.map((day, i) => pull(SHED, day * DAY_S, i))));
    const whole = [["capture", 0, 30 * DAY_S, 2, "datagrams"]];
    expect(days(0, 30)).toEqual(whole);
    expect(days(30, 0)).toEqual(whole);
    expect(days(0, 30.001)).toHaveLength(2);
    // What lies between joins them.
    expect(days(0, 50, 25)).toEqual([["capture", 0, 50 * DAY_S, 3, "datagrams"]]);
    expect(days(50, 0, 25)).toEqual([["capture", 0, 50 * DAY_S, 3, "datagrams"]]);
  });

  it("covers the gateways that came in it, those of joined ranges together", () => {
    const items = [pull(SHED, 0, 1), pull(TOWER, 50 * DAY_S, 2), pull(SHED, 25 * DAY_S, 3)];
    for (const db of [inTurn(...items), recorded(...items)]) {
      expect(
        all(db, "SELECT range_id, gateway_id FROM recorded_gateway ORDER BY 2").map(([, id]) => id),
      ).toEqual([1, 2]);
      expect(all(db, "SELECT count(DISTINCT range_id) FROM recorded_gateway")).toEqual([[1]]);
    }
  });

  it("of the service begins with it, and a heartbeat is written two seconds after the newest datagram", () => {
    const { db, recorder } = recording();
    recorder.listen(at(0), "start");
    recorder.record([through(pull(SHED, 10, 1), "udp")]);
    const toS = () => ranges(db).map(([, , to]) => to);
    recorder.heartbeat(at(11.9));
    expect(toS()).toEqual([10]);
    recorder.heartbeat(at(12));
    expect(toS()).toEqual([12]);
    recorder.heartbeat(at(12.5), true);
    expect(toS()).toEqual([12.5]);
    // Of before its start nothing is its own.
    recorder.record([through(pull(SHED, -5, 2), "udp")]);
    expect(ranges(db)).toEqual([["service", 0, 12.5, 1, "start"]]);
    recorder.listen(at(20), "sleep");
    recorder.heartbeat(at(30), true);
    expect(ranges(db)).toEqual([
      ["service", 0, 12.5, 1, "start"],
      ["service", 20, 30, 0, "sleep"],
    ]);
  });

  it("of the service is one range still after a batch that failed, with the time in which it listened", () => {
    const { db, recorder } = recording();
    recorder.listen(at(0), "start");
    recorder.record([through(pull(SHED, 10, 1), "udp")]);
    db.exec("CREATE TEMP TRIGGER full BEFORE INSERT ON main.datagram BEGIN SELECT RAISE(ABORT, 'full'); END");
    expect(() => recorder.record([through(pull(SHED, 20, 2), "udp")])).toThrow("full");
    db.exec("DROP TRIGGER full");
    recorder.heartbeat(at(30), true);
    expect(ranges(db)).toEqual([["service", 0, 30, 1, "start"]]);
    // The same where it failed before its first commit.
    const early = recording();
    early.db.exec(
      "CREATE TEMP TRIGGER full BEFORE INSERT ON main.datagram BEGIN SELECT RAISE(ABORT, 'full'); END",
    );
    early.db.exec("DELETE FROM recorded_range");
    early.recorder.listen(at(5), "start");
    expect(() => early.recorder.record([through(pull(SHED, 20, 2), "udp")])).toThrow("full");
    early.recorder.heartbeat(at(30), true);
    expect(ranges(early.db)).toEqual([["service", 5, 30, 0, "start"]]);
  });

  it("of another store comes in as a capture's, once, and longer where it grew", () => {
    const { db, recorder } = recording([pull(SHED, 0, 1)]);
    const range = (toS: number, datagrams: number) => ({
      source: "service" as const,
      captureId: null,
      fromUs: at(100),
      toUs: at(toS),
      datagrams,
      begunBy: "start",
      gatewayIds: [1],
    });
    recorder.adopt([range(200, 5)]);
    recorder.adopt([range(250, 8)]);
    recorder.adopt([range(220, 6)]);
    expect(ranges(db)).toEqual([
      ["capture", 0, 0, 1, "datagrams"],
      ["capture", 100, 250, 8, "start"],
    ]);
    expect(all(db, "SELECT count(*) FROM recorded_gateway WHERE gateway_id = 1")).toEqual([[2]]);
  });
});

describe("round trips", () => {
  const relayed = (item: DecodedArrival) => through(item, "relay");
  const counts = (db: Store) =>
    all(db, "SELECT kind, class, sum(count) FROM round_trip_minute GROUP BY 1, 2 ORDER BY 1, 2");
  const data = (s: number, token: number) => relayed(hear(s, { payload: phy(NODE, token) }, token));

  it("count an answer within two seconds, of the same kind and token, once", () => {
    const answered = (afterS: number, token = 5) =>
      counts(inTurn(data(10, 5), pushAck(10 + afterS, token, "relay")));
    const asked = (rows: unknown[][]) => rows.length;
    expect(asked(answered(2))).toBe(2);
    // Too late, of another token, before it was asked: nothing is answered.
    expect([answered(2.001), answered(1, 6), answered(-0.001)]).toEqual([[], [], []]);
    expect(counts(inTurn(data(10, 5), pullAck(10.1, 5, "relay")))).toEqual([]);
    const twice = counts(inTurn(data(10, 5), pushAck(10.1, 5, "relay"), pushAck(10.2, 5, "relay")));
    expect(twice).toEqual(counts(inTurn(data(10, 5), pushAck(10.1, 5, "relay"))));
  });

  it("are given up two seconds after they were asked for, or when their token comes again", () => {
    const unanswered = (secondS: number, token: number) => counts(inTurn(data(10, 5), data(secondS, token)));
    expect(unanswered(12, 6)).toEqual([]);
    const [[kind, one, count] = []] = unanswered(12.001, 6);
    expect([kind, count]).toEqual([0, 1]);
    expect(unanswered(11, 5)).toEqual([[0, one, 1]]);
  });

  it("are not counted by who answers himself", () => {
    const own = through(hear(10, { payload: phy(NODE, 5) }, 5), "udp");
    expect(counts(inTurn(own, through(pull(SHED, 20, 6), "udp")))).toEqual([]);
  });

  it("of a capture pair in any order, the newest that fits first, and end with it", () => {
    const captured = (...items: (DecodedArrival | DownlinkArrival)[]) => {
      const { db, recorder } = recording(...items.map((item) => [item]));
      recorder.endCapture();
      return counts(db);
    };
    const capture = (...items: (DecodedArrival | DownlinkArrival)[]) =>
      captured(...items).map(([, , count]) => count);
    const ask = (s: number, token = 5) => hear(s, { payload: phy(NODE, Math.round(s * 10)) }, token);
    expect(capture(ask(10), pushAck(10.1, 5))).toEqual([1, 1]);
    expect(capture(pushAck(10.1, 5), ask(10))).toEqual([1, 1]);
    expect(capture(pushAck(12.1, 5), ask(10))).toEqual([1]);
    expect(capture(pushAck(9.9, 5), ask(10))).toEqual([1]);
    // Two asked with one token: both are asked, one is answered.
    expect(capture(ask(10), ask(11), pushAck(11.1, 5))).toEqual([2, 1]);
    // The newest that was asked for, also where it was read before an older one: 0.1 s.
    const newest = captured(ask(11), ask(10), pushAck(11.1, 5));
    expect(newest).toEqual(captured(ask(10), ask(11), pushAck(11.1, 5)));
    expect(newest).not.toEqual(captured(ask(11), ask(10), pushAck(11.9, 5)));
    // Of two answers that were there before, the earlier one is its own: 0.1 s, not 1.5 s.
    const [early, late] = [pushAck(10.1, 5), pushAck(11.5, 5)];
    expect(captured(late, early, ask(10))).toEqual(captured(early, ask(10)));
    expect(captured(late, ask(10))).not.toEqual(captured(early, ask(10)));
  });
});

describe("frames heard by several gateways", () => {
  const payload = phy(NODE, 7);
  const frames = (...items: DecodedArrival[]) =>
    all(inTurn(...items), "SELECT at_us FROM frame ORDER BY at_us")
      .flat()
      .map(inSeconds);

  it("are one within two seconds of the first, and a repeat beyond", () => {
    const second = (afterS: number) =>
      frames(hear(5, { payload }, 1), hear(5 + afterS, { payload }, 2, TOWER));
    expect(second(2)).toEqual([5]);
    expect(second(2.001)).toEqual([5, 7.001]);
    expect(second(-2)).toEqual([3]);
    expect(second(0)).toEqual([5]);
  });

  it("are accounted for in whatever order they came, those that ask to join are not", () => {
    const rows = (payload: Uint8Array, ...seconds: readonly number[]) =>
      all(
        inTurn(...seconds.map((s, i) => hear(s, { payload }, i, i === 0 ? SHED : TOWER))),
        "SELECT at_us, counter, life_id FROM frame",
      ).map(([us, ...rest]) => [inSeconds(us), ...rest]);
    expect(rows(phy(NODE, 7), 5, 3)).toEqual([[3, 7, 1]]);
    expect(rows(phy(NODE, 7), 3, 5)).toEqual([[3, 7, 1]]);
    const asks = joinRequest("02005E1000000031", 5);
    expect(rows(asks, 5, 3)).toEqual([[3, null, null]]);
    expect(
      all(
        inTurn(hear(5, { payload: asks }), hear(3, { payload: asks }, 2, TOWER)),
        "SELECT * FROM account_due",
      ),
    ).toEqual([]);
  });

  it("of the last ten seconds are found in memory: the tables are asked for older ones alone", () => {
    const db = openStore(":memory:");
    let asked = 0;
    const prepare = db.prepare.bind(db);
    db.prepare = ((sql: string) => {
      const statement = prepare(sql);
      if (!sql.startsWith("SELECT id, at_us AS atUs FROM frame")) return statement;
      const all = statement.all.bind(statement);
      return Object.assign(statement, {
        all: (...values: unknown[]) => {
          asked += 1;
          return all(...values);
        },
      });
    }) as typeof db.prepare;
    const phyOf = decodePhyPayload(payload);
    if (!phyOf.ok) throw new Error("no frame");
    const heard = (atS: number) => ({
      receptionId: 1,
      gatewayId: 1,
      antenna: 0,
      atUs: at(atS),
      tmstKey: Math.round(atS * 1e6),
      frequencyHz: 868_300_000,
      dataRate: 90_125_000,
      airtimeUs: 185_300,
      further: false,
      rssiTenths: -970,
      crc: "ok" as const,
      payload,
    });
    let frames = new FrameWriter(db);
    const ids: number[] = [];
    const write = (atS: number, content: number) => {
      const placed = frames.place(heard(atS), phyOf.value, content);
      if (placed.kind === "first") ids.push(frames.write(placed.frame, null));
    };
    /** How often the tables are asked about a content that nobody sent. */
    const asks = (atS: number) => {
      const before = asked;
      frames.place(heard(atS), phyOf.value, 999_999);
      return asked - before;
    };
    for (let s = 0; s <= 20; s++) write(s, s);
    expect([ids.length, asked]).toEqual([21, 0]);
    // Of 20 s on, those of 0 to 9 s have left; a transmission may have begun 4 s before.
    expect([asks(20), asks(13.000_001), asks(13)]).toEqual([0, 0, 1]);
    // What was taken away leaves the others of its content: two at 15 s on two channels.
    const alike = frames.place({ ...heard(15), frequencyHz: 868_500_000 }, phyOf.value, 15);
    if (alike.kind !== "first") throw new Error(alike.kind);
    frames.write(alike.frame, null);
    expect(frames.dropIfUnheard(ids[15] ?? 0)).toBe(true);
    const kind = (frequencyHz: number) => frames.place({ ...heard(16), frequencyHz }, phyOf.value, 15).kind;
    expect([kind(868_300_000), kind(868_500_000), asked]).toEqual(["first", "joined", 1]);
    // A writer that begins knows nothing of what is stored; four seconds on it needs nothing of that.
    frames = new FrameWriter(db);
    expect(asks(21)).toBe(1);
    write(24, 24);
    asked = 0;
    expect([asks(24), asks(24.000_001)]).toEqual([1, 0]);
  });

  /** Places a reception after one frame of 5 s, heard by gateway 1, is stored. */
  function afterOneFrame() {
    const db = openStore(":memory:");
    const frames = new FrameWriter(db);
    const phyOf = decodePhyPayload(payload);
    if (!phyOf.ok) throw new Error("no frame");
    let receptionId = 0;
    const place = (atS: number, gatewayId: number, more: Partial<StoredReception> = {}) =>
      frames.place(
        {
          receptionId: ++receptionId,
          gatewayId,
          antenna: 0,
          atUs: at(atS),
          tmstKey: Math.round(atS * 1e6),
          frequencyHz: 868_300_000,
          dataRate: 90_125_000,
          airtimeUs: 185_300,
          further: false,
          rssiTenths: -970,
          crc: "ok",
          payload,
          ...more,
        },
        phyOf.value,
        1,
      );
    const first = place(5, 1);
    if (first.kind !== "first") throw new Error(first.kind);
    const id = frames.write(first.frame, null);
    db.exec(
      `INSERT INTO reception (id, gateway_id, at_us, tmst_key, frame_id, crc, ghost, frequency_hz, data_rate, coding_rate, antenna, airtime_us)
       VALUES (1, 1, ${at(5)}, 5000000, ${id}, 0, 0, 868300000, 90125000, 1, 0, 185300)`,
    );
    return place;
  }

  it("join the one that is stored, but for those before it, or at its moment by another gateway", () => {
    const place = afterOneFrame();
    const joined = { kind: "joined", frameAtUs: at(5) };
    expect(place(7, 2)).toEqual(joined);
    expect(place(5, 1, { antenna: 1 })).toEqual(joined);
    expect(place(7.000_001, 2)).toMatchObject({ kind: "regrouped", fromUs: at(5) });
    expect(place(5, 2)).toEqual({ kind: "regrouped", devAddr: DEV_ADDR, fromUs: at(5) });
    expect(place(4, 2)).toEqual({ kind: "regrouped", devAddr: DEV_ADDR, fromUs: at(4) });
  });

  it("are grouped again with one up to 4 s before them or 2 s behind, and stand alone beyond", () => {
    const kindAt = (atS: number) => afterOneFrame()(atS, 2).kind;
    expect([kindAt(9), kindAt(9.000_001)]).toEqual(["regrouped", "first"]);
    expect([kindAt(3), kindAt(2.999_999)]).toEqual(["regrouped", "first"]);
  });

  it("are two where one gateway's own counter tells two transmissions apart", () => {
    expect(frames(hear(5, { payload, tmstUs: 5e6 }, 1), hear(6, { payload, tmstUs: 6e6 }, 2))).toEqual([
      5, 6,
    ]);
  });

  it("on another channel, or at another data rate, are another transmission", () => {
    expect(
      frames(hear(5, { payload }, 1), hear(5.1, { payload, frequencyHz: 868_500_000 }, 2, TOWER)),
    ).toEqual([5, 5.1]);
    expect(frames(hear(5, { payload }, 1), hear(5.1, { payload, spreadingFactor: 10 }, 2, TOWER))).toEqual([
      5, 5.1,
    ]);
  });

  it("found late are the same as in order, also long after the last seconds", () => {
    const later = Array.from({ length: 5 }, (_, i) =>
      hear(100 + 20 * i, { payload: phy("01A2B3C5", i) }, 10 + i),
    );
    expect(frames(hear(5, { payload }, 1), ...later, hear(4, { payload }, 2, TOWER))).toEqual([
      4, 100, 120, 140, 160, 180,
    ]);
  });
});

describe("a channel's minutes", () => {
  const cells = (db: Store) =>
    all(
      db,
      "SELECT minute - ?, receptions, crc_bad, airtime_us, busy_us FROM channel_minute ORDER BY minute".replace(
        "?",
        `${START_US / 60e6}`,
      ),
    );
  const long = { kind: "lora", spreadingFactor: 12, bandwidthHz: 125_000, codingRate: "4/5" } as const;
  const payload = phy(NODE, 1);
  const airtimeUs = airtimeOfReception(long, payload.length, "ok");

  it("part a packet that reaches over a minute's end, and count it where it ended", () => {
    const db = recorded(hear(60.5, { payload, spreadingFactor: 12 }));
    expect(cells(db)).toEqual([
      [0, 0, 0, airtimeUs - 500_000, airtimeUs - 500_000],
      [1, 1, 0, 500_000, 500_000],
    ]);
  });

  it("count overlapping airtime once as busy, whatever the order, the wrong CRCs among it", () => {
    const first = hear(30, { payload, spreadingFactor: 12, crc: "bad" }, 1);
    const second = hear(30.4, { payload: phy(NODE, 2), spreadingFactor: 12 }, 2);
    const badUs = airtimeOfReception(long, payload.length, "bad");
    const expected = [[0, 2, 1, airtimeUs + badUs, Math.max(airtimeUs + 400_000, badUs + 400_000)]];
    expect(cells(inTurn(first, second))).toEqual(expected);
    expect(cells(inTurn(second, first))).toEqual(expected);
    // Read back by another process.
    const { db } = recording([first]);
    new Recorder(db, null).record([second]);
    expect(cells(db)).toEqual(expected);
  });
});

describe("ranges of recorded time", () => {
  const DAY_S = 86_400;
  const capture = (captureId: number | null) => ({ kind: "capture", captureId }) as const;
  const changed = (writer: RecordedTimeWriter) => {
    const range = writer.takeChanged();
    return range === null ? null : [inSeconds(range.fromUs), inSeconds(range.toUs)];
  };
  const rows = (db: Store) =>
    all(db, "SELECT capture_id, from_us, to_us, datagrams FROM recorded_range ORDER BY id").map(
      ([id, from, to, count]) => [id, inSeconds(from), inSeconds(to), count],
    );

  it("of captures are told apart, and taken up where they were left", () => {
    const db = openStore(":memory:");
    db.exec("DELETE FROM recorded_range");
    db.pragma("foreign_keys = OFF");
    const writer = new RecordedTimeWriter(db);
    for (const [id, s] of [
      [1, 10],
      [2, 20],
      [1, 30],
      [null, 40],
    ] as const)
      writer.heard(capture(id), at(s));
    writer.flush();
    const again = new RecordedTimeWriter(db);
    again.heard(capture(null), at(45));
    again.heard(capture(2), at(25));
    again.flush();
    expect(rows(db)).toEqual([
      [1, 10, 30, 2],
      [2, 20, 25, 2],
      [null, 40, 45, 2],
    ]);
  });

  it("tell once where captures changed them, and nothing of those that stood", () => {
    const db = openStore(":memory:");
    const writer = new RecordedTimeWriter(db);
    writer.heard(capture(null), at(0));
    writer.heard(capture(null), at(40 * DAY_S));
    writer.flush();
    expect([changed(writer), changed(writer)]).toEqual([[0, 40 * DAY_S], null]);
    const again = new RecordedTimeWriter(db);
    again.heard(capture(null), at(5));
    again.flush();
    expect(changed(again)).toEqual([0, 5]);
    again.begin(at(100), "start");
    again.heard({ kind: "service" }, at(110));
    again.flush();
    expect(changed(again)).toBeNull();
  });
});

describe("the last places for gateways", () => {
  /** A store with so many invented identifiers in it, each heard once at 10 s. */
  const crowded = (count: number) => {
    const db = openStore(":memory:");
    db.prepare(
      `WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)
       INSERT INTO gateway (eui, first_at_us, last_at_us) SELECT printf('AA%014X', i), ?, ? FROM n`,
    ).run(count, at(10), at(10));
    return { db, recorder: new Recorder(db, null) };
  };
  const eui = (i: number) => `BB${i.toString(16).toUpperCase().padStart(14, "0")}`;
  const count = (db: Store) => all(db, "SELECT count(*) FROM gateway")[0]?.[0];

  it("are taken by sixty-four newcomers at once, from the last 128 on, and by who comes again", () => {
    const { db, recorder } = crowded(4_096 - 128);
    const newcomers = Array.from({ length: 100 }, (_, i) => pull(eui(i), 20, i));
    expect(recorder.record(newcomers)).toMatchObject({ datagrams: 64, refused: 36 });
    expect(count(db)).toBe(4_096 - 128 + 64);
    expect(all(db, "SELECT reason, count FROM refusal")).toEqual([["cap", 36]]);
    // Half a minute later, one of those that were turned away.
    expect(recorder.record([pull(eui(99), 51, 1)])).toMatchObject({ datagrams: 1, refused: 0 });
    expect(crowded(4_096).recorder.record([pull(eui(1), 20, 1)])).toMatchObject({ datagrams: 0, refused: 1 });
    const few = crowded(4_096 - 129);
    expect(few.recorder.record(newcomers)).toMatchObject({ datagrams: 65, refused: 35 });
  });

  it("are made free by sixty-four that never settled, silent longest first; who comes back is a new one", () => {
    const { db, recorder } = crowded(4_096 - 33);
    // Heard before all others, and in memory.
    recorder.record([pull(eui(1), 5, 1)]);
    expect(count(db)).toBe(4_096 - 32 - 64);
    // Only one of them had a datagram: what arrived is still accounted for.
    expect(all(db, "SELECT reason, refused, count FROM refusal ORDER BY reason")).toEqual([
      ["gave_way", 0, 64],
      ["gave_way_datagram", 1, 1],
    ]);
    expect(all(db, `SELECT count(*) FROM gateway WHERE eui = '${eui(1)}'`)).toEqual([[0]]);
    recorder.record([pull(eui(1), 20, 2)]);
    // Its number was given before, and is not given again.
    expect(all(db, `SELECT id, first_at_us FROM gateway WHERE eui = '${eui(1)}'`)).toEqual([
      [4_096 - 33 + 2, at(20)],
    ]);
    expect(all(db, "SELECT count(*) FROM datagram WHERE gateway_id NOT IN (SELECT id FROM gateway)")).toEqual(
      [[0]],
    );
    // There is room for forty more.
    const more = Array.from({ length: 40 }, (_, i) => pull(eui(100 + i), 120, i));
    expect(recorder.record(more)).toMatchObject({ datagrams: 40, refused: 0 });
  });

  it("are not taken from one that reported twice, called five times, or was heard in three minutes", () => {
    const { db, recorder } = crowded(4_096 - 40);
    const status = (i: number, atS: number) => {
      const bytes = encodePushData({
        version: 2,
        token: atS,
        gatewayEui: eui(i),
        packets: [],
        status: REPORT,
      });
      return decoded(arrivalOf(bytes, at(atS)));
    };
    recorder.record([
      ...[1, 2].map((s) => status(1, s)),
      ...[1, 2, 3, 4, 5].map((s) => pull(eui(2), s, s)),
      ...[-120, -60, 1].map((s) => pull(eui(3), s, s + 200)),
      // One report, four calls, two minutes: none of it settles these.
      status(4, 1),
      ...[1, 2, 3, 4].map((s) => pull(eui(5), s, s)),
      ...[-60, 1].map((s) => pull(eui(6), s, s + 200)),
    ]);
    recorder.record([7, 8].map((i) => pull(eui(i), 6, i)));
    const kept = (
      all(db, "SELECT eui FROM gateway WHERE eui LIKE 'BB%' ORDER BY eui").flat() as string[]
    ).map((one) => Number.parseInt(one.slice(2), 16));
    expect(kept).toEqual([1, 2, 3]);
  });
});

describe("what a ghost takes with it", () => {
  const payload = phy(NODE, 7);
  const weak = [{ ...SIGNAL, rssiDbm: -110 }];
  const strong = [{ ...SIGNAL, rssiDbm: -50 }];
  const ghost = hear(65, { payload, signals: weak, frequencyHz: 868_500_000, tmstUs: 5_000_000 }, 1);
  const real = hear(65.001, { payload, signals: strong, tmstUs: 5_000_000 }, 2);

  it("is not the frame where another gateway heard it on that channel", () => {
    const other = hear(65.1, { payload, frequencyHz: 868_500_000 }, 3, TOWER);
    const db = inTurn(ghost, other, real);
    expect(
      all(db, "SELECT frequency_hz, at_us FROM frame ORDER BY 1").map(([hz, us]) => [hz, inSeconds(us)]),
    ).toEqual([
      [868_300_000, 65.001],
      [868_500_000, 65],
    ]);
    expect(
      all(db, "SELECT gateway_id, ghost, frame_id IS NULL FROM reception ORDER BY gateway_id, at_us"),
    ).toEqual([
      [1, 1, 1],
      [1, 0, 0],
      [2, 0, 0],
    ]);
  });

  it("is remembered no more: who hears it on that channel afterwards has a frame of its own", () => {
    const other = hear(65.1, { payload, frequencyHz: 868_500_000 }, 3, TOWER);
    const later = inTurn(ghost, real, other);
    const frames = (db: Store) =>
      all(
        db,
        `SELECT f.frequency_hz, f.at_us, f.counter, r.gateway_id FROM reception r LEFT JOIN frame f ON f.id = r.frame_id
         WHERE r.ghost = 0 ORDER BY r.gateway_id`,
      ).map(([hz, us, counter, gatewayId]) => [hz, inSeconds(us), counter, gatewayId]);
    expect(frames(later)).toEqual([
      [868_300_000, 65.001, 7, 1],
      [868_500_000, 65.1, 7, 2],
    ]);
    expect(all(later, "SELECT count(*) FROM frame")).toEqual([[2]]);
  });

  it("leaves the other packets of its channel in their minutes, those with a wrong CRC among them", () => {
    const long = { spreadingFactor: 12, frequencyHz: 868_500_000 };
    const others = [
      hear(60.4, { payload: phy("01A2B3C5", 1), ...long }, 4),
      hear(70, { payload: phy("01A2B3C5", 2), ...long, crc: "bad" as const }, 5),
      hear(71, { payload: phy("01A2B3C5", 3), ...long }, 6),
    ];
    const cells = (db: Store) =>
      all(db, "SELECT * FROM channel_minute WHERE frequency_hz = 868500000 ORDER BY minute");
    const without = cells(inTurn(...others));
    expect(without.map((row) => row[3])).toEqual([0, 3]);
    expect(cells(inTurn(ghost, ...others, real))).toEqual(without);
    expect(cells(inTurn(...others, real, ghost))).toEqual(without);
  });
});

describe("two frames of one address at one moment", () => {
  it("have the same counters in whatever order they come", () => {
    const first = hear(10, { payload: phy(NODE, 1) }, 1);
    const pair = [hear(20, { payload: phy(NODE, 2) }, 2), hear(20, { payload: phy(NODE, 3) }, 3, TOWER)];
    const rows = (...items: DecodedArrival[]) => {
      const { db, recorder } = recording(...items.map((item) => [item]));
      recorder.settle();
      return [
        all(db, "SELECT fcnt, counter, repeat FROM frame ORDER BY fcnt"),
        all(db, "SELECT number, heard, last_counter FROM life"),
      ];
    };
    const expected = [
      [
        [1, 1, 0],
        [2, 2, 0],
        [3, 3, 0],
      ],
      [[1, 3, 3]],
    ];
    expect(rows(first, ...pair)).toEqual(expected);
    expect(rows(first, ...[...pair].reverse())).toEqual(expected);
  });
});

describe("a batch out of order", () => {
  it("is accounted for from its earliest frame on", () => {
    // 30 s, then 20 s, then 10 s, in one transaction.
    const db = recorded(...[30, 20, 10].map((s) => hear(s, { payload: phy(NODE, s) }, s)));
    expect(all(db, "SELECT counter, life_id FROM frame ORDER BY at_us")).toEqual([
      [10, 1],
      [20, 1],
      [30, 1],
    ]);
    expect(all(db, "SELECT first_counter, last_counter, heard FROM life")).toEqual([[10, 30, 3]]);
  });
});

describe("states of an address", () => {
  it("are stored after 256 frames, and at the end; two dozen at the most, the newest among them", () => {
    const count = (frames: number) => {
      const { db, recorder } = recording(
        Array.from({ length: frames }, (_, i) => hear(10 * i, { payload: phy(NODE, i) }, i)),
      );
      const states = () => all(db, "SELECT frames FROM address_state ORDER BY last_at_us").flat();
      const before = states();
      recorder.close();
      const after = states();
      // Once stored, they are not written again.
      db.exec("DELETE FROM address_state");
      recorder.close();
      expect(states()).toEqual([]);
      return [before, after];
    };
    expect(count(255)).toEqual([[], [255]]);
    expect(count(256)).toEqual([[256], [256]]);
    expect(count(300)).toEqual([[256], [256, 300]]);
  });

  it("are kept at distances that double: the one that is missed least leaves", () => {
    const { db, recorder } = recording([hear(0, { payload: phy(NODE, 0) }, 0)]);
    // Each close stores one more.
    for (let i = 1; i <= 40; i++) {
      recorder.record([hear(10 * i, { payload: phy(NODE, i) }, i)]);
      recorder.close();
    }
    const frames = all(db, "SELECT frames FROM address_state ORDER BY last_at_us").flat() as number[];
    expect(frames).toHaveLength(24);
    expect(frames.slice(-4)).toEqual([38, 39, 40, 41]);
    expect(frames[0]).toBeLessThan(12);
  });

  it("are kept where they stand for what was removed", () => {
    // The states of 1, 2 … frames lie at 0, 10 … s.
    const left = (removedToS: number) => {
      const { db, recorder } = recording([hear(0, { payload: phy(NODE, 0) }, 0)]);
      recorder.close();
      db.prepare("UPDATE removal SET removed_to_us = ?, rule = '1 day'").run(at(removedToS));
      for (let i = 1; i <= 24; i++) {
        recorder.record([hear(10 * i, { payload: phy(NODE, i) }, i)]);
        recorder.close();
      }
      return all(db, "SELECT frames FROM address_state ORDER BY last_at_us").flat().slice(0, 3);
    };
    // Of 25 the first leaves the smallest hole: 2 of 26, the second 2 of 25. Where it is held, the third does: 2 of 24.
    expect([left(-1), left(0)]).toEqual([
      [2, 3, 4],
      [2, 3, 4],
    ]);
    expect(left(0.000_001)).toEqual([1, 2, 4]);
  });

  it("of a store of an earlier version, which were not packed, are read", () => {
    const { db, recorder } = recording([10, 20].map((s) => hear(s, { payload: phy(NODE, s) }, s)));
    recorder.close();
    const packed = db.prepare("SELECT state FROM address_state").pluck().get() as Buffer;
    db.prepare("UPDATE address_state SET state = ?").run(inflateSync(packed));
    new Recorder(db, null).record([hear(30, { payload: phy(NODE, 30) }, 30)]);
    expect(all(db, "SELECT heard, last_counter FROM life")).toEqual([[3, 30]]);
  });
});

describe("a store's writer", () => {
  it("refuses all of a batch where the store must not be written", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, null, () => {
      throw new Error("moved away");
    });
    expect(() => recorder.record([push(SHED, 5, [{ payload: phy(NODE, 1) }])])).toThrow("moved away");
    expect(() => recorder.write(() => 1)).toThrow("moved away");
    expect(all(db, "SELECT count(*) FROM datagram")).toEqual([[0]]);
  });
});
