/** What is made of stray fields in one packet? Rows 48 to 73 of the checklist of broken input. */
import { describe, expect, test } from "vitest";
import { refusedReasons } from "../../../src/wire/forwarder/upstream.ts";
import { goodPacket, push, pushPacket, pushRaw, readPush } from "./datagrams.ts";

const read = (changes: Record<string, unknown>) => readPush(pushPacket(changes));

describe("clocks", () => {
  test("48: tmst missing keeps the packet without counter time", () => {
    expect(read({ tmst: undefined })).toMatchObject({ packet: { tmstUs: null }, reasons: ["tmst_missing"] });
    expect(read({ tmst: null }).reasons).toEqual(["tmst_missing"]);
  });

  test("49: tmst negative, fractional, or 2^32 and above is absent and not reduced modulo", () => {
    for (const tmst of [-1, 0.5, 2 ** 32, 2 ** 40]) {
      expect(read({ tmst })).toMatchObject({ packet: { tmstUs: null }, reasons: ["range*"] });
    }
    expect(read({ tmst: 2 ** 32 - 1 })).toMatchObject({ packet: { tmstUs: 4_294_967_295 }, reasons: [] });
    expect(read({ tmst: 0 })).toMatchObject({ packet: { tmstUs: 0 }, reasons: [] });
  });

  test.each([
    ["six fraction digits", "2026-03-14T09:26:53.589793Z", 1_773_480_413_589_793],
    ["no fraction", "2026-03-14T09:26:53Z", 1_773_480_413_000_000],
    ["one fraction digit", "2026-03-14T09:26:53.5Z", 1_773_480_413_500_000],
    ["nine fraction digits", "2026-03-14T09:26:53.123456789Z", 1_773_480_413_123_456],
    ["an offset", "2026-03-14T11:26:53.625+02:00", 1_773_480_413_625_000],
    ["an offset without a colon", "2026-03-14T04:26:53-0500", 1_773_480_413_000_000],
    ["milliseconds since 1970 as a number", 1_773_480_413_589, 1_773_480_413_589_000],
    ["the year 1970", "1970-01-01T00:00:01Z", 1_000_000],
    ["the year 1980", "1980-01-06T00:00:00Z", 315_964_800_000_000],
    ["the year 2106", "2106-02-07T06:28:15Z", 4_294_967_295_000_000],
    ["a leap second", "2016-12-31T23:59:60Z", 1_483_228_800_000_000],
  ])("55: time with %s is read", (_, time, us) => {
    expect(read({ time })).toMatchObject({ packet: { gatewayTimeUs: us }, reasons: [] });
  });

  test("55: time missing is no oddity", () => {
    expect(read({ time: undefined })).toMatchObject({ packet: { gatewayTimeUs: null }, reasons: [] });
  });

  test.each([
    "",
    "now",
    "2026-02-30T00:00:00Z",
    "2026-13-01T00:00:00Z",
    "2026-03-14T25:00:00Z",
    "0001-01-01T00:00:00Z",
    true,
    -5,
    {},
    "9999-12-31T23:59:59Z",
  ])("55: time %j is set aside and the packet kept", (time) => {
    const { packets, packet, reasons } = read({ time });
    expect(packets).toHaveLength(1);
    expect(packet?.gatewayTimeUs).toBeNull();
    expect(reasons).toEqual(["time_bad"]);
  });

  test("55: time 1 s off tmms keeps both as they are", () => {
    const { packet, reasons } = read({ time: "2026-03-14T09:26:53.000000Z", tmms: 1_457_515_632_000 });
    expect(packet).toMatchObject({ gatewayTimeUs: 1_773_480_413_000_000, gpsTimeMs: 1_457_515_632_000 });
    expect(reasons).toEqual([]);
  });

  test("a fine time outside one second is absent", () => {
    expect(read({ ftime: 999_999_999 }).packet?.fineTimeNs).toBe(999_999_999);
    for (const ftime of [-3, 1e9]) expect(read({ ftime })).toMatchObject({ packet: { fineTimeNs: null } });
  });
});

