/**
 * How does a forwarder write one packet and one status report? Key order and number formats of the
 * reference daemons, so that what is written here looks to a decoder like what a gateway sends.
 * Source: PROTOCOL.TXT section 4; key order and printf formats of the SX1301 daemon v4.0.1 and the SX1302
 * daemon V2.1.0 (`lora_pkt_fwd.c`, thread_up).
 */
import type { Crc, RadioPacket, Signal, StatusReport } from "../../model/datagram.ts";
import { formatPacketTime, formatStatusTime, writePayload } from "./fields.ts";
import { writeModulation } from "./modulation-text.ts";

const crcFigures: Readonly<Record<Crc, string>> = {
  ok: "1",
  none: "0",
  bad: "-1",
  unknown: "",
};

/** `printf`: figures are rounded as the daemons print them, whole dBm and tenths of a dB; `exact`: as they are. */
export type Figures = "printf" | "exact";

function rounded(value: number | null | undefined, digits: number, figures: Figures): string | undefined {
  if (value === null || value === undefined) return undefined;
  return figures === "exact" ? String(value) : value.toFixed(digits);
}

/** One element of `rxpk`. */
export function writeRadioPacket(packet: RadioPacket, figures: Figures = "printf"): string {
  const [signal] = packet.signals;
  if (signal === undefined || packet.signals.length > 1 || signal.antenna !== 0)
    return writeAntennaForm(packet, figures);
  const isSx1302 =
    signal.signalRssiDbm !== null || signal.frequencyOffsetHz !== null || packet.fineTimeNs !== null;
  const isFsk = packet.modulation.kind === "fsk";
  const rssi = field("rssi", rounded(signal.rssiDbm, 0, figures));
  const snr = field("lsnr", rounded(signal.snrDb, 1, figures));
  return object([
    isSx1302 ? ',"jver":1' : "",
    writeClock(packet),
    field("ftime", packet.fineTimeNs),
    field("chan", signal.ifChannel),
    field("rfch", packet.rfChain),
    writeFrequency(packet),
    // The daemon prints the modem's number two wide; the number itself is not modelled, the channel's stands in.
    isSx1302 ? `,"mid":${String(signal.ifChannel ?? 0).padStart(2)}` : "",
    field("stat", crcFigures[packet.crc]),
    writeModulation(packet.modulation),
    // SX1302 order: codr rssis lsnr foff rssi. SX1301 order: codr lsnr rssi. FSK has rssi only.
    field("rssis", rounded(signal.signalRssiDbm, 0, figures)),
    isFsk && signal.snrDb === null ? "" : snr,
    field("foff", signal.frequencyOffsetHz?.toFixed(0)),
    rssi,
    writePayload(packet.payload),
    packet.delayed ? ',"delayed":true' : "",
  ]);
}

/** The second layout, one `rsig` entry an antenna, keys in alphabetical order as its senders print them. */
function writeAntennaForm(packet: RadioPacket, figures: Figures): string {
  const keys = object([
    ',"aesk":0,"brd":0,"jver":2',
    packet.delayed ? ',"delayed":true' : "",
    field("ftime", packet.fineTimeNs),
    writeFrequency(packet),
    writeModulation(packet.modulation),
    writePayload(packet.payload),
    field("rfch", packet.rfChain),
    `,"rsig":[${packet.signals.map((signal) => writeAntenna(signal, figures)).join(",")}]`,
    field("stat", crcFigures[packet.crc]),
    writeClock(packet),
  ]);
  const sorted = Object.entries<unknown>(JSON.parse(keys)).sort(([a], [b]) => (a < b ? -1 : 1));
  return JSON.stringify(Object.fromEntries(sorted));
}

function writeAntenna(signal: Signal, figures: Figures): string {
  return object([
    field("ant", signal.antenna),
    field("chan", signal.ifChannel),
    field("foff", signal.frequencyOffsetHz?.toFixed(0)),
    field("lsnr", rounded(signal.snrDb, 1, figures)),
    field("rssic", rounded(signal.rssiDbm, 0, figures)),
    field("rssis", rounded(signal.signalRssiDbm, 0, figures)),
  ]);
}

function writeClock(packet: RadioPacket): string {
  const time = packet.gatewayTimeUs === null ? null : `"${formatPacketTime(packet.gatewayTimeUs)}"`;
  return field("tmst", packet.tmstUs) + field("time", time) + field("tmms", packet.gpsTimeMs);
}

function writeFrequency(packet: RadioPacket): string {
  return field("freq", packet.frequencyHz === null ? null : (packet.frequencyHz / 1e6).toFixed(6));
}

/** The `stat` object. */
export function writeStatus(status: StatusReport, figures: Figures = "printf"): string {
  const { timeUs } = status;
  // A form that holds fractions of a second, where there are any to hold.
  const form = figures === "exact" && (timeUs ?? 0) % 1e6 !== 0 ? formatPacketTime : formatStatusTime;
  const time = status.timeText ?? (timeUs === null ? null : form(timeUs));
  return object([
    field("time", text(time)),
    field("lati", rounded(status.latitudeDeg, 5, figures)),
    field("long", rounded(status.longitudeDeg, 5, figures)),
    field("alti", rounded(status.altitudeM, 0, figures)),
    field("rxnb", status.rxReceived),
    field("rxok", status.rxCrcOk),
    field("rxfw", status.rxForwarded),
    field("ackr", status.ackPercent?.toFixed(1)),
    field("dwnb", status.downlinkDatagrams),
    field("txnb", status.txEmitted),
    field("temp", status.temperatureC?.toFixed(1)),
    field("pfrm", text(status.platform)),
    field("mail", text(status.mail)),
    field("desc", text(status.description)),
  ]);
}

function text(value: string | null): string | null {
  return value === null ? null : JSON.stringify(value);
}

/** `,"key":value`; nothing when there is no value. */
export function field(key: string, value: string | number | null | undefined): string {
  return value === null || value === undefined || value === "" ? "" : `,"${key}":${value}`;
}

/** An object from parts that each begin with a comma. */
export function object(parts: readonly string[]): string {
  return `{${parts.join("").slice(1)}}`;
}
