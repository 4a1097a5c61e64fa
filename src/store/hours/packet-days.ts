/**
 * How are the packets of a gateway's whole day kept once its receptions are removed? The numbers of its hours one after
 * the other, each kind for itself, compressed.
 */

import {
  fromDifferences,
  fromPlanes,
  type HourRow,
  packColumns,
  toDifferences,
  unpackColumns,
} from "./packed.ts";
import { CHANNEL_NUMBERS, COUNTS, READING_NUMBERS, wordsOf } from "./packet-columns.ts";

/** Hours, in order, each with how many channels and readings it holds. */
type DayHead = readonly (readonly [hour: number, channels: number, readings: number])[];

/** Packs hours, in order. */
export function packPacketDay(rows: readonly HourRow[]): Uint8Array {
  const parts = rows.map(({ columns }) => wordsOf(columns).words);
  const head: DayHead = rows.map(({ hour }, i) => [hour, parts[i]?.[0] ?? 0, parts[i]?.[1] ?? 0] as const);
  const kinds = kindsOf(head);
  const filled = kinds.map(() => 0);
  for (const [i, words] of parts.entries())
    eachNumber(head[i] ?? NOTHING, (kind, at) => {
      const to = filled[kind] ?? 0;
      filled[kind] = to + 1;
      const numbers = kinds[kind];
      if (numbers !== undefined) numbers[to] = words[at] ?? 0;
    });
  for (const numbers of goingOn(kinds)) toDifferences(numbers, null);
  return packColumns(head, kinds);
}

/** The plain rows of the hours of a day, in order. */
export function unpackPacketDay(packed: Uint8Array): HourRow[] {
  const { head: read, planes } = unpackColumns(packed);
  const head = read as DayHead;
  const kinds = kindsOf(head);
  fromPlanes(planes, kinds);
  for (const numbers of goingOn(kinds)) fromDifferences(numbers, null);
  const taken = kinds.map(() => 0);
  return head.map((one) => {
    const [hour, channels, readings] = one;
    const words = new Uint32Array(COUNTS + channels * CHANNEL_NUMBERS + readings * READING_NUMBERS);
    words.set([channels, readings]);
    eachNumber(one, (kind, at) => {
      const from = taken[kind] ?? 0;
      taken[kind] = from + 1;
      words[at] = kinds[kind]?.[from] ?? 0;
    });
    return { hour, columns: new Uint8Array(words.buffer) };
  });
}

const NOTHING: DayHead[number] = [0, 0, 0];

/** Room for each kind of number: those of channels, then those of readings. */
function kindsOf(head: DayHead): Uint32Array[] {
  const channels = head.reduce((sum, one) => sum + one[1], 0);
  const readings = head.reduce((sum, one) => sum + one[2], 0);
  return [
    ...Array.from({ length: CHANNEL_NUMBERS }, () => new Uint32Array(channels)),
    ...Array.from({ length: READING_NUMBERS }, () => new Uint32Array(readings)),
  ];
}

/** Those of which each says most by what it adds to the one before: frequencies, the counter, and times in the hour. */
function goingOn(kinds: readonly Uint32Array[]): Uint32Array[] {
  return [0, CHANNEL_NUMBERS, CHANNEL_NUMBERS + 1].flatMap((kind) => kinds[kind] ?? []);
}

/** Where each number of an hour stands in its row, with its kind. */
function eachNumber(
  [, channels, readings]: DayHead[number],
  visit: (kind: number, at: number) => void,
): void {
  let at = COUNTS;
  for (let i = 0; i < channels; i++) for (let kind = 0; kind < CHANNEL_NUMBERS; kind++) visit(kind, at++);
  for (let i = 0; i < readings; i++)
    for (let kind = 0; kind < READING_NUMBERS; kind++) visit(CHANNEL_NUMBERS + kind, at++);
}
