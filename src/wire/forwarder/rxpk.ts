/**
 * What does one element of `rxpk` say about one received packet?
 * Source: PROTOCOL.TXT revisions 1.0 to 1.6, section 4; the second layout (`jver` 2, one `rsig` entry an
 * antenna) has no public text and follows the samples of gateways that send it.
 */
import type { Crc, RadioPacket, Signal, StatusReport } from "../../model/datagram.ts";
import {
  cutText,
  fieldText,
  fieldType,
  isJsonObject,
  type JsonObject,
  type NumberRule,
  type OddityLog,
  parseTimestamp,
  readNumber,
  readPayload,
  readText,
  timestampFromMs,
  toNumber,
} from "./fields.ts";
import { readModulation } from "./modulation-text.ts";

// Plain field readers, not zod: measured here (Node 20, one SX1302 packet, 200 000 runs), a zod 4.6.7 schema
// that falls back field by field takes three times as long (6.5 to 9.2 us against 2.3 to 2.8 us) although
// this reader also reads modulation, time and base64, and zod's answer lacks the reasons that are counted.
// A strict schema is as quick, but refuses the whole packet for one stray field.

const rules = {
  // PROTOCOL.TXT section 4: a 32-bit counter of microseconds. A larger value is no counter: never reduced modulo.
  tmst: { min: 0, max: 4_294_967_295, integer: true, keepRaw: true },
  tmms: { min: 0, max: Number.MAX_SAFE_INTEGER, integer: true },
  ftime: { min: 0, max: 999_999_999, integer: true },
  chan: { min: 0, max: 65_535, integer: true },
  rfch: { min: 0, max: 255, integer: true },
  ant: { min: 0, max: 255, integer: true },
  // Chosen: above any receiver's input limit and below any noise floor; a published sample holds 139.
  rssi: { min: -160, max: 20 },
  // Common practice, no source: the demodulator reports about -25 to +16 dB.
  lsnr: { min: -50, max: 50 },
  // Chosen: four times the 250 kHz within which a carrier can lie and still be received at 500 kHz.
  foff: { min: -1_000_000, max: 1_000_000 },
} as const satisfies Record<string, NumberRule>;

/** More antennas than any gateway has. */
const antennaLimit = 64;

/** Reads one packet. Never refuses: what cannot be read is null, and the log says why. */
export function readRadioPacket(object: JsonObject, log: OddityLog): RadioPacket {
  const tmstUs = readNumber(object, "tmst", rules.tmst, log);
  if (object.tmst === undefined || object.tmst === null) log.note("tmst_missing", false);
  const modulation = readModulation(object, log);
  return {
    tmstUs,
    gatewayTimeUs: readPacketTime(object.time, log),
    gpsTimeMs: readNumber(object, "tmms", rules.tmms, log),
    fineTimeNs: readNumber(object, "ftime", rules.ftime, log),
    frequencyHz: readFrequency(object, log),
    rfChain: readNumber(object, "rfch", rules.rfch, log),
    crc: readCrc(object.stat, log),
    modulation,
    payload: readPayload(object, log),
    signals: readSignals(object, modulation.kind === "fsk", log),
    delayed: object.delayed === true,
  };
}

/** `time`: text in one of the forms of fields.ts, or milliseconds since 1970 (revision 1.3 draft). */
function readPacketTime(time: unknown, log: OddityLog): number | null {
  if (time === undefined || time === null) return null;
  let us: number | null = null;
  if (typeof time === "string") us = parseTimestamp(time);
  else if (typeof time === "number") us = timestampFromMs(time);
  if (us === null) log.note("time_bad", false, fieldText(time));
  return us;
}

/** `freq`: MHz, rounded to the nearest Hz. Above 100 000 it can only be Hz: taken as such and marked. */
function readFrequency(object: JsonObject, log: OddityLog): number | null {
  const { freq } = object;
  const value = toNumber(freq, "freq", log);
  const hz = value === null ? Number.NaN : Math.round(value > 100_000 ? value : value * 1e6);
  // Below 1 MHz no LoRa radio works: that is a value in kHz, zero, or negative.
  const isUsable = hz >= 1_000_000 && hz <= 100_000_000_000;
  if (typeof freq !== "number" || freq > 100_000 || !isUsable) log.note("freq", true, fieldText(freq));
  return isUsable ? hz : null;
}

// PROTOCOL.TXT section 4: 1 CRC right, 0 no CRC, -1 CRC wrong.
function readCrc(stat: unknown, log: OddityLog): Crc {
  switch (typeof stat === "string" ? toNumber(stat, "stat", log) : stat) {
    case 1:
      return "ok";
    case 0:
      return "none";
    case -1:
      log.note("crc_bad", false);
      return "bad";
    default:
      log.note("crc_unknown", stat !== undefined && stat !== null, fieldText(stat));
      return "unknown";
  }
}

