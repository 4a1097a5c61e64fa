/**
 * What does a class B beacon say? It is not a PHYPayload: no MHDR, an exact length, two CRCs of its own.
 * Sources: LoRaWAN 1.1, sections 15.1 and 15.2; LoRaWAN L2 1.0.4, table 75 (Prec).
 * Layout by region: RFU, Param, Time, CRC, GwSpecific, RFU, CRC. Never throws.
 */
import type { Decoded } from "../../model/fault.ts";
import { hexOf, littleEndian, octet } from "./octets.ts";

// Which moment of UTC does a count of GPS seconds name? GPS time has no leap seconds; DeviceTimeAns and the
// class B beacon use it.
// Source: GPS epoch 1980-01-06T00:00:00Z (LoRaWAN 1.1, section 15.2); leap seconds from IERS Bulletin C,
// the dates from memory.

const GPS_EPOCH_MS = Date.UTC(1980, 0, 6);

// IERS Bulletin C: first day after each leap second since the GPS epoch.
const LEAP_SECOND_DAYS: readonly (readonly [number, number])[] = [
  [1981, 7],
  [1982, 7],
  [1983, 7],
  [1985, 7],
  [1988, 1],
  [1990, 1],
  [1991, 1],
  [1992, 7],
  [1993, 7],
  [1994, 7],
  [1996, 1],
  [1997, 7],
  [1999, 1],
  [2006, 1],
  [2009, 1],
  [2012, 7],
  [2015, 7],
  [2017, 1],
];

// The GPS second at which each further leap second counts.
const LEAP_GPS_SECONDS: readonly number[] = LEAP_SECOND_DAYS.map(
  ([year, month], index) => (Date.UTC(year, month - 1, 1) - GPS_EPOCH_MS) / 1000 + index + 1,
);

/** Leap seconds between GPS time and UTC at a GPS second: 17 in 2016, 18 since 2017. */
export function leapSecondsAt(gpsSeconds: number): number {
  return LEAP_GPS_SECONDS.filter((since) => gpsSeconds >= since).length;
}

/** UTC as ISO 8601 with milliseconds from GPS seconds (fractions allowed). */
export function utcOfGps(gpsSeconds: number): string {
  return new Date(GPS_EPOCH_MS + (gpsSeconds - leapSecondsAt(gpsSeconds)) * 1000).toISOString();
}

/** Which layout: by the spreading factor that the region sends beacons with. */
export interface BeaconLayout {
  readonly name: string;
  /** RFU octets before Param. */
  readonly rfu1: number;
  /** Octets between GwSpecific and the second CRC. */
  readonly rfu2: number;
  readonly total: number;
}

/** Regional beacon layouts as reference implementations send them; SF9 agrees with the printed example. */
export const BEACON_LAYOUTS: readonly BeaconLayout[] = [
  { name: "SF9", rfu1: 1, rfu2: 0, total: 17 },
  { name: "SF8", rfu1: 0, rfu2: 3, total: 19 },
  { name: "SF10", rfu1: 2, rfu2: 1, total: 19 },
  { name: "SF12/500", rfu1: 4, rfu2: 3, total: 23 },
];

export interface Beacon {
  readonly layout: string;
  /** Accuracy of the transmission time in seconds: 10^(-6 + Prec). */
  readonly precisionSeconds: number;
  readonly gpsSeconds: number;
  readonly utc: string;
  readonly crc1: number;
  readonly crc1Ok: boolean;
  /** 0 to 2: position of that antenna; other values are not positions. */
  readonly infoDesc: number;
  readonly latitudeRaw: number;
  readonly longitudeRaw: number;
  /** null when InfoDesc is no position. */
  readonly latitudeDeg: number | null;
  readonly longitudeDeg: number | null;
  readonly gwSpecificHex: string;
  readonly crc2: number;
  readonly crc2Ok: boolean;
}

/**
 * Reads a beacon by its exact length (17, 19 or 23 octets); where two layouts share a length, the one whose CRCs fit.
 * A CRC that fails is reported, not rejected. Fault (layer `lorawan`): `noBeaconLength`.
 */
export function decodeBeacon(bytes: Uint8Array): Decoded<Beacon> {
  const readings = BEACON_LAYOUTS.filter((layout) => layout.total === bytes.length).map((layout) =>
    readBeacon(bytes, layout),
  );
  const best =
    readings.find((beacon) => beacon.crc1Ok && beacon.crc2Ok) ?? readings.find((beacon) => beacon.crc1Ok);
  const value = best ?? readings[0];
  if (value !== undefined) return { ok: true, value };
  return {
    ok: false,
    fault: { reason: "noBeaconLength", layer: "lorawan", at: bytes.length, detail: "17, 19 or 23 octets" },
  };
}

/** CRC-16 with polynomial 0x1021, start 0, no reflection (the XMODEM form). LoRaWAN 1.1, section 15.2. */
export function crc16(bytes: Uint8Array): number {
  let crc = 0;
  for (const value of bytes) {
    crc ^= value << 8;
    for (let bit = 0; bit < 8; bit++)
      crc = crc & 0x8000 ? ((crc << 1) ^ 0x1021) & 0xffff : (crc << 1) & 0xffff;
  }
  return crc;
}

function readBeacon(bytes: Uint8Array, layout: BeaconLayout): Beacon {
  const timeAt = layout.rfu1 + 1;
  const specificAt = timeAt + 6;
  const gpsSeconds = littleEndian(bytes, timeAt, 4);
  const crc1 = littleEndian(bytes, timeAt + 4, 2);
  const crc2 = littleEndian(bytes, layout.total - 2, 2);
  const infoDesc = octet(bytes, specificAt);
  const latitudeRaw = signed24(littleEndian(bytes, specificAt + 1, 3));
  const longitudeRaw = signed24(littleEndian(bytes, specificAt + 4, 3));
  const isPosition = infoDesc <= 2;
  return {
    layout: layout.name,
    precisionSeconds: 10 ** (-6 + (octet(bytes, layout.rfu1) & 0x03)),
    gpsSeconds,
    utc: utcOfGps(gpsSeconds),
    crc1,
    crc1Ok: crc16(bytes.subarray(0, timeAt + 4)) === crc1,
    infoDesc,
    latitudeRaw,
    longitudeRaw,
    // LoRaWAN 1.1, section 15.3: latitude * 2^23 / 90, longitude * 2^23 / 180.
    latitudeDeg: isPosition ? (latitudeRaw * 90) / 2 ** 23 : null,
    longitudeDeg: isPosition ? (longitudeRaw * 180) / 2 ** 23 : null,
    gwSpecificHex: hexOf(bytes.subarray(specificAt, specificAt + 7)),
    crc2,
    crc2Ok: crc16(bytes.subarray(specificAt, layout.total - 2)) === crc2,
  };
}

function signed24(value: number): number {
  return value >= 0x800000 ? value - 0x1000000 : value;
}
