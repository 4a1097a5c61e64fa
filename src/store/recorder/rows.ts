/** The rows that the recorder's parts hand to each other, as the tables hold them. */
import type { Crc, Endpoint, RadioPacket } from "../../model/datagram.ts";

export const CRC_CODES: Readonly<Record<Crc, number>> = {
  ok: 0,
  bad: 1,
  none: 2,
  unknown: 3,
};

/** By code. */
export const CRCS = ["ok", "bad", "none", "unknown"] as const satisfies readonly Crc[];

/** A packet on its way into the store: a row for each antenna that heard it. */
export interface NewReception {
  readonly gatewayId: number;
  /** When the datagram arrived. */
  readonly arrivedUs: number;
  /** When the packet was heard: arrival, dated back where the path was late. */
  atUs: number;
  readonly tmstKey: number;
  readonly packet: RadioPacket;
  readonly dataRate: number;
  readonly codingRate: number;
  readonly airtimeUs: number;
  readonly payload: Uint8Array | null;
}

/** A reception that has its row, ghosts left out. */
export interface StoredReception {
  readonly receptionId: number;
  readonly gatewayId: number;
  readonly antenna: number;
  readonly atUs: number;
  readonly tmstKey: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  /** The packet's, on the rows of further antennas too. */
  readonly airtimeUs: number;
  /** Another antenna's reception stands for this packet on the air: its row carries the airtime, this one's 0. */
  readonly further: boolean;
  readonly rssiTenths: number | null;
  readonly crc: "ok" | "bad" | "other";
  readonly payload: Uint8Array | null;
}

/** What a commit changed, summed over its datagrams. */
export interface Recorded {
  datagrams: number;
  receptions: number;
  /** Datagrams that were stored before. */
  knownAlready: number;
  refused: number;
  /** Datagrams of servers: acknowledgements and downlinks. */
  answers: number;
  gateways: Set<string>;
  nodes: Set<string>;
  lastReceptionId: number;
  /** Whole addresses were accounted anew. */
  wide: boolean;
  fromUs: number;
  toUs: number;
}

export function nothingRecorded(): Recorded {
  return {
    datagrams: 0,
    receptions: 0,
    knownAlready: 0,
    refused: 0,
    answers: 0,
    gateways: new Set(),
    nodes: new Set(),
    lastReceptionId: 0,
    wide: false,
    fromUs: Number.POSITIVE_INFINITY,
    toUs: Number.NEGATIVE_INFINITY,
  };
}

/** "192.0.2.7 40123". */
export function endpointText(endpoint: Endpoint): string {
  return `${endpoint.address} ${endpoint.port}`;
}
