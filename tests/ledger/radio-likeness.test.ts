import { describe, expect, it } from "vitest";
import { accountFrame, type CountedFrame } from "../../src/ledger/counters.ts";
import { learned, newAddressState, type RadioEvidence, unlikeness } from "../../src/ledger/life-state.ts";

const SF7 = 70_125_000;
const SF12 = 120_125_000;
const near: RadioEvidence = { dataRate: SF7, gatewayId: 1, rssiTenths: -800 };
const far: RadioEvidence = { dataRate: SF12, gatewayId: 1, rssiTenths: -1150 };

/** Which life each frame went into. */
function livesOf(
  frames: readonly [atS: number, fcnt: number, radio: RadioEvidence][],
  heard: boolean,
): number[] {
  const state = newAddressState();
  return frames.map(([atS, fcnt, radio], i) => {
    const frame: CountedFrame = { atUs: atS * 1e6, fcnt, content: i + 1, ...(heard ? { radio } : {}) };
    return accountFrame(state, frame, () => []).life.number;
  });
}

describe("data rate and level as evidence", () => {
  it("settle which of two devices under one address sent a counter that fits both", () => {
    // A sends every 60 s at -80 dBm and SF7; B begins at 0 at -115 dBm and SF12; then A is silent when 12 comes.
    const frames: [number, number, RadioEvidence][] = [
      [0, 6, near],
      [60, 7, near],
      [120, 8, near],
      [180, 9, near],
      [240, 10, near],
      [250, 0, far],
      [300, 11, near],
      [390, 12, far],
    ];
    expect(livesOf(frames, true)).toEqual([1, 1, 1, 1, 1, 2, 1, 2]);
    expect(livesOf(frames, false)[7]).toBe(1);
  });

  it("never split a node that is moved or told another data rate", () => {
    const frames = [...Array(30).keys()].map((i): [number, number, RadioEvidence] => [
      i * 60,
      i,
      i < 15 ? near : far,
    ]);
    expect(new Set(livesOf(frames, true))).toEqual(new Set([1]));
  });

  it("compare levels at the same gateway only, and cap what a level can weigh", () => {
    const memory = learned(undefined, near);
    expect(unlikeness(memory, near)).toBe(0);
    expect(unlikeness(memory, { ...near, gatewayId: 2, rssiTenths: -1300 })).toBe(0);
    expect(unlikeness(memory, { ...near, rssiTenths: -880 })).toBeCloseTo(0.5, 6);
    expect(unlikeness(memory, { ...near, rssiTenths: -1600 })).toBe(6);
    expect(unlikeness(memory, { ...near, rssiTenths: null, dataRate: SF12 })).toBe(1.5);
    expect(unlikeness(undefined, near)).toBe(0);
  });

  it("follow a level that drifts", () => {
    let memory = learned(undefined, near);
    for (let i = 0; i < 40; i++) memory = learned(memory, { ...near, rssiTenths: -1100 });
    expect(memory.levels[1]).toBeLessThan(-1090);
  });
});
