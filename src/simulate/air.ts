/**
 * Who hears what is sent? All transmissions pass through here: power at every antenna, noise, capture between
 * frames that overlap, and the gateway's demodulators.
 */

import type { GatewayActor } from "./gateway-actor.ts";
import {
  contendersFor,
  deliveryProbability,
  detectionProbability,
  type Link,
  marginDb,
  NoiseFloor,
  reportSignal,
  survivesInterference,
} from "./radio-link.ts";
import type { Physics, Scenario } from "./scenario.ts";
import { normal, type Random } from "./time-and-chance.ts";
import type { AntennaReception, RadioOutcome, Transmission } from "./transmission.ts";

// Two details of a frame on the air: when its header is over, and how far its carrier seems to be off.

// Explicit header after 8 symbols of preamble and 4.25 of synchronisation: 8 symbols (SX1272 data sheet Rev 2, 4.1.1.7).
const SYMBOLS_TO_HEADER_END = 12.25 + 8;

function headerEndUs({ startUs, modulation }: Transmission): number {
  return startUs + (SYMBOLS_TO_HEADER_END * 2 ** modulation.spreadingFactor * 1e6) / modulation.bandwidthHz;
}

// Chosen: how far the estimate of one frame strays from the carrier's true offset.
const OFFSET_SCATTER_HZ = 25;

/** What the concentrator sees of the carrier's offset: the node's crystal against its own. */
function offsetHz(transmission: Transmission, clockDriftPpm: number, scatter: Random): number {
  const ppm = transmission.crystalPpm - clockDriftPpm;
  return Math.round((ppm * transmission.frequencyHz) / 1e6 + OFFSET_SCATTER_HZ * normal(scatter));
}

/** Streams of chance that belong to one node, so that no node's draws shift another's. */
export interface NodeChance {
  readonly luck: Random;
  readonly scatter: Random;
}

/** What one gateway made of a transmission; receptions only when its radio delivered something. */
export interface Hearing {
  readonly gateway: GatewayActor;
  readonly outcome: RadioOutcome;
  readonly receptions: readonly AntennaReception[];
}

interface AntennaState {
  readonly powerDbm: number;
  readonly noiseDbm: number;
  /** Without the interferers injected. */
  readonly quietDbm: number;
  /** Drawn once, so that later circumstances shift no other draw. */
  readonly luck: number;
}

interface Presence {
  readonly gateway: GatewayActor;
  readonly antennas: readonly AntennaState[];
  readonly detected: boolean;
  /** Whether a demodulator was free. */
  readonly taken: boolean;
}

interface OnAir {
  readonly transmission: Transmission;
  readonly presences: readonly Presence[];
}

/** The channels of the site. `begin` at a transmission's start and `end` at its end, in order of time. */
export class Air {
  readonly #gateways: readonly GatewayActor[];
  readonly #links: ReadonlyMap<string, readonly Link[]>;
  readonly #noises: readonly NoiseFloor[];
  readonly #physics: Physics;
  readonly #chances: ReadonlyMap<string, NodeChance>;
  #onAir: OnAir[] = [];

