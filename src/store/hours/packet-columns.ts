/**
 * How are the packets of a gateway in an hour written in one row? By channel and data rate: how many came with a right
 * CRC; and readings of the concentrator's counter, the least delayed packet of each ten minutes. Numbers of four octets.
 */

import { TMST_PERIOD_US } from "../../radio/clock.ts";
import { isPacked, unpack } from "./packed.ts";

/** Readings of the counter are gathered in cells of this length, and in multiples of it. */
export const READING_CELL_US = 600_000_000;

export interface ChannelPackets {
  readonly frequencyHz: number;
  readonly dataRate: number;
  /** The smallest code. */
  readonly codingRate: number;
  /** Octets of the longest. */
  readonly size: number;
  readonly count: number;
}

export interface CounterReading {
  readonly tmstUs: number;
  readonly atUs: number;
  /** The gateway's own time of the packet, where it gave one. */
  readonly gatewayTimeUs: number | null;
}

interface HourPackets {
  readonly channels: readonly ChannelPackets[];
  readonly readings: readonly CounterReading[];
}

/** Numbers at the front of a row: how many channels, how many readings. */
export const COUNTS = 2;
/** Of a channel: frequency, data rate, coding rate, size, count. */
export const CHANNEL_NUMBERS = 5;
/** Of a reading: counter, time in the hour, the gateway's own time. */
export const READING_NUMBERS = 3;
/** Stands for a time that the gateway did not give. */
const NO_TIME = -2_147_483_648;
const MAX_OFFSET_US = 2_147_483_647;

export function encodeHourPackets({ channels, readings }: HourPackets, hourUs: number): Uint8Array {
  const numbers = [channels.length, readings.length];
  for (const { frequencyHz, dataRate, codingRate, size, count } of channels)
    numbers.push(frequencyHz, dataRate, codingRate, size, count);
  for (const { tmstUs, atUs, gatewayTimeUs } of readings) {
    // Beyond half an hour it is not the time of this packet anyway.
    const offsetUs = gatewayTimeUs === null ? NO_TIME : gatewayTimeUs - atUs;
    numbers.push(tmstUs, atUs - hourUs, Math.min(MAX_OFFSET_US, Math.max(NO_TIME, offsetUs)));
  }
  // Numbers above 2^31 and negative ones share the octets; each is read back as what it was.
  const words = Uint32Array.from(numbers, (one) => one >>> 0);
  return new Uint8Array(words.buffer);
}

/** The numbers of a row, as they are and with a sign. */
export function wordsOf(columns: Uint8Array): { words: Uint32Array; signed: Int32Array } {
  const plain = isPacked(columns) ? unpack(columns) : columns;
  const { buffer, byteOffset, byteLength } = plain.byteOffset % 4 === 0 ? plain : Uint8Array.from(plain);
  const length = byteLength / 4;
  return {
    words: new Uint32Array(buffer, byteOffset, length),
    signed: new Int32Array(buffer, byteOffset, length),
  };
}

type ChannelCounts = { -readonly [key in keyof ChannelPackets]: ChannelPackets[key] };

/** By frequency and data rate. */
export class ChannelTotals {
  readonly #totals = new Map<number, Map<number, ChannelCounts>>();

  addHour(columns: Uint8Array): void {
    const { words, signed } = wordsOf(columns);
    const count = words[0] ?? 0;
    for (let i = 0, at = COUNTS; i < count; i++, at += CHANNEL_NUMBERS)
      this.add(
        words[at] ?? 0,
        signed[at + 1] ?? 0,
        words[at + 2] ?? 0,
        words[at + 3] ?? 0,
        words[at + 4] ?? 0,
      );
  }

  add(frequencyHz: number, dataRate: number, codingRate: number, size: number, count: number): void {
    let ofChannel = this.#totals.get(frequencyHz);
    if (ofChannel === undefined) {
      ofChannel = new Map();
      this.#totals.set(frequencyHz, ofChannel);
    }
    const known = ofChannel.get(dataRate);
    if (known === undefined) {
      ofChannel.set(dataRate, { frequencyHz, dataRate, codingRate, size, count });
      return;
    }
    known.codingRate = Math.min(known.codingRate, codingRate);
    known.size = Math.max(known.size, size);
    known.count += count;
  }

  /** In order of frequency and data rate. */
  all(): ChannelPackets[] {
    return [...this.#totals.values()]
      .flatMap((ofChannel) => [...ofChannel.values()])
      .sort((a, b) => a.frequencyHz - b.frequencyHz || a.dataRate - b.dataRate);
  }
}

export function readingsOfHour(columns: Uint8Array, hourUs: number): CounterReading[] {
  const { words, signed } = wordsOf(columns);
  const [channelCount = 0, readingCount = 0] = words;
  const readings: CounterReading[] = [];
  let at = COUNTS + channelCount * CHANNEL_NUMBERS;
  for (let i = 0; i < readingCount; i++, at += READING_NUMBERS) {
    const atUs = hourUs + (words[at + 1] ?? 0);
    const offsetUs = signed[at + 2] ?? NO_TIME;
    readings.push({
      tmstUs: words[at] ?? 0,
      atUs,
      gatewayTimeUs: offsetUs === NO_TIME ? null : atUs + offsetUs,
    });
  }
  return readings;
}

/** How much later than the leading packet one came, modulo the counter's period, half a period around it. */
export function delayAgainst(leadUs: number, tmstUs: number, atUs: number): number {
  return (atUs - tmstUs - leadUs + 1.5 * TMST_PERIOD_US) % TMST_PERIOD_US;
}
