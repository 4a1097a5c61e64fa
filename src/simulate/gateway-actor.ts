/**
 * What does a synthetic gateway do with what its radio hears? It counts, waits for its next fetch, and sends as the
 * reference daemons do: packets and reports up, keepalives down.
 */
import type { RadioPacket, StatusReport } from "../model/datagram.ts";
import type { Agenda } from "./agenda.ts";
import type { AntennaReception } from "./air.ts";
import {
  backhaulOutagesOf,
  type ChannelChange,
  channelChangesOf,
  channelsAt,
  powerOutagesOf,
} from "./effects.ts";
import { below, type Random } from "./random.ts";
import type { Gateway, Scenario } from "./scenario.ts";
import { isWithin, type ScenarioClock, type Stretch, worldUs } from "./scenario-time.ts";
import type { ForwardedPacket, GatewayDatagram, Transmission } from "./transmission.ts";

// Reference daemons, thread_up: the radio is asked every 10 ms (FETCH_SLEEP_MS).
const FETCH_US = 10_000;
// Reference daemons, NB_PKT_MAX: 8 packets in a PUSH_DATA (SX1301), 255 (SX1302).
const PACKETS_AT_MOST = { sx1301: 8, sx1302: 255 } as const;
// SX1301: 8 LoRa demodulators; SX1302: 16 for 125 kHz (data sheets).
const DEMODULATORS = { sx1301: 8, sx1302: 16 } as const;
// Reference daemons, thread_down: a keepalive goes out up to one read timeout (200 ms) late.
const KEEPALIVE_SLIP_US = 200_000;
// UNIX time of the GPS epoch, and GPS minus UTC since 2017 (IERS Bulletin C).
const GPS_EPOCH_MS = 315_964_800_000;
const GPS_MINUS_UTC_MS = 18_000;
const COUNTER_MODULUS = 2 ** 32;
// Common practice, no source: about 1 ms to switch between receiving and sending.
const SWITCH_US = 1000;

