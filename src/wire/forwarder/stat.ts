/**
 * What does a gateway report about itself? The `stat` object of a PUSH_DATA datagram.
 * Source: PROTOCOL.TXT revisions 1.1 to 1.6, section 4 ("stat"); `pfrm`, `mail` and `desc` are extensions
 * that many forwarders send.
 */
import type { StatusReport } from "../../model/datagram.ts";
import type { JsonObject } from "./body.ts";
import { cutText, fieldType, type NumberRule, readNumber, readText } from "./fields.ts";
import type { OddityLog } from "./oddity-log.ts";
import { parseTimestamp } from "./timestamp.ts";

const textLimit = 256;
const timeTextLimit = 64;

const counter: NumberRule = {
  min: -Number.MAX_SAFE_INTEGER,
  max: Number.MAX_SAFE_INTEGER,
  integer: true,
};
const rules = {
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
    latitudeDeg: readNumber(object, "lati", rules.lati, log),
    longitudeDeg: readNumber(object, "long", rules.long, log),
    altitudeM: readNumber(object, "alti", rules.alti, log),
    rxReceived,
    rxCrcOk,
    rxForwarded,
    ackPercent: readNumber(object, "ackr", rules.ackr, log),
    downlinkDatagrams,
    txEmitted,
    temperatureC: readNumber(object, "temp", rules.temp, log),
    platform: readText(object, "pfrm", textLimit, log),
    mail: readText(object, "mail", textLimit, log),
    description: readText(object, "desc", textLimit, log),
  };
}
