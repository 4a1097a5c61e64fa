/**
 * Which moment of UTC does a count of GPS seconds name? GPS time has no leap seconds; DeviceTimeAns and the
 * class B beacon use it.
 * Source: GPS epoch 1980-01-06T00:00:00Z (LoRaWAN 1.1, section 15.2); leap seconds from IERS Bulletin C,
 * the dates from memory.
 */

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
