/**
 * How much of a node's power reaches a gateway's antennas at a moment? Path gain, slow and fast fading, and the
 * fading events of the scenario.
 */
import { LOG_DISTANCE_OULU, logDistanceLossDb } from "../radio/path-loss.ts";
import { normal, type Random } from "./random.ts";
import type { Gateway, Node } from "./scenario.ts";
import { eventsOf, type ScenarioEvent } from "./scenario-events.ts";

/** One node's way to one gateway. Ask in order of time: each question draws from the fading's stream. */
export class Link {
  readonly #node: Node;
  readonly #gateway: Gateway;
  readonly #pathGainDb: number | null;
  readonly #fades: readonly Extract<ScenarioEvent, { event: "fading-link" }>[];
  readonly #slow: Random;
  readonly #fast: Random;
  #shadowDb: number | null = null;
  #shadowAtUs = 0;

  constructor(node: Node, gateway: Gateway, events: readonly ScenarioEvent[], random: Random) {
    this.#node = node;
    this.#gateway = gateway;
    this.#pathGainDb = pathGainDb(node, gateway);
    this.#fades = eventsOf(events, "fading-link").filter(
      (fade) => fade.node === node.name && (fade.gateway === undefined || fade.gateway === gateway.eui),
    );
    this.#slow = random.fork("slow");
    this.#fast = random.fork("fast");
  }

  /** Signal power at each antenna, dBm; null out of reach. */
  powersDbm(atUs: number): readonly number[] | null {
    const shadowDb = this.#shadow(atUs);
    const fastDb = this.#gateway.antennas.map(() => this.#node.fastFadingDb * normal(this.#fast));
    if (this.#pathGainDb === null) return null;
    const fadeDb = this.#fades.reduce((sum, fade) => sum + fadeAt(fade, atUs), 0);
    const commonDbm = this.#node.transmitPowerDbm + this.#pathGainDb + shadowDb + fadeDb;
    return this.#gateway.antennas.map(({ gainDb }, index) => commonDbm + gainDb + (fastDb[index] ?? 0));
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

/** The change that a fading event makes at a moment, dB. */
export function fadeAt(
  fade: {
    readonly from: number;
    readonly to: number;
    readonly until?: number | undefined;
    readonly changeDb: number;
  },
  atUs: number,
): number {
  if (atUs < fade.from || (fade.until !== undefined && atUs >= fade.until)) return 0;
  return fade.changeDb * Math.min(1, (atUs - fade.from) / (fade.to - fade.from));
}

/** Told in the scenario, or from distance by the Oulu model (radio/path-loss.ts); null out of reach. */
function pathGainDb(node: Node, gateway: Gateway): number | null {
  const told = node.pathGainDb[gateway.eui];
  if (told !== undefined) return told;
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
