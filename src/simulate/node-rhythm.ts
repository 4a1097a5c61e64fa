/** When does a synthetic node send next? Its rhythm by its own clock, and the stretches in which it is silent. */
import { silencesOf } from "./effects.ts";
import { exponential, type Random } from "./random.ts";
import type { Node, Scenario } from "./scenario.ts";
import { isWithin, type Stretch, seconds } from "./scenario-time.ts";

/** Least time between two frames. */
const LEAST_SECONDS = 0.2;

export class NodeRhythm {
  readonly #node: Node;
  readonly #random: Random;
  readonly #silences: readonly Stretch[];
  readonly #active: Stretch | null;
  /** With a `clock` schedule: the beat of the newest frame. */
  #beatUs = 0;
  #isSlow = false;

  /** `active`: the only stretch in which the node sends; null: the whole run. */
  constructor(node: Node, { events }: Scenario, random: Random, active: Stretch | null) {
    this.#node = node;
    this.#random = random;
    this.#silences = silencesOf(events, node.name);
    this.#active = active;
  }

  /** The first frame, within so many seconds. */
  firstUs(windowSeconds: number): number {
    this.#beatUs = (this.#active?.fromUs ?? 0) + seconds(windowSeconds * this.#random.uniform());
    return this.#beatUs;
  }

  /** Whether nothing more is sent from this moment on. */
  isOver(atUs: number): boolean {
    return this.#active !== null && atUs >= this.#active.toUs;
  }

  /** When a frame goes out that would fall in a silence; null when it does not. */
  afterSilenceUs(atUs: number): number | null {
    const silence = this.#silences.find((stretch) => isWithin([stretch], atUs));
    return silence === undefined
      ? null
      : silence.toUs + seconds(this.#node.rhythmSeconds * this.#random.uniform());
  }

  /** The frame after the one sent now. */
  nextUs(atUs: number): number {
    const { schedule, jitterShare, clockPpm } = this.#node;
    const rhythmSeconds = this.#steadySeconds() * (1 + clockPpm / 1e6);
    if (schedule === "random")
      return atUs + seconds(Math.max(LEAST_SECONDS, exponential(this.#random, rhythmSeconds)));
    const jitter = jitterShare * (2 * this.#random.uniform() - 1);
    if (schedule === "interval") return atUs + seconds(Math.max(LEAST_SECONDS, rhythmSeconds * (1 + jitter)));
    const behind = Math.max(1, Math.ceil((atUs - this.#beatUs) / (rhythmSeconds * 1e6) - 0.5));
    this.#beatUs += Math.round(behind * rhythmSeconds * 1e6);
    return Math.max(atUs + seconds(LEAST_SECONDS), this.#beatUs + seconds(jitter * rhythmSeconds));
  }

  /** The rhythm that it keeps now: one of two, where it has two. */
  #steadySeconds(): number {
    const { rhythmSeconds, slowRhythmSeconds, framesARhythm } = this.#node;
    if (slowRhythmSeconds === undefined) return rhythmSeconds;
    if (this.#random.uniform() < 1 / framesARhythm) this.#isSlow = !this.#isSlow;
    return this.#isSlow ? slowRhythmSeconds : rhythmSeconds;
  }
}
