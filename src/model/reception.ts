/**
 * What is a reception? One packet as one antenna of one gateway heard it: the only truth that is kept.
 * Frames, nodes, losses and loads are derived from receptions, and can be derived again.
 */
import type { Crc } from "./datagram.ts";
import type { Eui } from "./identifiers.ts";
import type { Modulation } from "./modulation.ts";

export interface Reception {
  readonly gatewayEui: Eui;
  readonly antenna: number;
  /** End of the packet by the clock of the machine that captured it, microseconds since 1970; late paths corrected. */
  readonly atUs: number;
  readonly tmstUs: number | null;
  /** The gateway's `time` minus `atUs`; null when the gateway gave none. */
  readonly gatewayOffsetUs: number | null;
  readonly frequencyHz: number | null;
  readonly ifChannel: number | null;
  readonly rfChain: number | null;
  readonly crc: Crc;
  readonly modulation: Modulation;
  readonly rssiDbm: number | null;
  readonly signalRssiDbm: number | null;
  readonly snrDb: number | null;
  readonly frequencyOffsetHz: number | null;
  /** Time on air assuming a LoRaWAN uplink's preamble; 0 when it cannot be computed. */
  readonly airtimeUs: number;
  readonly payload: Uint8Array | null;
}
