/** The traffic of the benchmarks: uplinks on eight channels, of 2,000 nodes at four gateways unless told otherwise. */
import type { RadioPacket } from "../../src/model/datagram.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { packet, phy } from "../store/traffic.ts";

const NODES = 2_000;

/** Datagram number `i`: every packet new, counters and concentrator clocks running on. */
export function benchDatagram(i: number, packets = 1): Uint8Array {
  return encodePushData({
    version: 2,
    token: i % 65_536,
    gatewayEui: `02005E100000000${1 + (i % 4)}`,
    packets: Array.from({ length: packets }, (_, of) => benchPacket(i * packets + of)),
    status: null,
  });
}

/** Radio packets of a datagram in the mean, where a gateway's eight demodulators receive all they can: 194 a second in 100 datagrams. */
export const BUSY_PACKETS = 1.94;
/** First address of the nodes around busy gateways: none of the stores of months (month-store.ts). */
const BUSY_NODE = 0x0200_0000;
/** Nodes around a busy gateway. */
const NODES_A_GATEWAY = 200;

/** Datagram number `i` of `gateways` busy gateways, which take turns; each has its own count of tokens. */
export function busyDatagram(i: number, gateways: number): Uint8Array {
  const gateway = i % gateways;
  const round = Math.floor(i / gateways);
  const before = Math.floor(i * BUSY_PACKETS);
  const count = Math.floor((i + 1) * BUSY_PACKETS) - before;
  return encodePushData({
    version: 2,
    token: round % 65_536,
    gatewayEui: `02005E20${gateway.toString(16).toUpperCase().padStart(8, "0")}`,
    packets: Array.from({ length: count }, (_, of) =>
      benchPacket(before + of, gateways * NODES_A_GATEWAY, BUSY_NODE),
    ),
    status: null,
  });
}

function benchPacket(i: number, nodes = NODES, firstNode = 0x0100_0000): RadioPacket {
  const node = (firstNode + (i % nodes)).toString(16).toUpperCase().padStart(8, "0");
  return packet({
    payload: phy(node, Math.floor(i / nodes)),
    tmstUs: (i * 1_000) % 4_294_967_296,
    frequencyHz: 867_100_000 + (i % 8) * 200_000,
    spreadingFactor: 7 + (i % 6),
    rssiDbm: -80 - (i % 50),
    snrDb: (i % 200) / 10 - 10,
  });
}
