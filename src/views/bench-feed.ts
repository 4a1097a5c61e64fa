/** What did a gateway send last, in plain words? */
import type { BenchDatagram } from "../contract/index.ts";
import { refusalWords } from "../diagnosis/refusal-words.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, type TimeWindow } from "../model/window.ts";
import { megahertz } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  type FeedPacket,
  type FeedRecord,
  newestDatagrams,
  outcomeAt,
  packetsAt,
  reportAt,
} from "../store/queries/bench-feed.ts";

const MOST_DATAGRAMS = 24;
/** Packets of one datagram that are told one by one. */
const MOST_TOLD = 3;
const COPY = 16;
const PULL = 2;
const TX_ACK = 5;

/** Newest first. */
export function benchFeed(store: Store, gatewayId: number, window: TimeWindow): BenchDatagram[] {
  return newestDatagrams(store, gatewayId, window, MOST_DATAGRAMS).map((record) => ({
    id: `${record.atUs}-${record.digest}`,
    at: isoTime(record.atUs),
    words: wordsOf(store, gatewayId, record),
  }));
}

function wordsOf(store: Store, gatewayId: number, { atUs, kind }: FeedRecord): string {
  if (kind >= COPY) return refusalWords("duplicate");
  if (kind === PULL) return "keepalive";
  if (kind === TX_ACK) return outcomeWords(outcomeAt(store, gatewayId, atUs));
  const packets = packetsAt(store, gatewayId, atUs);
  const report = reportAt(store, gatewayId, atUs);
  const parts: string[] = [];
  if (packets.length > 0) parts.push(packetWords(packets));
  if (report !== null) {
    const { rxReceived, rxForwarded, ackTenths } = report;
    const counts = rxReceived === null ? "" : `: ${rxReceived} received, ${rxForwarded ?? 0} forwarded`;
    const answered = ackTenths === null ? "" : `, ${ackTenths / 10}\u2009% answered in time`;
    parts.push(`status report${counts}${answered}`);
  }
  return parts.length === 0 ? "packets that were known, or were held up on the way" : parts.join("; ");
}

function packetWords(packets: readonly FeedPacket[]): string {
  const told = packets
    .slice(0, MOST_TOLD)
    .map(({ frequencyHz, dataRate, crc, ghost, rssiTenths, snrTenths }) => {
      const where = frequencyHz === null ? "unknown channel" : `${megahertz(frequencyHz)}\u2009MHz`;
      const level = rssiTenths === null ? "" : ` ${signed(rssiTenths / 10, 0)}\u2009dBm`;
      const snr = snrTenths === null ? "" : ` ${signed(snrTenths / 10, 1)}\u2009dB`;
      const fault = ghost === 1 ? " (weak copy)" : crc === 1 ? " (wrong CRC)" : "";
      return `${where} ${dataRateWords(dataRate)}${level}${snr}${fault}`;
    });
  const more = packets.length > MOST_TOLD ? ` and ${packets.length - MOST_TOLD} more` : "";
  return `${packets.length} ${packets.length === 1 ? "reception" : "receptions"}: ${told.join(", ")}${more}`;
}

function dataRateWords(dataRate: number): string {
  const modulation = modulationFromCodes(dataRate, 0);
  // At 125 kHz, as nearly all of them are, the spreading factor says it all.
  if (modulation.kind === "lora" && modulation.bandwidthHz === 125_000)
    return `SF${modulation.spreadingFactor}`;
  return describeModulation(modulation);
}

function outcomeWords(outcome: { result: string; word: string | null } | null): string {
  if (outcome === null || outcome.result === "unreadable") return "answer to a downlink, unreadable";
  if (outcome.result === "accepted") return "downlink taken for sending";
  if (outcome.result === "accepted-lower-power") return "downlink taken for sending, at a lower power";
  return `downlink refused: ${outcome.word ?? "no reason given"}`;
}

function signed(value: number, digits: number): string {
  return `${value < 0 ? "\u2212" : ""}${Math.abs(value).toFixed(digits)}`;
}