/** The entries of `rsig` where there are any, else the one signal of the packet's own fields. */
function readSignals(object: JsonObject, isFsk: boolean, log: OddityLog): readonly Signal[] {
  const { rsig } = object;
  if (rsig !== undefined && rsig !== null) {
    const signals: Signal[] = [];
    for (const entry of Array.isArray(rsig) ? rsig.slice(0, antennaLimit) : []) {
      if (isJsonObject(entry)) signals.push(readAntenna(entry, isFsk, log));
      else log.note("rsig", false, `entry is ${fieldText(entry)}`);
    }
    if (signals.length > 0) {
      if (Array.isArray(rsig) && rsig.length > antennaLimit)
        log.note("rsig", false, `${rsig.length} entries`);
      return signals;
    }
    log.note("rsig", false, "no entry");
  }
  return [
    {
      antenna: 0,
      ifChannel: readNumber(object, "chan", rules.chan, log),
      rssiDbm: readNumber(object, "rssi", rules.rssi, log),
      signalRssiDbm: readNumber(object, "rssis", rules.rssi, log),
      snrDb: readNumber(object, "lsnr", rules.lsnr, log),
      frequencyOffsetHz: readOffset(object, log),
    },
  ];
}

function readAntenna(entry: JsonObject, isFsk: boolean, log: OddityLog): Signal {
  // Only LoRa has a signal-to-noise ratio.
  if (!isFsk && (entry.lsnr === undefined || entry.lsnr === null))
    log.note("rsig", false, "entry without lsnr");
  return {
    antenna: readNumber(entry, "ant", rules.ant, log) ?? 0,
    ifChannel: readNumber(entry, "chan", rules.chan, log),
    rssiDbm: readNumber(entry, "rssic", rules.rssi, log),
    signalRssiDbm: readNumber(entry, "rssis", rules.rssi, log),
    snrDb: readNumber(entry, "lsnr", rules.lsnr, log),
    frequencyOffsetHz: readOffset(entry, log),
  };
}

/** An estimate: a fraction of a hertz means nothing. */
function readOffset(object: JsonObject, log: OddityLog): number | null {
  const offset = readNumber(object, "foff", rules.foff, log);
  return offset === null ? null : Math.round(offset) + 0;
}

// What does a gateway report about itself? The `stat` object of a PUSH_DATA datagram.
// Source: PROTOCOL.TXT revisions 1.1 to 1.6, section 4 ("stat"); `pfrm`, `mail` and `desc` are extensions
// that many forwarders send.

const textLimit = 256;
const timeTextLimit = 64;

const counter: NumberRule = {
  min: -Number.MAX_SAFE_INTEGER,
  max: Number.MAX_SAFE_INTEGER,
  integer: true,
};
const statRules = {
  lati: { min: -90, max: 90 },
  long: { min: -180, max: 180 },
  // Chosen: from below the deepest sea bed to above any balloon.
  alti: { min: -12_000, max: 100_000 },
  ackr: { min: 0, max: 100 },
  // Chosen: outside it a sensor was not read; the daemon then prints whatever its memory held.
  temp: { min: -100, max: 200 },
} as const satisfies Record<string, NumberRule>;

/** Reads one report. Counters cover one interval. Notes `range`, `stat_odd`, `text`, `time_bad`, `num_string`. */
export function readStatus(object: JsonObject, log: OddityLog): StatusReport {
  const rxReceived = readNumber(object, "rxnb", counter, log);
  const rxCrcOk = readNumber(object, "rxok", counter, log);
  const rxForwarded = readNumber(object, "rxfw", counter, log);
  const downlinkDatagrams = readNumber(object, "dwnb", counter, log);
  const txEmitted = readNumber(object, "txnb", counter, log);
  for (const count of [rxReceived, rxCrcOk, rxForwarded, downlinkDatagrams, txEmitted]) {
    if (count !== null && count < 0) log.note("stat_odd", false, `count ${count}`);
  }
  if (rxReceived !== null && rxCrcOk !== null && rxCrcOk > rxReceived) {
    log.note("stat_odd", false, `rxok ${rxCrcOk} of rxnb ${rxReceived}`);
  }
  const timeText = typeof object.time === "string" ? cutText(object.time, timeTextLimit) : null;
  const timeUs = timeText === null ? null : parseTimestamp(timeText);
  if (timeUs === null && object.time !== undefined && object.time !== null) {
    log.note("time_bad", false, timeText ?? `time is ${fieldType(object.time)}`);
  }
  return {
    timeUs,
    timeText,
    latitudeDeg: readNumber(object, "lati", statRules.lati, log),
    longitudeDeg: readNumber(object, "long", statRules.long, log),
    altitudeM: readNumber(object, "alti", statRules.alti, log),
    rxReceived,
    rxCrcOk,
    rxForwarded,
    ackPercent: readNumber(object, "ackr", statRules.ackr, log),
    downlinkDatagrams,
    txEmitted,
    temperatureC: readNumber(object, "temp", statRules.temp, log),
    platform: readText(object, "pfrm", textLimit, log),
    mail: readText(object, "mail", textLimit, log),
    description: readText(object, "desc", textLimit, log),
  };
}
