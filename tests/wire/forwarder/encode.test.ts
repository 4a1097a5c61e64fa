/** Does a datagram that is written look like a gateway's, and read as what was written? */
import * as fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { RadioPacket, Signal } from "../../../src/model/datagram.ts";
import { decodeDownstream } from "../../../src/wire/forwarder/downstream.ts";
import {
  encodePullAck,
  encodePullData,
  encodePullResponse,
  encodePushAck,
  encodePushData,
  encodeTxAck,
} from "../../../src/wire/forwarder/encode.ts";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";
import { gatewayEui, head, holds, pushData, transmission, txAck } from "./arbitraries.ts";

const signal: Signal = {
  antenna: 0,
  ifChannel: 3,
  rssiDbm: -97.4,
  signalRssiDbm: null,
  snrDb: -3.25,
  frequencyOffsetHz: null,
};

const packet: RadioPacket = {
  tmstUs: 12_345_678,
  gatewayTimeUs: null,
  gpsTimeMs: null,
  fineTimeNs: null,
  frequencyHz: 867_100_000,
  rfChain: 0,
  crc: "ok",
  modulation: { kind: "lora", spreadingFactor: 7, bandwidthHz: 125_000, codingRate: "4/5" },
  payload: Uint8Array.of(0x40, 1, 2, 3),
  signals: [signal],
  delayed: false,
};

function bodyOf(...packets: RadioPacket[]): string {
  const bytes = encodePushData({
    version: 2,
    token: 1,
    gatewayEui: "02005E1000000001",
    packets,
    status: null,
  });
  return Buffer.from(bytes.subarray(12)).toString();
}