describe("frequency", () => {
  test("56: freq as Hz (868100000) is taken as Hz and marked", () => {
    expect(read({ freq: 868_100_000 })).toMatchObject({
      packet: { frequencyHz: 868_100_000 },
      reasons: ["freq*"],
    });
  });

  test("56: freq in kHz, 0, negative, or no number is absent and marked", () => {
    for (const freq of [868_100, 0, -868.1, "868.1 MHz", true, null]) {
      expect(read({ freq })).toMatchObject({ packet: { frequencyHz: null }, reasons: ["freq*"] });
    }
  });

  test("56: a frequency from 1 MHz to 100 GHz is one, in either unit, and anything beyond is none", () => {
    const hzOf = (freq: number) => read({ freq }).packet?.frequencyHz;
    expect([1, 0.999999, 100_000, 1_000_000, 999_999].map(hzOf)).toEqual([
      1_000_000,
      null,
      100_000_000_000,
      1_000_000,
      null,
    ]);
    expect([100_000_000_000, 100_000_000_001].map(hzOf)).toEqual([100_000_000_000, null]);
    // To the nearest Hz.
    expect(hzOf(868.1000004)).toBe(868_100_000);
    expect(hzOf(868.1000006)).toBe(868_100_001);
  });

  test("58: an FSK rate lies above 0 and up to 10 Mb/s", () => {
    const kindOf = (datr: number) => read({ modu: "FSK", datr, codr: undefined }).packet?.modulation.kind;
    expect([0, -50_000, 1, 10_000_000, 10_000_001].map(kindOf)).toEqual([
      "unknown",
      "unknown",
      "fsk",
      "fsk",
      "unknown",
    ]);
  });

  test("56: freq as a strictly decimal string of MHz is converted and marked", () => {
    const { packet, reasons } = read({ freq: "868.1" });
    expect(packet?.frequencyHz).toBe(868_100_000);
    expect(reasons).toEqual(["num_string", "freq*"]);
  });

  test("57: freq 902.299987, 868.2999877929688 is rounded to the nearest hertz", () => {
    expect(read({ freq: 902.299987 })).toMatchObject({ packet: { frequencyHz: 902_299_987 }, reasons: [] });
    expect(read({ freq: 868.2999877929688 })).toMatchObject({
      packet: { frequencyHz: 868_299_988 },
      reasons: [],
    });
    expect(read({ freq: 2403 }).packet?.frequencyHz).toBe(2_403_000_000);
  });
});

describe("modulation", () => {
  const unknown = (text: string) => ({ kind: "unknown", text });

  test("58: datr number with modu LORA, string with FSK keeps the text without airtime", () => {
    expect(read({ datr: 50_000 })).toMatchObject({
      packet: { modulation: unknown("LORA 50000") },
      reasons: ["datr*"],
    });
    expect(read({ modu: "FSK", datr: "SF7BW125" })).toMatchObject({
      packet: { modulation: unknown("FSK SF7BW125") },
      reasons: ["datr*"],
    });
    expect(read({ modu: "FSK", datr: 50_000, codr: undefined })).toMatchObject({
      packet: { modulation: { kind: "fsk", bitrateBps: 50_000 } },
      reasons: [],
    });
  });

  test("58: an FSK bit rate below 1 bit/s or above 10 Mbit/s is kept as text, without an endless airtime", () => {
    for (const datr of [5e-324, 0.99, 10_000_001])
      expect(read({ modu: "FSK", datr, codr: undefined })).toMatchObject({
        packet: { modulation: unknown(`FSK ${datr}`) },
        reasons: ["datr"],
      });
    expect(read({ modu: "FSK", datr: 1, codr: undefined })).toMatchObject({
      packet: { modulation: { kind: "fsk", bitrateBps: 1 } },
      reasons: [],
    });
  });

  test("59: datr SF7BW62.5 and SF12Bw125 parse", () => {
    expect(read({ datr: "SF7BW62.5" })).toMatchObject({
      packet: { modulation: { kind: "lora", spreadingFactor: 7, bandwidthHz: 62_500 } },
      reasons: [],
    });
    expect(read({ datr: "SF12Bw125" })).toMatchObject({
      packet: { modulation: { kind: "lora", spreadingFactor: 12, bandwidthHz: 125_000 } },
      reasons: [],
    });
  });

  test("59: datr SF13BW125, SF7, M0CW137 beside LORA are kept as text", () => {
    for (const datr of ["SF13BW125", "SF4BW125", "SF7", "M0CW137", "SF7BW137", ""]) {
      expect(read({ datr })).toMatchObject({
        packet: { modulation: unknown(`LORA ${datr}`.trim()) },
        reasons: ["datr"],
      });
    }
  });

  test.each([
    ["7.8", 7812.5],
    ["10.4", 10_416.67],
    ["15.6", 15_625],
    ["20.8", 20_833.33],
    ["31.2", 31_250],
    ["41.7", 41_666.67],
    ["62.5", 62_500],
    ["125", 125_000],
    ["250", 250_000],
    ["500", 500_000],
    ["203", 203_125],
    ["406", 406_250],
    ["800", 812_500],
    ["812", 812_500],
    ["1600", 1_625_000],
    ["1625", 1_625_000],
  ])("the bandwidth label %s means %d Hz", (label, bandwidthHz) => {
    expect(read({ datr: `SF9BW${label}` }).packet?.modulation).toMatchObject({ kind: "lora", bandwidthHz });
  });

  test("LR-FHSS names its type and width", () => {
    expect(read({ modu: "LR-FHSS", datr: "M0CW137", codr: "1/3" })).toMatchObject({
      packet: { modulation: { kind: "lr-fhss", type: 0, operatingWidthHz: 137_000, codingRate: "1/3" } },
      reasons: [],
    });
  });

  test("60: modu missing or unknown keeps the packet without airtime", () => {
    expect(read({ modu: undefined })).toMatchObject({
      packet: { modulation: unknown("SF9BW125") },
      reasons: ["modu*"],
    });
    expect(read({ modu: "OOK" })).toMatchObject({
      packet: { modulation: unknown("OOK SF9BW125") },
      reasons: ["modu*"],
    });
    expect(read({ modu: undefined, datr: undefined }).packet?.modulation).toEqual(unknown(""));
  });

  test("61: codr missing, OFF, 4/8LI, ? is accepted; only known values count for airtime", () => {
    const rate = (codr: unknown) => {
      const { packet, reasons } = read({ codr });
      return [packet?.modulation.kind === "lora" && packet.modulation.codingRate, reasons];
    };
    expect(rate(undefined)).toEqual([null, ["codr"]]);
    expect(rate("?")).toEqual([null, ["codr"]]);
    expect(rate("OFF")).toEqual(["OFF", ["codr"]]);
    expect(rate("4/8LI")).toEqual(["4/8LI", []]);
    expect(rate("4/7LI")).toEqual(["4/8LI", []]);
    for (const codr of ["4/5", "4/6", "4/7", "4/8"]) expect(rate(codr)).toEqual([codr, []]);
  });
});

