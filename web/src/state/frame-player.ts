/** How is a frame sounded? By the browser's own tone generator: no file, no network. */
import type { ReceptionRow } from "../../../src/contract/nodes.ts";

// What should be heard of a node's frames by someone whose hands and eyes are busy? One tone a frame, the higher the more
// margin; another sound where a counter was missed. Which sounds, is decided here; playing them is frame-player.ts's.

export type FrameSound =
  | { readonly kind: "frame"; readonly marginDb: number | null }
  | { readonly kind: "missed"; readonly count: number };

/** What was sounded already: the newest counter, and the frames, of which another gateway may still tell. */
export interface SoundState {
  readonly counter: number | null;
  readonly frames: ReadonlySet<number>;
}

export const SILENT: SoundState = { counter: null, frames: new Set() };

/** Frames remembered: those of which receptions may still come in. */
const REMEMBERED = 20;
/** A jump further than this is another life, not missed frames. Chosen. */
const FARTHEST_JUMP = 100;

/**
 * The sounds of what is new in `rows` (newest first, of one node), oldest first. The first look sounds nothing: what was
 * heard before the switch was thrown is past.
 */
export function soundsOf(
  before: SoundState,
  rows: readonly ReceptionRow[],
): { sounds: FrameSound[]; next: SoundState } {
  const byFrame = new Map<number, ReceptionRow[]>();
  for (const row of [...rows].reverse()) {
    if (row.frameId === null || row.counter === null || row.ghost) continue;
    const known = byFrame.get(row.frameId);
    if (known === undefined) byFrame.set(row.frameId, [row]);
    else known.push(row);
  }
  const frames = [...byFrame.entries()].sort(([, a], [, b]) => timeOf(a) - timeOf(b));
  const newest = frames.at(-1)?.[1][0]?.counter ?? before.counter;
  const remembered = new Set([...before.frames, ...frames.map(([id]) => id)].slice(-REMEMBERED * 5));
  if (before.counter === null) return { sounds: [], next: { counter: newest, frames: remembered } };
  const sounds: FrameSound[] = [];
  let counter = before.counter;
  for (const [id, hearings] of frames) {
    const own = hearings[0]?.counter ?? null;
    if (before.frames.has(id) || own === null) continue;
    const jump = own - counter;
    if (jump > 1 && jump <= FARTHEST_JUMP) sounds.push({ kind: "missed", count: jump - 1 });
    sounds.push({ kind: "frame", marginDb: bestMargin(hearings) });
    // A repeat or a late frame leaves the newest counter; a new life takes its own.
    if (jump > 0 || jump < -FARTHEST_JUMP) counter = own;
  }
  return { sounds, next: { counter, frames: remembered } };
}

function timeOf(hearings: readonly ReceptionRow[]): number {
  return Math.min(...hearings.map(({ at }) => Date.parse(at)));
}

function bestMargin(hearings: readonly ReceptionRow[]): number | null {
  const known = hearings.map(({ marginDb }) => marginDb).filter((margin) => margin !== null);
  return known.length === 0 ? null : Math.max(...known);
}

const MIN_HZ = 220;
const MIN_DB = -5;
const MAX_DB = 25;

/** An octave for 10 dB, 220 Hz at the demodulation floor; no margin known sounds as the floor. */
export function pitchHz(marginDb: number | null): number {
  return MIN_HZ * 2 ** (Math.min(MAX_DB, Math.max(MIN_DB, marginDb ?? 0)) / 10);
}

export interface FramePlayer {
  play(sounds: readonly FrameSound[]): void;
  close(): void;
}

const TONE_S = 0.18;
const APART_S = 0.24;
const LOUDNESS = 0.25;
/** Of one batch: more would still be sounding when the next comes. */
const MAX_AT_ONCE = 8;

/** To be called from a click: browsers let a page sound only after a person's doing. null where there is no sound. */
export function openPlayer(): FramePlayer | null {
  if (typeof AudioContext === "undefined") return null;
  const context = new AudioContext();
  void context.resume();
  return {
    play(sounds) {
      vibrate(sounds);
      sounds.slice(-MAX_AT_ONCE).forEach((sound, index) => {
        const at = context.currentTime + index * APART_S;
        if (sound.kind === "frame") tone(context, "sine", pitchHz(sound.marginDb), at, TONE_S);
        else {
          // Two short low rattles: another timbre, so that it is not taken for a weak frame.
          tone(context, "sawtooth", 90, at, 0.08);
          tone(context, "sawtooth", 90, at + 0.11, 0.08);
        }
      });
    },
    close() {
      void context.close();
    },
  };
}

/** A short pulse for what was heard, two long ones where a counter was missed; nothing where the device has no motor. */
const PULSE_MS = 60;
const MISSED_MS = [200, 100, 200];

function vibrate(sounds: readonly FrameSound[]): void {
  if (sounds.length === 0 || typeof navigator.vibrate !== "function") return;
  navigator.vibrate(sounds.some(({ kind }) => kind === "missed") ? MISSED_MS : PULSE_MS);
}

function tone(context: AudioContext, type: OscillatorType, hertz: number, at: number, seconds: number): void {
  const source = new OscillatorNode(context, { type, frequency: hertz });
  const gain = new GainNode(context, { gain: 0 });
  // Rising and falling edges: a tone that is cut clicks.
  gain.gain.setValueAtTime(0, at);
  gain.gain.linearRampToValueAtTime(LOUDNESS, at + 0.01);
  gain.gain.setValueAtTime(LOUDNESS, at + seconds - 0.03);
  gain.gain.linearRampToValueAtTime(0, at + seconds);
  source.connect(gain).connect(context.destination);
  source.start(at);
  source.stop(at + seconds);
}
