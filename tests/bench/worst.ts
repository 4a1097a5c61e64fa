/**
 * What does the worst input cost beside ordinary input of the same size: very many packets in one datagram, a counter
 * that stands still, a clock that jumps by 56 years, one frame from the future? Recording and the work behind the traffic.
 */
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";
import type { BenchResult } from "./run.ts";

const NODE = "01A2B3C4";
const PACKETS = 300;
/** Of one datagram, so many are taken; the rest is refused. */
const TAKEN = 255;
const STILL = 2_000;
const JUMP_FRAMES = 4_000;
const FRAMES = 10_000;
const LATER_FRAMES = 200;
const TEN_YEARS_S = 315_360_000;

const frame = (i: number, atS: number, tmstUs?: number): DecodedArrival =>
  push(SHED, atS, [{ payload: phy(NODE, i), ...(tmstUs === undefined ? {} : { tmstUs }) }], i % 65_536);

/** Processor time for all of it, ms; each batch is a commit. */
function cost(batches: readonly (readonly DecodedArrival[])[], recorder = newRecorder()): number {
  const from = process.cpuUsage();
  for (const batch of batches) recorder.record(batch, { captureId: 1 });
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  const { user, system } = process.cpuUsage(from);
  return (user + system) / 1000;
}

const newRecorder = () => new Recorder(openStore(":memory:"), judgeGap);
const singly = (items: readonly DecodedArrival[]) => items.map((item) => [item]);
const list = (count: number, make: (i: number) => DecodedArrival) =>
  Array.from({ length: count }, (_, i) => make(i));

/** Since 1970 instead of 2026. */
const early = (item: DecodedArrival): DecodedArrival => ({
  ...item,
  arrival: { ...item.arrival, atUs: item.arrival.atUs - START_US },
});

function manyPackets(): BenchResult {
  const packets = Array.from({ length: PACKETS }, (_, i) => ({
    payload: phy((0x0100_0000 + i).toString(16).padStart(8, "0"), i),
    tmstUs: 1_000 + i,
  }));
  const floor = cost([packets.slice(0, TAKEN).map((one, i) => push(SHED, i / 10, [one], i))]);
  const measured = cost([[push(SHED, 0, packets)]]);
  return { name: `${PACKETS} packets in one datagram, CPU ms`, floor, measured, ratio: measured / floor };
}

function stillCounter(): BenchResult {
  const floor = cost(singly(list(STILL, (i) => frame(i, i / 10))));
  const measured = cost(singly(list(STILL, (i) => frame(i, i / 10, 0))));
  return { name: `${STILL} frames, counter always 0, CPU ms`, floor, measured, ratio: measured / floor };
}

function jump(): BenchResult {
  const frames = list(JUMP_FRAMES, (i) => frame(i, i * 30));
  const half = JUMP_FRAMES / 2;
  const floor = cost([frames]);
  const measured = cost([[...frames.slice(0, half).map(early), ...frames.slice(half)]]);
  return { name: "clock that jumps from 1970 to 2026, CPU ms", floor, measured, ratio: measured / floor };
}

function future(): BenchResult {
  const before = list(FRAMES, (i) => frame(i, i * 60));
  const later = singly(list(LATER_FRAMES, (i) => frame(FRAMES + i, (FRAMES + i) * 60)));
  const a = newRecorder();
  cost([before], a);
  const floor = cost(later, a) / LATER_FRAMES;
  const b = newRecorder();
  cost([before, [frame(FRAMES + 500, TEN_YEARS_S)]], b);
  const measured = cost(later, b) / LATER_FRAMES;
  return { name: "a frame after one of the future, CPU ms", floor, measured, ratio: measured / floor };
}

export function benchWorst(): BenchResult[] {
  // The first run pays for the compiler.
  cost(singly(list(500, (i) => frame(i, i * 60))));
  return [manyPackets(), stillCounter(), jump(), future()];
}