  /** `links` by node name, one a gateway in the gateways' order; `chances` by node name. */
  constructor(
    gateways: readonly GatewayActor[],
    links: ReadonlyMap<string, readonly Link[]>,
    { events, physics }: Pick<Scenario, "events" | "physics">,
    chances: ReadonlyMap<string, NodeChance>,
    noise: Random,
  ) {
    this.#gateways = gateways;
    this.#links = links;
    this.#noises = gateways.map(
      ({ config }) => new NoiseFloor(config, events, noise.fork(`noise ${config.eui}`)),
    );
    this.#physics = physics;
    this.#chances = chances;
  }

  begin(transmission: Transmission): void {
    const links = this.#links.get(transmission.nodeName) ?? [];
    const chance = this.#chances.get(transmission.nodeName);
    if (chance === undefined) return;
    const presences: Presence[] = [];
    for (const [index, gateway] of this.#gateways.entries()) {
      const powers = links[index]?.powersDbm(transmission.startUs, transmission.powerDbm) ?? null;
      const draws = gateway.config.antennas.map(() => chance.luck.uniform());
      if (powers === null) continue;
      const { frequencyHz, modulation, startUs, endUs } = transmission;
      const noise = this.#noises[index]?.at(frequencyHz, modulation.bandwidthHz, startUs, endUs);
      if (noise === undefined) continue;
      const antennas = powers.map((powerDbm, antenna) => ({ powerDbm, ...noise, luck: draws[antenna] ?? 1 }));
      const detected = antennas.some(
        ({ powerDbm, noiseDbm, luck: draw }) =>
          draw < this.#detection(marginAt(gateway, powerDbm - noiseDbm, modulation.spreadingFactor)),
      );
      const listens =
        gateway.listensOn(frequencyHz, startUs) &&
        !gateway.isTransmitting(startUs, startUs) &&
        !gateway.isDeaf(startUs, startUs + 1);
      presences.push({
        gateway,
        antennas,
        detected,
        taken: detected && listens && gateway.takeDemodulator(),
      });
    }
    this.#onAir.push({ transmission, presences });
  }

  /** What every gateway made of a transmission that ends now. */
  end(transmission: Transmission): readonly Hearing[] {
    const chance = this.#chances.get(transmission.nodeName);
    const own = this.#onAir.find((frame) => frame.transmission === transmission);
    if (own === undefined || chance === undefined) return [];
    const overlapping = this.#onAir.filter(
      (frame) => frame !== own && overlaps(frame.transmission, transmission),
    );
    const hearings = this.#gateways.map((gateway) => {
      const presence = own.presences.find((candidate) => candidate.gateway === gateway);
      if (presence === undefined) return { gateway, outcome: "weak" as const, receptions: [] };
      if (presence.taken) gateway.freeDemodulator();
      return this.#judge(transmission, presence, overlapping, chance.scatter);
    });
    this.#forget(transmission.endUs);
    return hearings;
  }

  #judge(
    transmission: Transmission,
    presence: Presence,
    overlapping: readonly OnAir[],
    scatter: Random,
  ): Hearing {
    const { gateway } = presence;
    const { spreadingFactor, bandwidthHz } = transmission.modulation;
    const { startUs, endUs } = transmission;
    const { captureDb } = this.#physics;
    const receptions: AntennaReception[] = [];
    let collided = false;
    let drowned = false;
    let weakened = false;
    const weakenedDb = gateway.weakenedDb(startUs);
    for (const [antenna, state] of presence.antennas.entries()) {
      const others = overlapping.flatMap((frame) => {
        const powerDbm = frame.presences.find((p) => p.gateway === gateway)?.antennas[antenna]?.powerDbm;
        const sf = frame.transmission.modulation.spreadingFactor;
        return powerDbm === undefined
          ? []
          : [
              {
                spreadingFactor: sf,
                powerDbm,
                startUs: frame.transmission.startUs,
                endUs: frame.transmission.endUs,
              },
            ];
      });
      const margin = marginAt(gateway, state.powerDbm - state.noiseDbm, spreadingFactor);
      const isDetected = state.luck < this.#detection(margin);
      const own = { startUs, endUs, spreadingFactor, powerDbm: state.powerDbm };
      const contenders = this.#physics.capture === "timed" ? contendersFor(own, bandwidthHz, others) : others;
      const survives =
        contenders !== null && survivesInterference(state.powerDbm, spreadingFactor, contenders, captureDb);
      const signal = reportSignal(
        state.powerDbm,
        state.noiseDbm,
        others.map(({ powerDbm }) => powerDbm),
        scatter,
        this.#physics,
      );
      const frequencyOffsetHz = offsetHz(transmission, gateway.config.clockDriftPpm, scatter);
      const quietMargin = marginAt(gateway, state.powerDbm - state.quietDbm, spreadingFactor);
      drowned ||= survives && state.luck < this.#delivery(quietMargin);
      weakened ||= survives && weakenedDb > 0 && state.luck < this.#delivery(margin + weakenedDb);
      if (isDetected && !survives) {
        collided = true;
        if (contenders === null) continue;
        // What begins after the header spoils the payload only: the modem reports a packet with a wrong CRC.
        const early = contenders.filter((other) => other.startUs < headerEndUs(transmission));
        if (!survivesInterference(state.powerDbm, spreadingFactor, early, captureDb)) continue;
      } else if (!isDetected) continue;
      const isWhole = survives && state.luck < this.#delivery(margin);
      receptions.push({ antenna, crc: isWhole ? "ok" : "bad", signal, frequencyOffsetHz });
    }
    const isRead = receptions.some(({ crc }) => crc === "ok");
    const lostTo = collided ? "collision" : drowned ? "noise" : weakened ? "weakened" : "weak";
    return this.#heardBy(presence, transmission, isRead ? "received" : lostTo, receptions);
  }

  #delivery(margin: number): number {
    return deliveryProbability(margin, this.#physics.kneeWidthDb);
  }

  #detection(margin: number): number {
    return detectionProbability(margin, this.#physics.kneeWidthDb, this.#physics.headerAdvantageDb);
  }

  /** Takes away what a gateway that is off, tuned elsewhere or out of demodulators would have had. */
  #heardBy(
    { gateway, taken }: Presence,
    transmission: Transmission,
    outcome: RadioOutcome,
    receptions: readonly AntennaReception[],
  ): Hearing {
    const none = { gateway, receptions: [] };
    const received = outcome === "received";
    if (!gateway.isOn(transmission.startUs) || !gateway.isOn(transmission.endUs))
      return { ...none, outcome: received ? "gateway-off" : outcome };
    if (gateway.isDeaf(transmission.startUs, transmission.endUs))
      return { ...none, outcome: received ? "gateway-deaf" : outcome };
    if (gateway.isTransmitting(transmission.startUs, transmission.endUs))
      return { ...none, outcome: received ? "gateway-transmitting" : outcome };
    if (!gateway.listensOn(transmission.frequencyHz, transmission.startUs))
      return { ...none, outcome: received ? "off-channel" : outcome };
    if (!taken) return { ...none, outcome: received ? "no-demodulator" : outcome };
    // One antenna that read the frame is enough; those that did not then report nothing.
    return {
      gateway,
      outcome,
      receptions: received ? receptions.filter(({ crc }) => crc === "ok") : receptions,
    };
  }

  /** Keeps what can still overlap with a transmission that has not ended. */
  #forget(nowUs: number): void {
    const earliestUs = this.#onAir.reduce(
      (earliest, { transmission }) =>
        transmission.endUs > nowUs ? Math.min(earliest, transmission.startUs) : earliest,
      nowUs,
    );
    this.#onAir = this.#onAir.filter(({ transmission }) => transmission.endUs > earliestUs);
  }
}

/** What a gateway's demodulator has over what it needs, dB. */
function marginAt(gateway: GatewayActor, snrDb: number, spreadingFactor: number): number {
  return marginDb(snrDb, spreadingFactor) - gateway.config.demodulatorLossDb;
}

function overlaps(a: Transmission, b: Transmission): boolean {
  return a.frequencyHz === b.frequencyHz && a.startUs < b.endUs && b.startUs < a.endUs;
}
