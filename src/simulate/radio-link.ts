/**
 * How much of a node's power reaches a gateway's antennas at a moment, and is it read there? Path gain and fading, then
 * the physics of one reception: the demodulator's knee, capture between overlapping frames, the figures reported.
 * Simple on purpose: no coupling between neighbouring channels. A scenario's `physics` may set other values.
 */
import { CAPTURE_GOURSAUD_2015 } from "../radio/collisions.ts";
import { haversineM, LOG_DISTANCE_OULU, logDistanceLossDb } from "../radio/geometry.ts";
import { demodulationFloorDb } from "../radio/margin.ts";
import { thermalNoiseDbm } from "../radio/noise.ts";
import {
  isNoisy,
  type LevelChange,
  levelAt,
  levelChangesOf,
  type NoiseRise,
  noiseRisesOf,
} from "./effects.ts";
import type { ScenarioEvent } from "./events.ts";
import type { Gateway, Node, Physics } from "./scenario.ts";
import { normal, type Random } from "./time-and-chance.ts";
import type { ReportedSignal } from "./transmission.ts";

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
    const fastDb = this.#gateway.antennas.map(() => fastFadingDb(this.#node, this.#fast));
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
    const fastDb = fastFadingDb(this.#node, this.#down);
    return powerDbm + this.#pathGainDb + gainDb + (this.#shadowDb ?? 0) + this.#changeDb(atUs) + fastDb;
  }

  #changeDb(atUs: number): number {
    return this.#changes.reduce((sum, change) => sum + levelAt(change, atUs), 0);
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