describe("the reference daemons' forms", () => {
  test("a packet without signal RSSI takes the SX1301 daemon's keys and number formats", () => {
    expect(bodyOf(packet)).toBe(
      '{"rxpk":[{"tmst":12345678,"chan":3,"rfch":0,"freq":867.100000,"stat":1,"modu":"LORA","datr":"SF7BW125","codr":"4/5","lsnr":-3.3,"rssi":-97,"size":4,"data":"QAECAw=="}]}',
    );
  });

  test("a packet with signal RSSI and offset takes the SX1302 daemon's keys and number formats", () => {
    const fine = {
      ...packet,
      gatewayTimeUs: 1_773_480_413_000_042,
      gpsTimeMs: 1_457_515_631_000,
      fineTimeNs: 42_000,
      crc: "bad" as const,
      signals: [{ ...signal, signalRssiDbm: -101, frequencyOffsetHz: -1250 }],
    };
    expect(bodyOf(fine)).toBe(
      '{"rxpk":[{"jver":1,"tmst":12345678,"time":"2026-03-14T09:26:53.000042Z","tmms":1457515631000,"ftime":42000,"chan":3,"rfch":0,"freq":867.100000,"mid": 3,"stat":-1,"modu":"LORA","datr":"SF7BW125","codr":"4/5","rssis":-101,"lsnr":-3.3,"foff":-1250,"rssi":-97,"size":4,"data":"QAECAw=="}]}',
    );
  });

  test("an FSK packet has a numeric rate and neither coding rate nor SNR", () => {
    const fsk = {
      ...packet,
      modulation: { kind: "fsk" as const, bitrateBps: 50_000 },
      signals: [{ ...signal, snrDb: null }],
    };
    expect(bodyOf(fsk)).toContain('"modu":"FSK","datr":50000,"rssi":-97,"size":4,');
  });

  test("several antennas are written as rsig, keys in alphabetical order", () => {
    const two = { ...packet, signals: [signal, { ...signal, antenna: 1, snrDb: 2, signalRssiDbm: -99 }] };
    const [written] = (JSON.parse(bodyOf(two)) as { rxpk: Record<string, unknown>[] }).rxpk;
    expect(Object.keys(written!)).toEqual(Object.keys(written!).sort());
    expect(written).toMatchObject({
      jver: 2,
      rsig: [
        { ant: 0, chan: 3, lsnr: -3.3, rssic: -97 },
        { ant: 1, chan: 3, lsnr: 2, rssic: -97, rssis: -99 },
      ],
    });
    expect(written).not.toHaveProperty("rssi");
  });

  test("a PUSH_DATA with nothing to say is an empty object, and its 14 octets read as such", () => {
    expect(bodyOf()).toBe("{}");
  });

  test("a status report has its time as printed by the daemons, and its fraction only where it is to be exact", () => {
    const status = {
      timeUs: Date.UTC(2026, 2, 14, 9) * 1000 + 250_000,
      timeText: null,
      latitudeDeg: null,
      longitudeDeg: null,
      altitudeM: null,
      rxReceived: 1,
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
    const written = (figures: "printf" | "exact", timeUs = status.timeUs) =>
      Buffer.from(
        encodePushData(
          {
            version: 2,
            token: 1,
            gatewayEui: "02005E1000000001",
            packets: [],
            status: { ...status, timeUs },
          },
          figures,
        ).subarray(12),
      ).toString();
    expect(written("printf")).toBe('{"stat":{"time":"2026-03-14 09:00:00 GMT","rxnb":1}}');
    expect(written("exact")).toBe('{"stat":{"time":"2026-03-14T09:00:00.250000Z","rxnb":1}}');
    expect(written("exact", status.timeUs - 250_000)).toBe(
      '{"stat":{"time":"2026-03-14 09:00:00 GMT","rxnb":1}}',
    );
  });

  test("acknowledgements are 4 octets, a keepalive and an accepted TX_ACK 12", () => {
    const named = { version: 1, token: 0x0102, gatewayEui: "02005E10000000FF" } as const;
    expect(Buffer.from(encodePushAck(named)).toString("hex")).toBe("01010201");
    expect(Buffer.from(encodePullAck(named)).toString("hex")).toBe("01010204");
    expect(Buffer.from(encodePullData(named)).toString("hex")).toBe("0101020202005e10000000ff");
    const accepted = { result: "accepted", word: null, powerDbm: null } as const;
    expect(Buffer.from(encodeTxAck({ ...named, outcome: accepted })).toString("hex")).toBe(
      "0101020502005e10000000ff",
    );
  });
});

describe("what is written is read again", () => {
  test("every PUSH_DATA reads as it was written", () => {
    holds(
      fc.property(pushData, (datagram) => {
        const decoded = decodeUpstream(encodePushData(datagram));
        expect(decoded.ok && decoded.datagram).toEqual(datagram);
      }),
      { numRuns: 500 },
    );
  });

  test("every PULL_DATA and TX_ACK reads as it was written", () => {
    holds(
      fc.property(fc.record({ ...head, gatewayEui }), txAck, (pull, ack) => {
        expect(decodeUpstream(encodePullData(pull))).toEqual({
          ok: true,
          datagram: { kind: "pull-data", ...pull },
          oddities: [],
        });
        const decoded = decodeUpstream(encodeTxAck(ack));
        expect(decoded.ok && decoded.datagram).toEqual(ack);
      }),
    );
  });

  test("every datagram of a server reads as it was written", () => {
    holds(
      fc.property(fc.record(head), transmission, (named, wanted) => {
        const read = (bytes: Uint8Array) => {
          const decoded = decodeDownstream(bytes);
          return decoded.ok && decoded.datagram;
        };
        expect(read(encodePushAck(named))).toEqual({ kind: "push-ack", ...named });
        expect(read(encodePullAck(named))).toEqual({ kind: "pull-ack", ...named });
        expect(read(encodePullResponse({ ...named, transmission: wanted }))).toEqual({
          kind: "pull-response",
          ...named,
          transmission: wanted,
        });
      }),
      { numRuns: 300 },
    );
  });
});

test("a PUSH_DATA of nothing has an empty body object, or an empty list where it is to be exact", () => {
  const nothing = {
    version: 2,
    token: 1,
    gatewayEui: "02005E1000000001",
    packets: [],
    status: null,
  } as const;
  const body = (...figures: ["exact"] | []) =>
    Buffer.from(encodePushData(nothing, ...figures).subarray(12)).toString();
  expect(body()).toBe("{}");
  expect(body("exact")).toBe('{"rxpk":[]}');
});

test("each of signal RSSI, frequency offset and fine time alone asks for the SX1302 daemon's form", () => {
  const isSx1302 = (more: Partial<Signal>, fineTimeNs: number | null = null) =>
    bodyOf({ ...packet, fineTimeNs, signals: [{ ...signal, ...more }] }).includes('"jver":1');
  expect(isSx1302({})).toBe(false);
  expect(isSx1302({ signalRssiDbm: -101 })).toBe(true);
  expect(isSx1302({ frequencyOffsetHz: 7 })).toBe(true);
  expect(isSx1302({}, 42_000)).toBe(true);
});