describe("CRC", () => {
  test("62: stat missing is an unknown CRC", () => {
    expect(read({ stat: undefined })).toMatchObject({ packet: { crc: "unknown" }, reasons: ["crc_unknown"] });
  });

  test("63: stat -1 with an apparent DevAddr and counter is stored as a CRC error", () => {
    const { packet, reasons } = read({ stat: -1 });
    expect(packet?.crc).toBe("bad");
    expect(packet?.payload).toHaveLength(18);
    expect(reasons).toEqual(["crc_bad"]);
  });

  test('64: stat 2, "OK", true is an unknown CRC', () => {
    for (const stat of [2, "OK", true]) {
      expect(read({ stat })).toMatchObject({ packet: { crc: "unknown" }, reasons: ["crc_unknown*"] });
    }
  });

  test("stat 0 says that no CRC was sent", () => {
    expect(read({ stat: 0 })).toMatchObject({ packet: { crc: "none" }, reasons: [] });
  });
});

describe("signals", () => {
  const antennas = { rssi: undefined, lsnr: undefined, chan: undefined, jver: 2 };

  test("65: rssi missing with rsig present is taken from rsig, every antenna kept", () => {
    const rsig = [
      {
        ant: 0,
        chan: 7,
        rssic: -103,
        rssis: -108,
        lsnr: -1.5,
        etime: "AAECAwQFBgcICQoLDA0ODw==",
        foff: -418,
      },
      { ant: 1, chan: 23, rssic: -97, lsnr: 4.2, foff: -402.4, ftstat: 1, ftver: 1, ftdelta: -3 },
    ];
    const { packet, reasons } = read({ ...antennas, rsig });
    expect(packet?.signals).toEqual([
      { antenna: 0, ifChannel: 7, rssiDbm: -103, signalRssiDbm: -108, snrDb: -1.5, frequencyOffsetHz: -418 },
      { antenna: 1, ifChannel: 23, rssiDbm: -97, signalRssiDbm: null, snrDb: 4.2, frequencyOffsetHz: -402 },
    ]);
    expect(reasons).toEqual([]);
  });

  test("65: rsig without jver is read all the same", () => {
    const { packet } = read({ ...antennas, jver: undefined, rsig: [{ ant: 1, rssic: -80, lsnr: 2 }] });
    expect(packet?.signals).toMatchObject([{ antenna: 1, rssiDbm: -80 }]);
  });

  test("66: rsig empty, or entries without lsnr, keeps the packet with the signal absent", () => {
    const absent = { antenna: 0, ifChannel: null, rssiDbm: null, signalRssiDbm: null, snrDb: null };
    expect(read({ ...antennas, rsig: [] })).toMatchObject({
      packet: { signals: [absent] },
      reasons: ["rsig"],
    });
    expect(read({ ...antennas, rsig: [null, 5] })).toMatchObject({
      packet: { signals: [absent] },
      reasons: ["rsig"],
    });
    expect(read({ ...antennas, rsig: [{ ant: 1, rssic: -80 }] })).toMatchObject({
      packet: { signals: [{ antenna: 1, rssiDbm: -80, snrDb: null }] },
      reasons: ["rsig"],
    });
  });

  test("67: rssi 139, -999 is absent outside -160 to +20", () => {
    for (const rssi of [139, -999, -161, 21]) {
      expect(read({ rssi })).toMatchObject({
        packet: { signals: [{ rssiDbm: null, snrDb: 6.2 }] },
        reasons: ["range"],
      });
    }
    for (const rssi of [-160, 20]) expect(read({ rssi }).reasons).toEqual([]);
  });

  test("a buffered packet says that it was delayed, by the boolean only", () => {
    expect(read({ delayed: true }).packet?.delayed).toBe(true);
    expect(read({ delayed: "true" }).packet?.delayed).toBe(false);
  });
});