/** Given in the scenario, or from distance by the Oulu model (radio/geometry.ts); null: out of range. */
function pathGainDb(node: Node, gateway: Gateway): number | null {
  const given = node.pathGainDb[gateway.eui];
  if (given !== undefined) return given;
  if (node.position === undefined || gateway.position === undefined) return null;
  const flatM = haversineM(node.position, gateway.position);
  const distanceM = Math.hypot(flatM, node.position.altitudeM - gateway.position.altitudeM);
  return -logDistanceLossDb(Math.max(1, distanceM), LOG_DISTANCE_OULU);
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

// Does a gateway read a frame, and what does it report?

// Common practice, no source: frames come through down to 2 or 3 dB below the data sheet's floor, and some are lost
// up to 5 dB above it. A logistic knee of this width has 2 % of frames at 3 dB below and loses 2 % at 3 dB above.
const KNEE_WIDTH_DB = 0.75;
// Common practice, no source: preamble and header, at coding rate 4/8, outlive the payload by 1 to 2 dB.
const HEADER_ADVANTAGE_DB = 1.5;

/** Chance that a frame's payload is read without error. `marginDb`: SNR minus demodulation floor. */
export function deliveryProbability(marginDb: number, kneeWidthDb = KNEE_WIDTH_DB): number {
  return 1 / (1 + Math.exp(-marginDb / kneeWidthDb));
}

/** Chance that the demodulator locks and reads the header; never below `deliveryProbability`. */
export function detectionProbability(
  marginDb: number,
  kneeWidthDb = KNEE_WIDTH_DB,
  headerAdvantageDb = HEADER_ADVANTAGE_DB,
): number {
  return deliveryProbability(marginDb + headerAdvantageDb, kneeWidthDb);
}

/** SNR minus the demodulation floor of a spreading factor, dB. Above SF12 and below SF5 nothing is heard. */
export function marginDb(snrDb: number, spreadingFactor: number): number {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return floorDb === null ? Number.NEGATIVE_INFINITY : snrDb - floorDb;
}

/** Sum of powers in dBm; minus infinity for none. */
export function sumPowersDbm(powersDbm: readonly number[]): number {
  return 10 * Math.log10(powersDbm.reduce((sum, power) => sum + 10 ** (power / 10), 0));
}

/**
 * Whether a frame survives what overlaps with it on its channel, by the table of Goursaud and Gorce 2015: 6 dB above
 * all frames of its own spreading factor together, and above others by what that spreading factor asks.
 */
export function survivesInterference(
  signalDbm: number,
  spreadingFactor: number,
  interferers: readonly { readonly spreadingFactor: number; readonly powerDbm: number }[],
  captureDb = 6,
): boolean {
  const spreadingFactors = new Set(interferers.map((frame) => frame.spreadingFactor));
  return [...spreadingFactors].every((other) => {
    const powers = interferers.filter((frame) => frame.spreadingFactor === other);
    const ratioDb = signalDbm - sumPowersDbm(powers.map(({ powerDbm }) => powerDbm));
    if (other === spreadingFactor) return ratioDb >= captureDb;
    return ratioDb >= (CAPTURE_GOURSAUD_2015[spreadingFactor - 7]?.[other - 7] ?? 6);
  });
}

/** A frame on the air, for the question of who locks first. */
export interface Timed {
  readonly startUs: number;
  readonly endUs: number;
  readonly spreadingFactor: number;
  readonly powerDbm: number;
}

// Bor et al. 2016 (from memory): five symbols of preamble are enough to lock; before them nothing is harmed.
const SYMBOLS_BEFORE_LOCK = 8 - 5;

/**
 * What of the overlapping frames matters with timed capture: null when an earlier frame of the same spreading factor holds the
 * demodulator, so that this one is lost whatever its power; else those that overlap more than the preamble's beginning.
 */
export function contendersFor(
  frame: Timed,
  bandwidthHz: number,
  others: readonly Timed[],
): readonly Timed[] | null {
  const lockUs = (SYMBOLS_BEFORE_LOCK * 2 ** frame.spreadingFactor * 1e6) / bandwidthHz;
  const harmful = others.filter(({ endUs }) => endUs > frame.startUs + lockUs);
  const holds = harmful.some(
    ({ spreadingFactor, startUs }) =>
      spreadingFactor === frame.spreadingFactor && startUs + lockUs < frame.startUs,
  );
  return holds ? null : harmful;
}

// Common practice, no source: the SNR estimator of concentrators stops rising at +10 to +14 dB.
const SNR_CEILING_DB = 12;
const SNR_BEND_DB = 1.2;
// Chosen: the estimator's scatter from frame to frame.
const REPORT_SCATTER_DB = 0.4;

/** The SNR that a concentrator reports for a true one, dB: saturated softly near +12 dB, in steps of 0.25 dB. */
export function reportedSnrDb(snrDb: number, scatterDb: number, ceilingDb = SNR_CEILING_DB): number {
  const bent =
    snrDb > 40
      ? ceilingDb
      : -SNR_BEND_DB * Math.log(Math.exp(-snrDb / SNR_BEND_DB) + Math.exp(-ceilingDb / SNR_BEND_DB));
  // SX1302 HAL: the register counts quarters of a dB.
  return Math.round((bent + scatterDb) * 4) / 4;
}

/** What a concentrator reports of a frame; takes the same number of draws for every frame. */
export function reportSignal(
  signalDbm: number,
  noiseDbm: number,
  interferenceDbm: readonly number[],
  random: Random,
  { snrCeilingDb, reportScatterDb }: Pick<Physics, "snrCeilingDb" | "reportScatterDb"> = {
    snrCeilingDb: SNR_CEILING_DB,
    reportScatterDb: REPORT_SCATTER_DB,
  },
): ReportedSignal {
  const rssiScatterDb = reportScatterDb * normal(random);
  const snrScatterDb = reportScatterDb * normal(random);
  // The despread estimate sees interference as noise only in part; what survives capture leaves it as it was.
  return {
    rssiDbm: Math.round(sumPowersDbm([signalDbm, noiseDbm, ...interferenceDbm]) + rssiScatterDb),
    signalRssiDbm: Math.round(signalDbm + rssiScatterDb),
    snrDb: reportedSnrDb(signalDbm - noiseDbm, snrScatterDb, snrCeilingDb),
  };
}
