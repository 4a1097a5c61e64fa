/**
 * How long do gaps and findings of 200 nodes over 30 days take to answer, beside a bare read of the same rows? And how
 * long did they take to be worked out, for each frame? The month is recorded through the recorder: nodes that send every
 * half hour, an outage of the gateway a week, silences, runs of losses, a weak link a few days long.
 */
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { gapsInWindow } from "../../src/store/queries/gaps.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { gapsView, MAX_GAPS } from "../../src/views/gaps.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { phy, pull, push } from "../store/traffic.ts";
import type { BenchResult } from "./run.ts";

const NODES = 200;
const DAYS = 30;
const RHYTHM_S = 1_800;
const KEEPALIVE_S = 120;
const DAY_S = 86_400;
const ROUNDS = 60;

export function benchGaps(): BenchResult[] {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  const frames = recordMonth(recorder);
  const beganMs = performance.now();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  const workedMs = performance.now() - beganMs;
  const window = resolveWindow({}, 0, storedSpanUs(store));
  const floor = percentile95(() => gapsInWindow(store, window, MAX_GAPS));
  const measured = percentile95(() => gapsView(store, window));
  const bare = percentile95(() => readFrames(store));
  return [
    { name: "gaps of a month, 95th percentile ms", floor, measured, ratio: measured / floor },
    {
      name: "gaps worked out, us a frame",
      floor: (bare * 1000) / frames,
      measured: (workedMs * 1000) / frames,
      ratio: workedMs / bare,
    },
  ];
}

function recordMonth(recorder: Recorder): number {
  let batch: DecodedArrival[] = [];
  let frames = 0;
  const counters = new Array<number>(NODES).fill(0);
  const flush = () => {
    recorder.record(batch);
    batch = [];
  };
  for (let s = 0; s < DAYS * DAY_S; s += KEEPALIVE_S) {
    const out = s % (7 * DAY_S) > 3 * DAY_S && s % (7 * DAY_S) < 3 * DAY_S + 5_400;
    if (!out) batch.push(pull("02005E1000000001", s, (s / KEEPALIVE_S) % 65_536));
    for (let node = 0; node < NODES; node++) {
      const phase = Math.floor((node * RHYTHM_S) / NODES);
      const slot = Math.floor(phase / KEEPALIVE_S) * KEEPALIVE_S;
      if (s % RHYTHM_S !== slot || isSilent(node, s)) continue;
      const counter = counters[node] ?? 0;
      counters[node] = counter + 1;
      if (out || isLost(node, s, counter)) continue;
      const devAddr = (0x0100_0000 + node).toString(16).toUpperCase().padStart(8, "0");
      const heard = {
        payload: phy(devAddr, counter),
        frequencyHz: 867_100_000 + ((counter * 5 + node) % 8) * 200_000,
      };
      batch.push(
        push(
          "02005E1000000001",
          s + 1 + (phase % KEEPALIVE_S) * 0.9,
          [{ ...heard, snrDb: ((node * 37 + counter * 17) % 140) / 10 - 6 }],
          counter % 65_536,
        ),
      );
      frames += 1;
    }
    if (batch.length >= 400) flush();
  }
  flush();
  return frames;
}

function isSilent(node: number, s: number): boolean {
  return node % 10 === 3 && Math.floor(s / DAY_S) % 9 === node % 9 && s % DAY_S < 20_000;
}

function isLost(node: number, s: number, counter: number): boolean {
  const day = Math.floor(s / DAY_S);
  if (node % 12 === 5 && day >= 10 && day < 14) return (counter * 7919) % 10 < 4;
  return (day + node) % 11 === 0 && s % DAY_S > 30_000 && s % DAY_S < 41_000;
}

function readFrames(store: Store): unknown {
  return store.prepare("SELECT sum(counter), max(at_us) FROM frame WHERE life_id IS NOT NULL").get();
}

/** Milliseconds. */
function percentile95(work: () => unknown): number {
  const times: number[] = [];
  for (let i = 0; i < ROUNDS; i++) {
    const from = performance.now();
    work();
    times.push(performance.now() - from);
  }
  return times.sort((a, b) => a - b)[Math.floor(0.95 * ROUNDS)] ?? Number.NaN;
}
