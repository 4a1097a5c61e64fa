/**
 * What does a synthetic gateway do with what its radio hears? It counts, waits for its next fetch, and sends as the
 * reference daemons do: packets and reports up, keepalives down.
 */
import type { StatusReport } from "../model/datagram.ts";
import type { TimeRange } from "../model/time-range.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/downstream.ts";
import {
  backhaulOutagesOf,
  type ChannelChange,
  channelChangesOf,
  channelsAt,
  type DeafTime,
  deafTimesOf,
  type LevelChange,
  levelAt,
  powerOutagesOf,
  weakenedTimesOf,
} from "./effects.ts";
import { ConcentratorClock, ghostOf, reportedPacket, statusReport } from "./gateway-output.ts";
import type { Gateway, Scenario } from "./scenario.ts";
import { type Agenda, below, isWithin, type Random, type ScenarioClock, worldUs } from "./time-and-chance.ts";
import {
  type Accepted,
  type AntennaReception,
  type ForwardedPacket,
  type GatewayDatagram,
  type Refused,
  type Transmission,
  Transmitter,
} from "./transmission.ts";

// Reference daemons, thread_up: the radio is asked every 10 ms (FETCH_SLEEP_MS).
const FETCH_US = 10_000;
// Reference daemons, NB_PKT_MAX: 8 packets in a PUSH_DATA (SX1301), 255 (SX1302).
const MAX_PACKETS = { sx1301: 8, sx1302: 255 } as const;
// SX1301: 8 LoRa demodulators; SX1302: 16 for 125 kHz (data sheets).
const DEMODULATORS = { sx1301: 8, sx1302: 16 } as const;
// Reference daemons, thread_down: a keepalive goes out up to one read timeout (200 ms) late.
const KEEPALIVE_SLIP_US = 200_000;

/** What a gateway needs of the world. */
export interface GatewayWorld {
  readonly scenario: Scenario;
  readonly clock: ScenarioClock;
  readonly agenda: Agenda<() => void>;
  readonly random: Random;
  send(gateway: GatewayActor, datagram: GatewayDatagram, atUs: number): void;
  /** Whether a radio of this region can send on a frequency. */
  inBand(frequencyHz: number | null): boolean;
  /** A packet has been transmitted. */
  sent(gateway: GatewayActor, request: TransmitRequest, during: TimeRange): void;
}

/** Radio packets counted since the last report. */
interface Counts {
  received: number;
  crcOk: number;
  forwarded: number;
}

/** One gateway. `start` enters its first action; everything else follows. */
export class GatewayActor {
  readonly config: Gateway;
  readonly transmitter = new Transmitter();
  /** Stretches without power, and without a way to the listener. */
  readonly powerOutages: readonly TimeRange[];
  readonly backhaulOutages: readonly TimeRange[];
  /** Stretches in which its radio hears nothing. */
  readonly deafTimes: readonly DeafTime[];
  readonly #world: GatewayWorld;
  readonly #channelsHz: readonly number[];
  readonly #channelChanges: readonly ChannelChange[];
  readonly #weakened: readonly LevelChange[];
  readonly #tokens: Random;
  readonly #slips: Random;
  readonly #ghosts: Random;
  /** Where its fetches lie within 10 ms. */
  readonly #fetchPhaseUs: number;
  readonly #counter: ConcentratorClock;
  #busy = 0;
  #counts: Counts = { received: 0, crcOk: 0, forwarded: 0 };
  #waiting: ForwardedPacket[] = [];
  #report: StatusReport | null = null;
  #isFetching = false;
  /** Raised at every loss of power: what was planned before is then void. */
  #plan = 0;

  constructor(config: Gateway, world: GatewayWorld) {
    this.config = config;
    this.#world = world;
    this.#channelsHz = config.channelsHz;
    const { events } = world.scenario;
    this.powerOutages = powerOutagesOf(events, config.eui);
    this.backhaulOutages = backhaulOutagesOf(events, config.eui);
    this.deafTimes = deafTimesOf(events, config.eui);
    this.#weakened = weakenedTimesOf(events, config.eui);
    this.#channelChanges = channelChangesOf(events, { gateway: config.eui });
    this.#tokens = world.random.fork("tokens");
    this.#slips = world.random.fork("slips");
    this.#ghosts = world.random.fork("ghosts");
    this.#fetchPhaseUs = below(world.random.fork("phase"), FETCH_US);
    this.#counter = new ConcentratorClock(config, world.clock);
  }

  start(): void {
    for (const { fromUs, toUs } of this.powerOutages) {
      this.#world.agenda.add(fromUs, () => this.#switchOff(fromUs));
      this.#world.agenda.add(toUs, () => this.#switchOn(toUs));
    }
    for (const { fromUs, toUs } of this.deafTimes.filter(({ counterStands }) => counterStands))
      this.#world.agenda.add(toUs, () => this.#counter.stoodStill(toUs - fromUs));
    this.#beginChains(below(this.#slips, 1_000_000));
  }

  isOn(atUs: number): boolean {
    return !isWithin(this.powerOutages, atUs);
  }

  /** Whether what it hears at this moment can reach the listener. */
  isReachable(atUs: number): boolean {
    return this.isOn(atUs) && !isWithin(this.backhaulOutages, atUs);
  }

  /** Whether its radio hears nothing at any moment between the two. */
  isDeaf(fromUs: number, toUs: number): boolean {
    return this.deafTimes.some((deaf) => fromUs < deaf.toUs && toUs > deaf.fromUs);
  }

  /** By how many dB everything that it hears is weaker at a moment. */
  weakenedDb(atUs: number): number {
    return this.#weakened.reduce((sum, change) => sum - levelAt(change, atUs), 0);
  }

