/** How is a frame sounded? By the browser's own tone generator: no file, no network. */
import { type FrameSound, pitchHz } from "./frame-sounds.ts";

export interface FramePlayer {
  play(sounds: readonly FrameSound[]): void;
  close(): void;
}

const TONE_S = 0.18;
const APART_S = 0.24;
const LOUDNESS = 0.25;
/** Of one batch: more would still be sounding when the next comes. */
const MOST_AT_ONCE = 8;

/** To be called from a click: browsers let a page sound only after a person's doing. null where there is no sound. */
export function openPlayer(): FramePlayer | null {
  if (typeof AudioContext === "undefined") return null;
  const context = new AudioContext();
  void context.resume();
  return {
    play(sounds) {
      sounds.slice(-MOST_AT_ONCE).forEach((sound, index) => {
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
