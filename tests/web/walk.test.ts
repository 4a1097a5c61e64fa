import { describe, expect, test } from "vitest";
import type { ReceptionRow } from "../../src/contract/nodes.ts";
import { readPlace } from "../../web/src/pages/walk/WalkView.tsx";
import {
  type FrameSound,
  pitchHz,
  SILENT,
  type SoundState,
  soundsOf,
} from "../../web/src/state/frame-player.ts";
import { NODE, NOW_MS, orchardViews } from "../service/orchard.ts";

const [PATTERN] =
  orchardViews().receptions({ devAddr: NODE, limit: 1 }, { last: 3600 }, NOW_MS * 1000)?.receptions ?? [];

/** A reception of the counter at one gateway; the frame has the counter's number. */
function hearing(
  counter: number,
  marginDb: number | null = 6,
  part: Partial<ReceptionRow> = {},
): ReceptionRow {
  const at = new Date(counter * 1000).toISOString();
  return {
    ...PATTERN!,
    id: counter,
    frameId: counter,
    counter,
    at,
    marginDb,
    ghost: false,
    repeat: false,
    ...part,
  };
}
/** Sounds of one look after another; each list newest first, as the service tells them. */
function sounds(...looks: ReceptionRow[][]): FrameSound[] {
  let state: SoundState = SILENT;
  const all: FrameSound[] = [];
  for (const rows of looks) {
    const { sounds, next } = soundsOf(state, rows);
    all.push(...sounds);
    state = next;
  }
  return all;
}
const frame = (marginDb: number | null): FrameSound => ({ kind: "frame", marginDb });

describe("the sounds of a node's frames", () => {
  test("begin with what comes after the switch was thrown", () => {
    expect(sounds([hearing(5), hearing(4)])).toEqual([]);
    expect(sounds([hearing(5), hearing(4)], [hearing(6, 9), hearing(5), hearing(4)])).toEqual([frame(9)]);
  });
  test("are one a frame, with the margin of the gateway that hears it best", () => {
    const two = [hearing(6, 2, { id: 61 }), hearing(6, 8, { id: 60 })];
    expect(sounds([hearing(5)], [...two, hearing(5)])).toEqual([frame(8)]);
    expect(sounds([hearing(5)], [hearing(6, 8), hearing(5)], [...two, hearing(5)])).toEqual([frame(8)]);
  });
  test("tell missed counters before the frame that shows them", () => {
    expect(sounds([hearing(5)], [hearing(9), hearing(8), hearing(5)])).toEqual([
      { kind: "missed", count: 2 },
      frame(6),
      frame(6),
    ]);
  });
  test("of a repeat are a tone and no missed counter", () => {
    expect(sounds([hearing(5)], [hearing(5, 3, { id: 99, frameId: 99, repeat: true }), hearing(5)])).toEqual([
      frame(3),
    ]);
  });
  test("take a new life for what it is, not for thousands of missed frames", () => {
    const reset = hearing(0, 4, { id: 7000, frameId: 7000, at: new Date(9e6).toISOString() });
    expect(sounds([hearing(5000)], [reset, hearing(5000)])).toEqual([frame(4)]);
    const next = hearing(1, 4, { id: 7001, frameId: 7001, at: new Date(9.1e6).toISOString() });
    expect(sounds([hearing(5000)], [reset, hearing(5000)], [next, reset])).toEqual([frame(4), frame(4)]);
  });
  test("leave ghosts and packets without a frame out", () => {
    const none = hearing(7, 4, { frameId: null, counter: null });
    expect(sounds([hearing(5)], [none, hearing(6, 4, { ghost: true }), hearing(5)])).toEqual([]);
  });
  test("forget no more than they must, however long one listens", () => {
    let state: SoundState = SILENT;
    for (let at = 0; at < 2000; at += 1) state = soundsOf(state, [hearing(at + 1), hearing(at)]).next;
    expect(state.frames.size).toBeLessThanOrEqual(100);
  });
});

describe("the pitch", () => {
  test("doubles with 10 dB and stays within what a phone can sound", () => {
    expect(pitchHz(0)).toBe(220);
    expect(pitchHz(10)).toBe(440);
    expect(pitchHz(20)).toBe(880);
    expect(pitchHz(60)).toBe(pitchHz(25));
    expect(pitchHz(-60)).toBeCloseTo(155.6, 1);
    expect(pitchHz(null)).toBe(220);
  });
});

describe("a place", () => {
  test.each([
    ["", null],
    ["51.5001, −0.2501", { latitude: 51.5001, longitude: -0.2501 }],
    ["51.5 -0.25", { latitude: 51.5, longitude: -0.25 }],
    ["12 m, −40 m", { eastMetres: 12, northMetres: -40 }],
    ["12.5m 40m", { eastMetres: 12.5, northMetres: 40 }],
  ])("%j is read", (text, position) => {
    expect(readPlace(text)).toEqual({ ok: true, position });
  });
  test.each(["here", "91, 0", "51.5", "12 m, 40", "1, 2, 3", "0, 181", "200000 m, 0 m"])(
    "%j is none",
    (text) => {
      expect(readPlace(text).ok).toBe(false);
    },
  );
});