  listensOn(frequencyHz: number, atUs: number): boolean {
    return channelsAt(this.#channelsHz, this.#channelChanges, atUs).includes(frequencyHz);
  }

  /** Whether it transmits, and is deaf, at any moment between the two. */
  isTransmitting(fromUs: number, toUs: number): boolean {
    return this.config.halfDuplex && this.transmitter.isSending(fromUs, toUs);
  }

  /** Takes a demodulator from the preamble on; false when all are busy. */
  takeDemodulator(): boolean {
    if (this.#busy >= (this.config.demodulators ?? DEMODULATORS[this.config.hardware])) return false;
    this.#busy += 1;
    return true;
  }

  freeDemodulator(): void {
    this.#busy -= 1;
  }

  /** The radio delivers a packet: what the antennas heard that read it best. */
  hear(transmission: Transmission, receptions: readonly AntennaReception[], octets: Uint8Array): void {
    const crc = receptions.some((reception) => reception.crc === "ok") ? "ok" : "bad";
    this.#counts.received += 1;
    if (crc === "ok") this.#counts.crcOk += 1;
    else if (!this.config.forwardsCrcBad) return;
    this.#counts.forwarded += 1;
    const { endUs } = transmission;
    const when = { tmstUs: this.#counter.tmstUs(endUs), worldUs: worldUs(this.#world.clock, endUs) };
    const packet = reportedPacket(this.config, when, transmission, receptions, crc, octets);
    this.#waiting.push({ packet, transmission, isGhost: false });
    const ghost = ghostOf(this.config, packet, this.#ghosts);
    if (ghost !== null) this.#waiting.push({ packet: ghost, transmission, isGhost: true });
    this.#fetchSoon(transmission.endUs);
  }

  /**
   * A PULL_RESP arrives. Gives the outcome, for a TX_ACK, and transmits when it is time; the world hears of it at the
   * end. Null when nobody is there to answer.
   */
  ask(request: TransmitRequest, atUs: number): (Accepted | Refused)["outcome"] | null {
    if (!this.isOn(atUs)) return null;
    const startUs = this.#counter.momentUs(request.moment, atUs);
    if (startUs === "no GPS") return { result: "refused", word: "GPS_UNLOCKED", powerDbm: null };
    const inBand = this.#world.inBand(request.frequencyHz);
    const decision = this.transmitter.ask(request, startUs, inBand, atUs);
    if ("fromUs" in decision) {
      this.#planned(decision.toUs, () => {
        this.transmitter.left(decision);
        this.#world.sent(this, request, decision);
      });
    }
    return decision.outcome;
  }

  /** Asks, and answers by a TX_ACK as gateways do from protocol version 2 on. */
  askAndAnswer(request: TransmitRequest, token: number, atUs: number): void {
    const outcome = this.ask(request, atUs);
    const version = this.config.protocolVersion;
    if (outcome !== null && version === 2)
      this.#world.send(this, { kind: "tx-ack", version, token, outcome }, atUs);
  }

  #switchOff(atUs: number): void {
    this.#plan += 1;
    this.transmitter.cut(atUs);
    this.#waiting = [];
    this.#report = null;
    this.#isFetching = false;
    this.#counts = { received: 0, crcOk: 0, forwarded: 0 };
  }

  #switchOn(atUs: number): void {
    this.#counter.restart(atUs);
    this.#beginChains(atUs);
  }

  #beginChains(atUs: number): void {
    if (!this.isOn(atUs)) return;
    this.#planned(atUs, () => this.#keepAlive(atUs));
    const reportUs = atUs + Math.round(this.config.statSeconds * 1e6);
    this.#planned(reportUs, () => this.#makeReport(reportUs));
  }

  #keepAlive(atUs: number): void {
    this.#world.send(this, { kind: "pull-data", ...this.#head() }, atUs);
    const nextUs =
      atUs + Math.round(this.config.keepaliveSeconds * 1e6) + below(this.#slips, KEEPALIVE_SLIP_US);
    this.#planned(nextUs, () => this.#keepAlive(nextUs));
  }

  /** The report is built now and leaves with the next fetch, as in the reference daemons. */
  #makeReport(atUs: number): void {
    const counts = { ...this.#counts, ...this.transmitter.closeInterval() };
    this.#report = statusReport(this.config, counts, worldUs(this.#world.clock, atUs));
    this.#counts = { received: 0, crcOk: 0, forwarded: 0 };
    this.#fetchSoon(atUs);
    const nextUs = atUs + Math.round(this.config.statSeconds * 1e6);
    this.#planned(nextUs, () => this.#makeReport(nextUs));
  }

  #fetchSoon(atUs: number): void {
    if (this.#isFetching) return;
    this.#isFetching = true;
    const cycle = Math.ceil((atUs - this.#fetchPhaseUs) / FETCH_US);
    const fetchUs = Math.max(atUs, cycle * FETCH_US + this.#fetchPhaseUs);
    this.#planned(fetchUs, () => this.#fetch(fetchUs));
  }

  #fetch(atUs: number): void {
    this.#isFetching = false;
    const report = this.#report;
    this.#report = null;
    const most = MAX_PACKETS[this.config.hardware];
    const packets = this.#waiting.splice(0, most);
    this.#world.send(this, { kind: "push-data", ...this.#head(), packets, status: report }, atUs);
    if (this.#waiting.length > 0) this.#fetchSoon(atUs + 1);
  }

  #head(): { version: 1 | 2; token: number } {
    return { version: this.config.protocolVersion, token: below(this.#tokens, 65_536) };
  }

  #planned(atUs: number, action: () => void): void {
    const plan = this.#plan;
    this.#world.agenda.add(atUs, () => {
      if (plan === this.#plan) action();
    });
  }
}
