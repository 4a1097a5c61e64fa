/**
 * What can a gateway's datagram say? The values of the UDP packet-forwarding protocol after decoding,
 * before anything is concluded from them.
 */
import type { Eui } from "./identifiers.ts";
import type { Modulation } from "./modulation.ts";

/** Whether the radio vouches for the packet: CRC right, CRC wrong, no CRC sent, or the forwarder did not say. */
export type Crc = "ok" | "bad" | "none" | "unknown";

/** How one antenna heard a packet. */
export interface Signal {
  /** Antenna number as reported; 0 when the forwarder has one antenna or does not say. */
  readonly antenna: number;
  /** IF chain of that gateway's configuration, not a regional channel number. */
  readonly ifChannel: number | null;
  /** Power in the channel over the packet, noise included. dBm, -160 to +20. */
  readonly rssiDbm: number | null;
  /** Power of the despread signal alone. dBm. */
  readonly signalRssiDbm: number | null;
  readonly snrDb: number | null;
  /** Estimated carrier offset. Hz. */
  readonly frequencyOffsetHz: number | null;
}

/** One packet as one gateway reported it (one element of `rxpk`). */
export interface RadioPacket {
  /** Concentrator counter at the end of reception, microseconds modulo 2^32. */
  readonly tmstUs: number | null;
  /** The gateway's own idea of UTC (`time`), microseconds since 1970; null when absent or unreadable. */
  readonly gatewayTimeUs: number | null;
  /** `tmms`: milliseconds since 1980-01-06 without leap seconds. */
  readonly gpsTimeMs: number | null;
  /** Nanoseconds since the last pulse of the second. */
  readonly fineTimeNs: number | null;
  readonly frequencyHz: number | null;
  readonly rfChain: number | null;
  readonly crc: Crc;
  readonly modulation: Modulation;
  /** PHYPayload as heard; null when the base64 could not be read or was too long. */
  readonly payload: Uint8Array | null;
  /** At least one; several when the gateway reports each antenna (`rsig`). */
  readonly signals: readonly Signal[];
  /** True when the gateway says that it buffered the packet before sending. */
  readonly delayed: boolean;
}

/** A gateway's periodic report (`stat`); counters cover one interval and restart from zero. */
export interface StatusReport {
  readonly timeUs: number | null;
  readonly timeText: string | null;
  readonly latitudeDeg: number | null;
  readonly longitudeDeg: number | null;
  readonly altitudeM: number | null;
  readonly rxReceived: number | null;
  readonly rxCrcOk: number | null;
  readonly rxForwarded: number | null;
  readonly ackPercent: number | null;
  readonly downlinkDatagrams: number | null;
  readonly txEmitted: number | null;
  readonly temperatureC: number | null;
  /** Free text: platform, mail, description; each cut to 256 characters. */
  readonly platform: string | null;
  readonly mail: string | null;
  readonly description: string | null;
}

/** What a gateway says of a downlink that it was asked to send. `accepted` confirms queueing, not transmission. */
export interface TransmitOutcome {
  readonly result: "accepted" | "accepted-lower-power" | "refused" | "unreadable";
  /** `TOO_LATE`, `TX_FREQ` …, upper case as sent, at most 64 characters; null when accepted. */
  readonly word: string | null;
  readonly powerDbm: number | null;
}

interface DatagramHead {
  /** Version byte on the wire: 1 or 2. */
  readonly version: 1 | 2;
  /** Octets 1 and 2, most significant first. Opaque. */
  readonly token: number;
}

export interface PushData extends DatagramHead {
  readonly kind: "push-data";
  readonly gatewayEui: Eui;
  readonly packets: readonly RadioPacket[];
  readonly status: StatusReport | null;
}

export interface PullData extends DatagramHead {
  readonly kind: "pull-data";
  readonly gatewayEui: Eui;
}

export interface TxAck extends DatagramHead {
  readonly kind: "tx-ack";
  readonly gatewayEui: Eui;
  readonly outcome: TransmitOutcome;
}

/** What a gateway may send to a server. */
export type UpstreamDatagram = PushData | PullData | TxAck;

// What do the doors (socket, relay, capture file) hand to the corridor? Bytes, when, and from where.

export interface Endpoint {
  /** Textual IPv4 or IPv6 address. */
  readonly address: string;
  readonly port: number;
}

/** One datagram as a door received it. */
export interface Arrival {
  readonly bytes: Uint8Array;
  /** Clock of the machine that captured it, microseconds since 1970. */
  readonly atUs: number;
  readonly from: Endpoint;
  readonly to: Endpoint;
  readonly door: "udp" | "relay" | "capture";
  /** By which it is known, where it was rebuilt from a store: the digest of its octets as they once came. */
  readonly digest?: number | undefined;
}
