/**
 * What does a synthetic gateway's radio say of a frame? One `rxpk` as the reference daemons make it, and sometimes a
 * ghost of a very strong frame.
 */
import type { RadioPacket } from "../model/datagram.ts";
import type { AntennaReception } from "./air.ts";
import { COUNTER_MODULUS, GPS_EPOCH_MS, GPS_MINUS_UTC_MS } from "./concentrator-clock.ts";
import { below, type Random } from "./random.ts";
import type { Gateway } from "./scenario.ts";
import type { Transmission } from "./transmission.ts";

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
