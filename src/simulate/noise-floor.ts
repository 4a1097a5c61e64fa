/**
 * How much noise does a gateway have on a channel at a moment? Thermal noise and noise figure, what the place adds to
 * the channel, a slow wander, and interferers.
 */
import { thermalNoiseDbm } from "../radio/noise.ts";
import { isNoisy, type NoiseRise, noiseRisesOf } from "./effects.ts";
import { normal, type Random } from "./random.ts";
import type { Gateway } from "./scenario.ts";
import type { ScenarioEvent } from "./scenario-events.ts";

export interface Noise {
  /** As it is. */
  readonly noiseDbm: number;
  /** As it would be without the interferers that were injected. */
  readonly quietDbm: number;
}

/** One gateway's noise. Ask in order of time: each question of a wandering channel draws from its stream. */
export class NoiseFloor {
  readonly #gateway: Gateway;
  readonly #rises: readonly NoiseRise[];
  readonly #random: Random;
  readonly #wanders = new Map<number, { random: Random; valueDb: number; atUs: number }>();

  constructor(gateway: Gateway, events: readonly ScenarioEvent[], random: Random) {
    this.#gateway = gateway;
    this.#rises = noiseRisesOf(events, gateway.eui);
    this.#random = random;
  }

  /** For a frame of that bandwidth between two moments: the worst that an interferer does meanwhile. */
  at(frequencyHz: number, bandwidthHz: number, startUs: number, endUs: number): Noise {
    const { noiseFigureDb, channelNoiseDb } = this.#gateway;
    const quietDbm =
      thermalNoiseDbm(bandwidthHz, noiseFigureDb) +
      (channelNoiseDb[String(frequencyHz)] ?? 0) +
      this.#wander(frequencyHz, startUs);
    const riseDb = this.#rises.reduce(
      (most, rise) => (isNoisy(rise, frequencyHz, startUs, endUs) ? Math.max(most, rise.riseDb) : most),
      0,
    );
    return { noiseDbm: quietDbm + riseDb, quietDbm };
  }

  /** A first-order autoregressive process a channel. */
  #wander(frequencyHz: number, atUs: number): number {
    const { noiseWanderDb, noiseWanderMinutes } = this.#gateway;
    if (noiseWanderDb === 0) return 0;
    let wander = this.#wanders.get(frequencyHz);
    if (wander === undefined) {
      const random = this.#random.fork(String(frequencyHz));
      wander = { random, valueDb: noiseWanderDb * normal(random), atUs };
      this.#wanders.set(frequencyHz, wander);
    }
    const kept = Math.exp(-(atUs - wander.atUs) / (noiseWanderMinutes * 60e6));
    if (atUs > wander.atUs)
      wander.valueDb =
        kept * wander.valueDb + Math.sqrt(1 - kept ** 2) * noiseWanderDb * normal(wander.random);
    wander.atUs = atUs;
    return wander.valueDb;
  }
}
