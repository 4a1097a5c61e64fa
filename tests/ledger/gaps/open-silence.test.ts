import { describe, expect, it } from "vitest";
import {
  type HeardCounter,
  newLifeWatch,
  notRecordedBetween,
  openSilence,
  watchCounter,
} from "../../../src/ledger/gaps/gap-detector.ts";

const MINUTE = 60_000_000;

/** A node that sends every ten minutes, a hundred counters, the last at 990 min. */
function watched(isLost: (counter: number) => boolean = () => false) {
  const watch = newLifeWatch();
  const all = Array.from(
    { length: 100 },
    (_, counter): HeardCounter => ({ counter, atUs: counter * 10 * MINUTE, gatewayIds: [1] }),
  );
  for (const one of all) if (!isLost(one.counter)) watchCounter(watch, one, () => []);
  return watch;
}

const range = (from: number, to: number) => ({ fromUs: from * MINUTE, toUs: to * MINUTE });

describe("a silence that goes on", () => {
  it("is told after five intervals: at 5 % of loss four in a row are lost once in 160 000", () => {
    // ln(1e-5) / ln(0.05) = 3.84, so four lost and the one that is due.
    expect(openSilence(watched(), 1_040 * MINUTE)).toBeNull();
    expect(openSilence(watched(), 1_040 * MINUTE + 1)).not.toBeNull();
    expect(openSilence(watched(), 1_090 * MINUTE)).toEqual({
      tag: "run",
      kind: "silence",
      open: true,
      final: false,
      ...range(990, 1_090),
      missed: 0,
      firstMissed: null,
      lastMissed: null,
      heard: 0,
      expectedByRhythm: 10,
      rhythmUs: 10 * MINUTE,
      lacking: 0,
    });
  });

  it("does not hold what nobody recorded, and reaches as far as anything was", () => {
    const between = openSilence(watched(), 1_090 * MINUTE, () => [range(1_000, 1_020)]);
    expect(between).toMatchObject({ ...range(990, 1_090), expectedByRhythm: 8 });
    const atEnd = openSilence(watched(), 1_090 * MINUTE, () => [range(1_050, 1_090)]);
    expect(atEnd).toMatchObject({ ...range(990, 1_050), expectedByRhythm: 6 });
    expect(openSilence(watched(), 1_090 * MINUTE, () => [range(1_000, 1_050)])).toBeNull();
  });

  it("is told later of a node that loses half of its frames: eighteen intervals", () => {
    // ln(1e-5) / ln(0.5) = 16.6. The newest frame is that of 980 min.
    const half = () => watched((counter) => counter % 2 === 1);
    expect(openSilence(half(), (980 + 150) * MINUTE)).toBeNull();
    expect(openSilence(half(), (980 + 190) * MINUTE)).toMatchObject({
      ...range(980, 980 + 190),
      expectedByRhythm: 19,
    });
  });

  it("asks for the time since the last frame, of the gateways that usually hear the node", () => {
    const asked: unknown[] = [];
    const answer = [range(1_000, 1_001)];
    const ask = (...question: unknown[]) => {
      asked.push(question);
      return answer;
    };
    expect(notRecordedBetween(watched(), 1_100 * MINUTE, ask)).toEqual(answer);
    expect(asked).toEqual([[[1], range(990, 1_100)]]);
    expect(notRecordedBetween(watched(), 990 * MINUTE, ask)).toEqual([]);
    expect(notRecordedBetween(newLifeWatch(), 1_100 * MINUTE, ask)).toEqual([]);
  });
});