/** What a gateway needs of the world. */
export interface GatewayWorld {
  readonly scenario: Scenario;
  readonly clock: ScenarioClock;
  readonly agenda: Agenda<() => void>;
  readonly random: Random;
  send(gateway: GatewayActor, datagram: GatewayDatagram, atUs: number): void;
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
  /** Stretches without power, and without a way to the listener. */
  readonly powerOutages: readonly Stretch[];
  readonly backhaulOutages: readonly Stretch[];
  readonly #world: GatewayWorld;
  readonly #channelsHz: readonly number[];
  readonly #channelChanges: readonly ChannelChange[];
  /** Its own transmissions, begun and to come, in order; those long past are dropped. */
  #sendings: Stretch[] = [];
  readonly #tokens: Random;
  readonly #slips: Random;
  readonly #ghosts: Random;
  /** Where its fetches lie within 10 ms. */
  readonly #fetchPhaseUs: number;
  /** World time at which the concentrator's counter stood at 0. */
  #counterStartUs: number;
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
    this.#channelChanges = channelChangesOf(events, { gateway: config.eui });
    this.#tokens = world.random.fork("tokens");
    this.#slips = world.random.fork("slips");
    this.#ghosts = world.random.fork("ghosts");
    this.#fetchPhaseUs = below(world.random.fork("phase"), FETCH_US);
    this.#counterStartUs = worldUs(world.clock, 0) - Math.round(config.uptimeSeconds * 1e6);
  }

  start(): void {
    for (const { fromUs, toUs } of this.powerOutages) {
      this.#world.agenda.add(fromUs, () => this.#switchOff());
      this.#world.agenda.add(toUs, () => this.#switchOn(toUs));
    }
    this.#beginChains(below(this.#slips, 1_000_000));
  }

  isOn(atUs: number): boolean {
    return !isWithin(this.powerOutages, atUs);
  }

  /** Whether what it hears at this moment can reach the listener. */
  isReachable(atUs: number): boolean {
    return this.isOn(atUs) && !isWithin(this.backhaulOutages, atUs);
  }

  listensOn(frequencyHz: number, atUs: number): boolean {
    return channelsAt(this.#channelsHz, this.#channelChanges, atUs).includes(frequencyHz);
  }

  /** Whether it transmits, and is deaf, at any moment between the two. */
  isTransmitting(fromUs: number, toUs: number): boolean {
    return (
      this.config.halfDuplex &&
      this.#sendings.some((one) => one.fromUs - SWITCH_US <= toUs && one.toUs + SWITCH_US > fromUs)
    );
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
    const packet = this.#packet(transmission, receptions, crc, octets);
    this.#waiting.push({ packet, transmission, isGhost: false });
    const ghost = this.#ghostOf(packet);
    if (ghost !== null) this.#waiting.push({ packet: ghost, transmission, isGhost: true });
    this.#fetchSoon(transmission.endUs);
  }

  #packet(
    { endUs, frequencyHz, modulation }: Transmission,
    receptions: readonly AntennaReception[],
    crc: "ok" | "bad",
    payload: Uint8Array,
  ): RadioPacket {
    const endWorldUs = worldUs(this.#world.clock, endUs);
    const ticks = (endWorldUs - this.#counterStartUs) * (1 + this.config.clockDriftPpm / 1e6);
    const isSx1302 = this.config.hardware === "sx1302";
    const ifChannel = this.#channelsHz.indexOf(frequencyHz);
    return {
      tmstUs: Math.floor(ticks) % COUNTER_MODULUS,
      gatewayTimeUs: this.config.gpsTime ? endWorldUs : null,
      gpsTimeMs: this.config.gpsTime ? Math.floor(endWorldUs / 1000) - GPS_EPOCH_MS + GPS_MINUS_UTC_MS : null,
      fineTimeNs: null,
      frequencyHz,
      rfChain: frequencyHz * 2 > Math.max(...this.#channelsHz) + Math.min(...this.#channelsHz) ? 1 : 0,
      crc,
      modulation,
      payload,
      signals: receptions.map(({ antenna, signal, frequencyOffsetHz }) => ({
        antenna,
        ifChannel,
        rssiDbm: signal.rssiDbm,
        signalRssiDbm: isSx1302 ? signal.signalRssiDbm : null,
        snrDb: signal.snrDb,
        frequencyOffsetHz: isSx1302 ? frequencyOffsetHz : null,
      })),
      delayed: false,
    };
  }

  /** A frame so strong that a second demodulator finds it on another channel, tens of dB weaker. Common practice, no source. */
  #ghostOf(packet: RadioPacket): RadioPacket | null {
    const [signal] = packet.signals;
    const channels = this.#channelsHz.filter((frequencyHz) => frequencyHz !== packet.frequencyHz);
    const level = signal?.rssiDbm ?? Number.NEGATIVE_INFINITY;
    if (this.config.ghostShare === 0 || channels.length === 0 || signal === undefined || level < -60)
      return null;
    if (this.#ghosts.uniform() >= this.config.ghostShare) return null;
    const frequencyHz = channels[below(this.#ghosts, channels.length)] ?? 0;
    const lossDb = 38 + below(this.#ghosts, 15);
    const weaker = (value: number | null) => (value === null ? null : value - lossDb);
    return {
      ...packet,
      tmstUs: packet.tmstUs === null ? null : (packet.tmstUs + below(this.#ghosts, 900)) % COUNTER_MODULUS,
      frequencyHz,
      signals: [
        {
          ...signal,
          ifChannel: this.#channelsHz.indexOf(frequencyHz),
          rssiDbm: weaker(signal.rssiDbm),
          signalRssiDbm: weaker(signal.signalRssiDbm),
          snrDb: signal.snrDb === null ? null : signal.snrDb - 14,
        },
      ],
    };
  }

  #switchOff(): void {
    this.#plan += 1;
    this.#waiting = [];
    this.#report = null;
    this.#isFetching = false;
    this.#counts = { received: 0, crcOk: 0, forwarded: 0 };
  }

  #switchOn(atUs: number): void {
    this.#counterStartUs = worldUs(this.#world.clock, atUs);
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
    const { position, hardware } = this.config;
    this.#report = {
      timeUs: worldUs(this.#world.clock, atUs),
      timeText: null,
      latitudeDeg: position?.latitudeDeg ?? null,
      longitudeDeg: position?.longitudeDeg ?? null,
      altitudeM: position?.altitudeM ?? null,
      rxReceived: this.#counts.received,
      rxCrcOk: this.#counts.crcOk,
      rxForwarded: this.#counts.forwarded,
      ackPercent: null,
      downlinkDatagrams: 0,
      txEmitted: 0,
      temperatureC: hardware === "sx1302" ? housingTemperatureC(worldUs(this.#world.clock, atUs)) : null,
      platform: null,
      mail: null,
      description: null,
    };
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
    const most = PACKETS_AT_MOST[this.config.hardware];
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

/** Chosen: a box in the sun, 14 °C before dawn, 38 °C in the early afternoon, to a tenth. */
function housingTemperatureC(atUs: number): number {
  const hour = (atUs / 3_600_000_000) % 24;
  return Math.round((26 + 12 * Math.cos(((hour - 14) * Math.PI) / 12)) * 10) / 10;
}
