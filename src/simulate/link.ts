/**
 * How much of a node's power reaches a gateway's antennas at a moment? Path gain, slow and fast fading, and the
 * fading events of the scenario.
 */

import { thermalNoiseDbm } from "../radio/noise.ts";
import { LOG_DISTANCE_OULU, logDistanceLossDb } from "../radio/path-loss.ts";
import {
  isNoisy,
  type LevelChange,
  levelAt,
  levelChangesOf,
  type NoiseRise,
  noiseRisesOf,
} from "./effects.ts";
import type { ScenarioEvent } from "./events.ts";
import { normal, type Random } from "./random.ts";
import type { Gateway, Node } from "./scenario.ts";

/** One node's way to one gateway. Ask in order of time: each question draws from the fading's stream. */
export class Link {
  readonly #node: Node;
  readonly #gateway: Gateway;
  readonly #pathGainDb: number | null;
  readonly #changes: readonly LevelChange[];
  readonly #slow: Random;
  readonly #fast: Random;
  readonly #down: Random;
  #shadowDb: number | null = null;
  #shadowAtUs = 0;

  constructor(node: Node, gateway: Gateway, events: readonly ScenarioEvent[], random: Random) {
    this.#node = node;
    this.#gateway = gateway;
    this.#pathGainDb = pathGainDb(node, gateway);
    this.#changes = levelChangesOf(events, node.name, gateway.eui);
    this.#slow = random.fork("slow");
    this.#fast = random.fork("fast");
    this.#down = random.fork("down");
  }

  /** Signal power at each antenna, dBm; null: out of range. `powerDbm`: sent, where it is not the node's own. */
  powersDbm(atUs: number, powerDbm = this.#node.transmitPowerDbm): readonly number[] | null {
    const shadowDb = this.#shadow(atUs);
    const fastDb = this.#gateway.antennas.map(() => this.#fastDb());
    if (this.#pathGainDb === null) return null;
    const commonDbm = powerDbm + this.#pathGainDb + shadowDb + this.#changeDb(atUs);
    return this.#gateway.antennas.map(({ gainDb }, index) => commonDbm + gainDb + (fastDb[index] ?? 0));
  }

  /**
   * Power of a downlink at the node, dBm; null: out of range. The path is the same both ways, but fast fading is drawn
   * anew: half a second and more lies between.
   */
  downlinkDbm(atUs: number, powerDbm: number): number | null {
    if (this.#pathGainDb === null) return null;
    const [{ gainDb } = { gainDb: 0 }] = this.#gateway.antennas;
    return (
      powerDbm + this.#pathGainDb + gainDb + (this.#shadowDb ?? 0) + this.#changeDb(atUs) + this.#downDb()
    );
  }

  #changeDb(atUs: number): number {
    return this.#changes.reduce((sum, change) => sum + levelAt(change, atUs), 0);
  }

  #fastDb(): number {
    return fastFadingDb(this.#node, this.#fast);
  }

  #downDb(): number {
    return fastFadingDb(this.#node, this.#down);
  }

  /** Shadowing as a first-order autoregressive process: correlation falls to 1/e in `slowFadingMinutes`. */
  #shadow(atUs: number): number {
    const { slowFadingDb, slowFadingMinutes } = this.#node;
    const draw = slowFadingDb * normal(this.#slow);
    if (this.#shadowDb === null) {
      this.#shadowDb = draw;
    } else {
      const correlation = Math.exp(-(atUs - this.#shadowAtUs) / (slowFadingMinutes * 60e6));
      this.#shadowDb = correlation * this.#shadowDb + Math.sqrt(1 - correlation ** 2) * draw;
    }
    this.#shadowAtUs = atUs;
    return this.#shadowDb;
  }
}

/**
 * What changes from frame to frame, dB, two normal draws at most: normal in dB with a standard deviation, or the
 * envelope of a steady and a scattered part of unit mean power (Rician; without a steady part Rayleigh).
 */
function fastFadingDb(node: Node, random: Random): number {
  if (node.fastFading === "normal") return node.fastFadingDb * normal(random);
  const k = node.fastFading === "rayleigh" ? 0 : 10 ** (node.ricianKDb / 10);
  const scatter = Math.sqrt(1 / (2 * (k + 1)));
  const inPhase = Math.sqrt(k / (k + 1)) + scatter * normal(random);
  const quadrature = scatter * normal(random);
  return 10 * Math.log10(Math.max(1e-6, inPhase ** 2 + quadrature ** 2));
}

/** Given in the scenario, or from distance by the Oulu model (radio/path-loss.ts); null: out of range. */
function pathGainDb(node: Node, gateway: Gateway): number | null {
  const given = node.pathGainDb[gateway.eui];
  if (given !== undefined) return given;
  if (node.position === undefined || gateway.position === undefined) return null;
  const flatM = groundDistanceM(node.position, gateway.position);
  const distanceM = Math.hypot(flatM, node.position.altitudeM - gateway.position.altitudeM);
  return -logDistanceLossDb(Math.max(1, distanceM), LOG_DISTANCE_OULU);
}

/** Great-circle distance, haversine, mean radius 6 371 008.8 m. */
function groundDistanceM(
  a: { readonly latitudeDeg: number; readonly longitudeDeg: number },
  b: { readonly latitudeDeg: number; readonly longitudeDeg: number },
): number {
  const rad = Math.PI / 180;
  const sinLatitude = Math.sin(((b.latitudeDeg - a.latitudeDeg) * rad) / 2);
  const sinLongitude = Math.sin(((b.longitudeDeg - a.longitudeDeg) * rad) / 2);
  const h =
    sinLatitude ** 2 + Math.cos(a.latitudeDeg * rad) * Math.cos(b.latitudeDeg * rad) * sinLongitude ** 2;
  return 2 * 6_371_008.8 * Math.asin(Math.min(1, Math.sqrt(h)));
}

// How much noise does a gateway have on a channel at a moment? Thermal noise and noise figure, what the place adds to
// the channel, a slow wander, and interferers.

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
