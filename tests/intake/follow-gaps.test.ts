import { describe, expect, it } from "vitest";
import { followGaps } from "../../src/intake/recorder-tasks.ts";

/** A thread in which each step takes `stepMs`, until `steps` are done. */
function thread(stepMs: number, steps: number) {
  let nowMs = 0;
  let done = 0;
  let isBusy = false;
  const delaysMs: number[] = [];
  let next: (() => void) | null = null;
  const gaps = followGaps({
    recorder: {
      workOnGaps: () => {
        nowMs += stepMs;
        done += 1;
        return done < steps;
      },
    },
    isBusy: () => isBusy,
    nowUs: () => nowMs * 1000,
    after: (delayMs, work) => {
      delaysMs.push(delayMs);
      next = work;
    },
    monotonicMs: () => nowMs,
  });
  const turn = () => {
    const work = next;
    next = null;
    work?.();
  };
  return {
    gaps,
    turn,
    delaysMs,
    done: () => done,
    busy: (is: boolean) => (isBusy = is),
    ended: () => next === null,
  };
}

describe("the turns of the search for gaps", () => {
  it("leave four fifths of the thread to datagrams, however long a step takes", () => {
    const { turn, delaysMs } = thread(30, 3);
    turn();
    turn();
    expect(delaysMs).toEqual([1_000, 120, 120]);
  });

  it("rest a little between short steps, and a second when nothing is left", () => {
    const { turn, delaysMs } = thread(0.1, 2);
    turn();
    turn();
    expect(delaysMs).toEqual([1_000, 4, 1_000]);
  });

  it("wait while datagrams do", () => {
    const { turn, delaysMs, done, busy } = thread(10, 5);
    busy(true);
    turn();
    expect([done(), delaysMs.at(-1)]).toEqual([0, 250]);
    busy(false);
    turn();
    expect(done()).toBe(1);
  });

  it("end when they are stopped", () => {
    const { gaps, turn, done, ended } = thread(10, 5);
    gaps.stop();
    turn();
    expect([done(), ended()]).toEqual([0, true]);
  });
});
