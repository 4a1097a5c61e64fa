/** What does a synthetic concentrator's counter show, and which moment does a counter value or a GPS time mean? */
import type { TransmitMoment } from "../wire/forwarder/downstream.ts";
import type { Gateway } from "./scenario.ts";
import { type ScenarioClock, worldUs } from "./scenario-time.ts";

// UNIX time of the GPS epoch, and GPS minus UTC since 2017 (IERS Bulletin C).
export const GPS_EPOCH_MS = 315_964_800_000;
export const GPS_MINUS_UTC_MS = 18_000;
export const COUNTER_MODULUS = 2 ** 32;

/** The counter of one gateway: microseconds since it began, drifting, modulo 2^32. */
export class ConcentratorClock {
  readonly #gateway: Gateway;
  readonly #clock: ScenarioClock;
  /** World time at which the counter stood at 0. */
  #startUs: number;

  constructor(gateway: Gateway, clock: ScenarioClock) {
    this.#gateway = gateway;
    this.#clock = clock;
    this.#startUs = worldUs(clock, 0) - Math.round(gateway.uptimeSeconds * 1e6);
  }

  /** It begins anew at 0, at a moment of the run. */
  restart(atUs: number): void {
    this.#startUs = worldUs(this.#clock, atUs);
  }

  /** It stood still for so long of the run. */
  stoodStill(forUs: number): void {
    this.#startUs += forUs / this.#clock.speed;
  }

  /** The counter at a moment of the run. */
  tmstUs(atUs: number): number {
    return Math.floor(this.#ticks(atUs)) % COUNTER_MODULUS;
  }

  /**
   * The moment of the run that a request to transmit means; null: at once. Of the two ways around the counter the nearer
   * one: what lies behind is late, not an hour ahead.
   */
  momentUs(moment: TransmitMoment, nowUs: number): number | null | "no GPS" {
    if (moment.kind === "immediate" || moment.kind === "unsaid") return null;
    const { speed } = this.#clock;
    if (moment.kind === "gps") {
      if (!this.#gateway.gpsTime) return "no GPS";
      const atWorldUs = (moment.gpsTimeMs + GPS_EPOCH_MS - GPS_MINUS_UTC_MS) * 1000;
      return nowUs + Math.round((atWorldUs - worldUs(this.#clock, nowUs)) * speed);
    }
    const ahead = (moment.tmstUs - Math.floor(this.#ticks(nowUs))) % COUNTER_MODULUS;
    const half = COUNTER_MODULUS / 2;
    const nearer = ahead >= half ? ahead - COUNTER_MODULUS : ahead < -half ? ahead + COUNTER_MODULUS : ahead;
    return nowUs + Math.round((nearer / (1 + this.#gateway.clockDriftPpm / 1e6)) * speed);
  }

  /** Microseconds counted since it began, not wrapped. */
  #ticks(atUs: number): number {
    return (worldUs(this.#clock, atUs) - this.#startUs) * (1 + this.#gateway.clockDriftPpm / 1e6);
  }
}