describe("payload", () => {
  test("68: data missing or empty with size 0 keeps metadata only", () => {
    for (const data of [undefined, null, ""]) {
      expect(read({ data, size: 0 })).toMatchObject({
        packet: { payload: new Uint8Array(0) },
        reasons: ["data_empty"],
      });
      expect(read({ data, size: 18 })).toMatchObject({ packet: { payload: null }, reasons: ["data_empty"] });
    }
  });

  test("69: base64 unpadded, url-safe, mixed alphabets is decoded", () => {
    const octets = Uint8Array.of(0xfb, 0xff, 0xbf, 0xfb, 0xff);
    for (const data of ["+/+/+/8=", "+/+/+/8", "-_-_-_8=", "-_-_-_8", "+/-_+_8="]) {
      expect(read({ data, size: 5 })).toMatchObject({ packet: { payload: octets }, reasons: [] });
    }
  });

  test("70: base64 with a bad character, or length 1 modulo 4, leaves metadata only", () => {
    for (const data of ["QOfC*AGA", "QOfC pAG", "QOfCp", "QQ===", "=QQ=", 5, {}, `${"A".repeat(400)}*`]) {
      const { packet, reasons } = read({ data });
      expect(packet).toMatchObject({ payload: null, tmstUs: goodPacket.tmst });
      expect(reasons).toEqual(["base64*"]);
    }
    expect(refusedReasons.has("base64")).toBe(true);
  });

  test("71: where size differs from the decoded length the decoded length wins", () => {
    const { packet, reasons } = read({ size: 24 });
    expect(packet?.payload).toHaveLength(18);
    expect(reasons).toEqual(["size_mismatch"]);
  });

  test("72: a decoded length above 255 leaves metadata only", () => {
    const data = (octets: number): string => Buffer.alloc(octets, 0x40).toString("base64");
    expect(read({ data: data(255), size: 255 }).packet?.payload).toHaveLength(255);
    for (const octets of [256, 257, 3000]) {
      expect(read({ data: data(octets), size: octets })).toMatchObject({
        packet: { payload: null },
        reasons: ["data_long*"],
      });
    }
  });

  test("73: a payload shorter than 12 bytes is kept for the LoRaWAN decoder to judge", () => {
    expect(read({ data: "QOfC", size: 3 })).toMatchObject({
      packet: { payload: Uint8Array.of(0x40, 0xe7, 0xc2) },
      reasons: [],
    });
  });

  test("a stored payload holds no larger buffer alive", () => {
    expect(readPush(push(JSON.stringify({ rxpk: [goodPacket] }))).packet?.payload?.buffer.byteLength).toBe(
      18,
    );
  });
});

test("75: the same payload twice in one datagram is two packets, for the ledger to group", () => {
  const twin = { ...goodPacket, tmst: goodPacket.tmst + 2, freq: 867.3, rssi: -100, lsnr: -11 };
  const { packets, reasons } = readPush(push(JSON.stringify({ rxpk: [goodPacket, twin] })));
  expect(packets.map((packet) => packet.tmstUs)).toEqual([2748120031, 2748120033]);
  expect(reasons).toEqual([]);
});

test("77: an EUI all zero, all FF or shipped default is read like any other", () => {
  for (const eui of ["0000000000000000", "FFFFFFFFFFFFFFFF", "AA555A0000000000"]) {
    const bytes = pushRaw("chan", "1");
    bytes.set(Buffer.from(eui, "hex"), 4);
    expect(readPush(bytes).datagram.gatewayEui).toBe(eui);
  }
});

test("each reason is counted once a packet, so that a hostile body stays bounded", () => {
  const { reasons } = readPush(
    push(
      JSON.stringify({
        rxpk: [
          { ...goodPacket, rssi: 900, lsnr: 900, chan: -1 },
          { ...goodPacket, rssi: 900 },
        ],
      }),
    ),
  );
  expect(reasons).toEqual(["range", "range"]);
});
