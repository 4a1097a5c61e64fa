/**
 * How are the frames of a whole day kept once their receptions are removed? The rows of its hours one after the other,
 * compressed. What a node does again and again says little, and less in a day than in an hour: times count from the
 * frame before; counter, airtime and data rate from the frame before of the same life, and so does the SNR, as a place
 * among the values of the day; the power counts from the SNR, and receptions from the gateways. About 5 octets a frame.
 */
import {
  columnsOf,
  emptyColumns,
  type FrameColumns,
  type FrameHead,
  frameRow,
  NAMES,
  Places,
  plainFrameHour,
  TAKEN_OUT,
} from "./frame-columns.ts";
import {
  fromDifferences,
  fromPlanes,
  type HourRow,
  packColumns,
  toDifferences,
  unpackColumns,
} from "./packed.ts";

interface DayHead extends Omit<FrameHead, "frames"> {
  /** How many frames each hour holds. */
  readonly hours: readonly (readonly [hour: number, frames: number])[];
  /** Each SNR that is met, from the least. */
  readonly snrs: readonly number[];
}

/** Packs hours, in order. null: more lives or kinds than the columns can tell. Frames that were taken out are left out. */
export function packFrameDay(rows: readonly HourRow[]): Uint8Array | null {
  const parts = rows.map(({ columns }) => columnsOf(plainFrameHour(columns)));
  const counts = parts.map(({ life }) => life.reduce((sum, place) => sum + Number(place !== TAKEN_OUT), 0));
  const frames = counts.reduce((sum, count) => sum + count, 0);
  const day = emptyColumns(frames);
  const [lives, dataRates, gateways] = [new Places<number>(), new Places<number>(), new Places<string>()];
  let to = 0;
  for (const { head, ...part } of parts) {
    const sets = head.gateways.map((set) => JSON.stringify(set));
    for (let i = 0; i < head.frames; i++) {
      if (part.life[i] === TAKEN_OUT) continue;
      for (const name of NAMES) day[name][to] = part[name][i] ?? 0;
      day.life[to] = lives.of(head.lives[part.life[i] ?? 0] ?? 0);
      day.rate[to] = dataRates.of(head.dataRates[part.rate[i] ?? 0] ?? 0);
      day.heard[to++] = gateways.of(sets[part.heard[i] ?? 0] ?? "[]");
    }
  }
  if (Math.max(lives.size, dataRates.size, gateways.size) > TAKEN_OUT) return null;
  const head: DayHead = {
    hours: rows.map(({ hour }, i) => [hour, counts[i] ?? 0] as const),
    lives: lives.all(),
    dataRates: dataRates.all(),
    gateways: gateways.all().map((text) => JSON.parse(text) as number[]),
    snrs: [...new Set(day.snr)].sort((a, b) => a - b),
  };
  toWhatIsNew(day, head);
  return packColumns(
    head,
    NAMES.map((name) => day[name]),
  );
}

/** The plain rows of the hours of a day, in order. */
export function unpackFrameDay(packed: Uint8Array): HourRow[] {
  const { head: read, planes } = unpackColumns(packed);
  const head = read as DayHead;
  const day = emptyColumns(head.hours.reduce((sum, [, frames]) => sum + frames, 0));
  fromPlanes(
    planes,
    NAMES.map((name) => day[name]),
  );
  toWhatWas(day, head);
  let begin = 0;
  return head.hours.map(([hour, frames]) => {
    const from = begin;
    begin += frames;
    return { hour, columns: hourOf(day, head, from, begin) };
  });
}

function hourOf(
  day: FrameColumns,
  { lives, dataRates, gateways }: DayHead,
  from: number,
  to: number,
): Uint8Array {
  const own = emptyColumns(to - from);
  for (const name of NAMES) own[name].set(day[name].subarray(from, to));
  const ofHour = (places: Uint16Array) => {
    const met = new Places<number>();
    for (let i = 0; i < places.length; i++) places[i] = met.of(places[i] ?? 0);
    return met.all();
  };
  const head: FrameHead = {
    frames: to - from,
    lives: ofHour(own.life).map((place) => lives[place] ?? 0),
    dataRates: ofHour(own.rate).map((place) => dataRates[place] ?? 0),
    gateways: ofHour(own.heard).map((place) => gateways[place] ?? []),
  };
  return frameRow(head, own);
}

/** Leaves in the columns what the frames before do not tell already. */
function toWhatIsNew(day: FrameColumns, { gateways, snrs }: DayHead): void {
  const { at, counter, airtime, rate, life, snr, rssi, receptions, heard } = day;
  const places = new Map(snrs.map((value, place) => [value, place] as const));
  const before = new Uint16Array(TAKEN_OUT);
  for (let i = 0; i < snr.length; i++) {
    const of = life[i] ?? 0;
    rssi[i] = (rssi[i] ?? 0) - (snr[i] ?? 0);
    receptions[i] = (receptions[i] ?? 0) - (gateways[heard[i] ?? 0]?.length ?? 0);
    const place = places.get(snr[i] ?? 0) ?? 0;
    // Round the places there are, so that few values need one octet.
    snr[i] = (place - (before[of] ?? 0) + snrs.length) % snrs.length;
    before[of] = place;
  }
  toDifferences(at, null);
  for (const values of [counter, airtime, rate]) toDifferences(values, life);
}

function toWhatWas(day: FrameColumns, { gateways, snrs }: DayHead): void {
  const { at, counter, airtime, rate, life, snr, rssi, receptions, heard } = day;
  fromDifferences(at, null);
  for (const values of [counter, airtime, rate]) fromDifferences(values, life);
  const before = new Uint16Array(TAKEN_OUT);
  for (let i = 0; i < snr.length; i++) {
    const of = life[i] ?? 0;
    // The octets of places above 32,767 read as negative.
    const place = (((snr[i] ?? 0) & 0xffff) + (before[of] ?? 0)) % snrs.length;
    before[of] = place;
    snr[i] = snrs[place] ?? 0;
    rssi[i] = (rssi[i] ?? 0) + (snr[i] ?? 0);
    receptions[i] = (receptions[i] ?? 0) + (gateways[heard[i] ?? 0]?.length ?? 0);
  }
}
