/**
 * What does a synthetic gateway's radio say of a frame? One `rxpk` as the reference daemons make it, and sometimes a
 * ghost of a very strong frame.
 */
import type { RadioPacket, StatusReport } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import type { TransmitMoment } from "../wire/forwarder/downstream.ts";
import { encodePullData, encodePullResponse, encodePushData, encodeTxAck } from "../wire/forwarder/encode.ts";
import type { Gateway } from "./scenario.ts";
import { below, type Random, type ScenarioClock, worldUs } from "./time-and-chance.ts";
import type { AntennaReception, GatewayDatagram, Transmission } from "./transmission.ts";

/** `when`: the end of the packet, on the concentrator's counter and in the world. */
export function reportedPacket(
  { gpsTime, hardware, channelsHz }: Gateway,
  when: { readonly tmstUs: number; readonly worldUs: number },
  { frequencyHz, modulation }: Transmission,
  receptions: readonly AntennaReception[],
  crc: "ok" | "bad",
  payload: Uint8Array,
): RadioPacket {
  const isSx1302 = hardware === "sx1302";
  const ifChannel = channelsHz.indexOf(frequencyHz);
  return {
    tmstUs: when.tmstUs,
    gatewayTimeUs: gpsTime ? when.worldUs : null,
    gpsTimeMs: gpsTime ? Math.floor(when.worldUs / 1000) - GPS_EPOCH_MS + GPS_MINUS_UTC_MS : null,
    fineTimeNs: null,
    frequencyHz,
    rfChain: frequencyHz * 2 > Math.max(...channelsHz) + Math.min(...channelsHz) ? 1 : 0,
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
export function ghostOf(
  { ghostShare, channelsHz }: Gateway,
  packet: RadioPacket,
  random: Random,
): RadioPacket | null {
  const [signal] = packet.signals;
  const channels = channelsHz.filter((frequencyHz) => frequencyHz !== packet.frequencyHz);
  const level = signal?.rssiDbm ?? Number.NEGATIVE_INFINITY;
  if (ghostShare === 0 || channels.length === 0 || signal === undefined || level < -60) return null;
  if (random.uniform() >= ghostShare) return null;
  const frequencyHz = channels[below(random, channels.length)] ?? 0;
  const lossDb = 38 + below(random, 15);
  const weaker = (value: number | null) => (value === null ? null : value - lossDb);
  return {
    ...packet,
    tmstUs: packet.tmstUs === null ? null : (packet.tmstUs + below(random, 900)) % COUNTER_MODULUS,
    frequencyHz,
    signals: [
      {
        ...signal,
        ifChannel: channelsHz.indexOf(frequencyHz),
        rssiDbm: weaker(signal.rssiDbm),
        signalRssiDbm: weaker(signal.signalRssiDbm),
        snrDb: signal.snrDb === null ? null : signal.snrDb - 14,
      },
    ],
  };
}

// What does a synthetic gateway say of itself? Its `stat`, as the reference daemons make it.

/** Counted since the last report. */
export interface IntervalCounts {
  readonly received: number;
  readonly crcOk: number;
  readonly forwarded: number;
  /** Requests to transmit, and packets that left. */
  readonly asked: number;
  readonly emitted: number;
}

/** The share acknowledged is left open: only who sends the report knows it. */
export function statusReport(
  { position, hardware }: Gateway,
  counts: IntervalCounts,
  atWorldUs: number,
): StatusReport {
  return {
    timeUs: atWorldUs,
    timeText: null,
    latitudeDeg: position?.latitudeDeg ?? null,
    longitudeDeg: position?.longitudeDeg ?? null,
    altitudeM: position?.altitudeM ?? null,
    rxReceived: counts.received,
    rxCrcOk: counts.crcOk,
    rxForwarded: counts.forwarded,
    ackPercent: null,
    downlinkDatagrams: counts.asked,
    txEmitted: counts.emitted,
    temperatureC: hardware === "sx1302" ? housingTemperatureC(atWorldUs) : null,
    platform: null,
    mail: null,
    description: null,
  };
}

/** Chosen: a box in the sun, 14 °C before dawn, 38 °C in the early afternoon, to a tenth. */
function housingTemperatureC(atUs: number): number {
  const hour = (atUs / 3_600_000_000) % 24;
  return Math.round((26 + 12 * Math.cos(((hour - 14) * Math.PI) / 12)) * 10) / 10;
}

// How is a datagram of a synthetic site written? Through the same encoders as everything else in the house.

/** The octets. `ackPercent` goes into the status report, where there is one. */
export function datagramOctets(gatewayEui: Eui, datagram: GatewayDatagram, ackPercent: number): Uint8Array {
  const { version, token } = datagram;
  switch (datagram.kind) {
    case "pull-data":
      return encodePullData({ version, token, gatewayEui });
    case "tx-ack":
      return encodeTxAck({ version, token, gatewayEui, outcome: datagram.outcome });
    case "pull-response":
      return encodePullResponse({ version, token, transmission: datagram.request });
    case "push-data":
      return encodePushData({
        version,
        token,
        gatewayEui,
        packets: datagram.packets.map(({ packet }) => packet),
        status: datagram.status === null ? null : { ...datagram.status, ackPercent },
      });
  }
}

// What does a synthetic concentrator's counter show, and which moment does a counter value or a GPS time mean?

// UNIX time of the GPS epoch, and GPS minus UTC since 2017 (IERS Bulletin C).
const GPS_EPOCH_MS = 315_964_800_000;
const GPS_MINUS_UTC_MS = 18_000;
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

// Which of a gateway's datagrams were acknowledged in time? The share goes into its status reports, as the
// reference daemons compute it.

// Reference daemons, push_timeout_ms: an answer after 100 ms counts as lost.
const LIMIT_US = 100_000;

/** Counts for one gateway. Times are of one clock, microseconds, that never falls. */
export class Acknowledgements {
  readonly #waiting = new Map<string, number>();
  /** PUSH_DATA since the last report. */
  #sentInInterval = 0;
  #answeredInInterval = 0;
  #sent = 0;
  #answered = 0;

  /** Handed to the network since the start, PULL_DATA included, and of these answered in time. */
  get totals(): { readonly sent: number; readonly answered: number } {
    return { sent: this.#sent, answered: this.#answered };
  }

  /** Share of PUSH_DATA answered in the interval that ends now, per cent; 0 when none was sent. Begins the next one. */
  closeInterval(): number {
    const percent = this.#sentInInterval === 0 ? 0 : (100 * this.#answeredInInterval) / this.#sentInInterval;
    this.#sentInInterval = 0;
    this.#answeredInInterval = 0;
    return percent;
  }

  sent(kind: "push-data" | "pull-data", token: number, atUs: number): void {
    this.#sent += 1;
    if (kind === "push-data") this.#sentInInterval += 1;
    for (const [key, sentUs] of this.#waiting) {
      if (atUs - sentUs <= LIMIT_US) break;
      this.#waiting.delete(key);
    }
    // A token drawn again while the first waits takes its place at the end of the line.
    this.#waiting.delete(`${kind} ${token}`);
    this.#waiting.set(`${kind} ${token}`, atUs);
  }

  /** Sent on a way that loses it: no answer can come. */
  lost(kind: "push-data" | "pull-data"): void {
    if (kind === "push-data") this.#sentInInterval += 1;
  }

  answered(kind: "push-data" | "pull-data", token: number, atUs: number): void {
    const sentUs = this.#waiting.get(`${kind} ${token}`);
    if (sentUs === undefined) return;
    this.#waiting.delete(`${kind} ${token}`);
    if (atUs - sentUs > LIMIT_US) return;
    this.#answered += 1;
    if (kind === "push-data") this.#answeredInInterval += 1;
  }
}
