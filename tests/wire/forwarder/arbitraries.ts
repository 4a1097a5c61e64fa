/** Which values can a gateway or server send? Arbitraries on the grid of the wire: whole dBm, tenths of a dB, microseconds. */
import * as fc from "fast-check";
import type { PushData, RadioPacket, Signal, StatusReport, TxAck } from "../../../src/model/datagram.ts";
import type { CodingRate, Modulation } from "../../../src/model/modulation.ts";
import type { Transmission, TransmitMoment } from "../../../src/wire/forwarder/downstream.ts";
import type { SendableOutcome } from "../../../src/wire/forwarder/encode.ts";
import { formatStatusTime } from "../../../src/wire/forwarder/fields.ts";

export const head = { version: fc.constantFrom(1 as const, 2 as const), token: fc.nat(65_535) };
export const gatewayEui = fc
  .nat(255)
  .map((last) => `02005E10000000${last.toString(16).toUpperCase().padStart(2, "0")}`);

const maybe = <T>(arbitrary: fc.Arbitrary<T>): fc.Arbitrary<T | null> => fc.option(arbitrary, { nil: null });
const scaled = (min: number, max: number, scale: number): fc.Arbitrary<number> =>
  fc.integer({ min, max }).map((value) => value / scale);

const codingRate = fc.constantFrom<CodingRate | null>(
  ...([
    "4/5",
    "4/6",
    "4/7",
    "4/8",
    "4/5LI",
    "4/6LI",
    "4/8LI",
    "1/3",
    "2/3",
    "1/2",
    "5/6",
    "OFF",
    null,
  ] as const),
);

// SX1276 and SX1280 data sheets: the bandwidths that forwarders have a label for.
const knownBandwidthsHz = [
  125_000, 250_000, 500_000, 7812.5, 10_416.67, 15_625, 20_833.33, 31_250, 41_666.67, 62_500, 203_125,
  406_250, 812_500, 1_625_000,
];

export const modulation: fc.Arbitrary<Modulation> = fc.oneof(
  fc.record({
    kind: fc.constant("lora" as const),
    spreadingFactor: fc.integer({ min: 5, max: 12 }),
    bandwidthHz: fc.constantFrom(...knownBandwidthsHz),
    codingRate,
  }),
  fc.record({ kind: fc.constant("fsk" as const), bitrateBps: fc.integer({ min: 500, max: 250_000 }) }),
  fc.record({
    kind: fc.constant("lr-fhss" as const),
    type: fc.nat(9),
    operatingWidthHz: fc.constantFrom(137_000, 336_000, 1_523_000),
    codingRate,
  }),
  fc.record({
    kind: fc.constant("unknown" as const),
    text: fc.string({ maxLength: 64 }).filter((text) => text === text.trim()),
  }),
);

const signal = (antenna: fc.Arbitrary<number>): fc.Arbitrary<Signal> =>
  fc.record({
    antenna,
    ifChannel: maybe(fc.nat(63)),
    rssiDbm: maybe(fc.integer({ min: -160, max: 20 })),
    signalRssiDbm: maybe(fc.integer({ min: -160, max: 20 })),
    snrDb: maybe(scaled(-500, 500, 10)),
    frequencyOffsetHz: maybe(fc.integer({ min: -125_000, max: 125_000 })),
  });

export const packet: fc.Arbitrary<RadioPacket> = fc.record({
  tmstUs: maybe(fc.nat(2 ** 32 - 1)),
  gatewayTimeUs: maybe(fc.nat(4_294_967_295_999_999)),
  gpsTimeMs: maybe(fc.nat(2 ** 42)),
  fineTimeNs: maybe(fc.nat(999_999_999)),
  frequencyHz: maybe(fc.integer({ min: 137_000_000, max: 2_500_000_000 })),
  rfChain: maybe(fc.nat(1)),
  crc: fc.constantFrom("ok" as const, "bad" as const, "none" as const, "unknown" as const),
  modulation,
  payload: maybe(fc.uint8Array({ maxLength: 255 })),
  signals: fc.oneof(
    fc.tuple(signal(fc.constant(0))),
    fc.array(signal(fc.nat(3)), { minLength: 1, maxLength: 4 }),
  ),
  delayed: fc.boolean(),
});

const text = maybe(fc.string({ unit: "grapheme", maxLength: 60 }));
const counter = maybe(fc.nat(100_000));

export const status: fc.Arbitrary<StatusReport> = fc
  .record({
    timeUs: maybe(fc.nat(4_294_967_295).map((seconds) => seconds * 1e6)),
    latitudeDeg: maybe(scaled(-9_000_000, 9_000_000, 1e5)),
    longitudeDeg: maybe(scaled(-18_000_000, 18_000_000, 1e5)),
    altitudeM: maybe(fc.integer({ min: -400, max: 9000 })),
    rxReceived: counter,
    rxCrcOk: counter,
    rxForwarded: counter,
    ackPercent: maybe(scaled(0, 1000, 10)),
    downlinkDatagrams: counter,
    txEmitted: counter,
    temperatureC: maybe(scaled(-400, 1200, 10)),
    platform: text,
    mail: text,
    description: text,
  })
  .map((report) => ({
    ...report,
    timeText: report.timeUs === null ? null : formatStatusTime(report.timeUs),
  }));

export const pushData: fc.Arbitrary<PushData> = fc.record({
  kind: fc.constant("push-data" as const),
  ...head,
  gatewayEui,
  packets: fc.array(packet, { maxLength: 4 }),
  status: maybe(status),
});

const outcome: fc.Arbitrary<SendableOutcome> = fc.oneof(
  fc.constant({ result: "accepted" as const, word: null, powerDbm: null }),
  fc.record({
    result: fc.constant("refused" as const),
    word: fc.constantFrom("TOO_LATE", "TOO_EARLY", "COLLISION_PACKET", "TX_FREQ", "no such thing"),
    powerDbm: fc.constant(null),
  }),
  fc.record({
    result: fc.constant("accepted-lower-power" as const),
    word: fc.constant("TX_POWER"),
    powerDbm: maybe(fc.integer({ min: -20, max: 30 })),
  }),
);

export const txAck: fc.Arbitrary<TxAck & { readonly outcome: SendableOutcome }> = fc.record({
  kind: fc.constant("tx-ack" as const),
  ...head,
  gatewayEui,
  outcome,
});

const moment: fc.Arbitrary<TransmitMoment> = fc.oneof(
  fc.constant({ kind: "immediate" as const }),
  fc.constant({ kind: "unsaid" as const }),
  fc.record({ kind: fc.constant("counter" as const), tmstUs: fc.nat(2 ** 32 - 1) }),
  fc.record({ kind: fc.constant("gps" as const), gpsTimeMs: fc.nat(2 ** 42) }),
);

export const transmission: fc.Arbitrary<Transmission> = fc.record({
  moment,
  frequencyHz: maybe(fc.integer({ min: 137_000_000, max: 2_500_000_000 })),
  rfChain: maybe(fc.nat(1)),
  powerDbm: maybe(fc.integer({ min: -20, max: 30 })),
  modulation,
  frequencyDeviationHz: maybe(fc.nat(250_000)),
  invertedPolarity: fc.boolean(),
  preamble: maybe(fc.nat(65_535)),
  payload: maybe(fc.uint8Array({ maxLength: 255 })),
  withoutCrc: fc.boolean(),
  implicitHeader: fc.boolean(),
});

/** Checks a synchronous property: fast-check's own `assert` is typed for asynchronous ones too. */
export const holds: <T>(property: fc.IProperty<T>, parameters?: fc.Parameters<T>) => void = fc.assert;
