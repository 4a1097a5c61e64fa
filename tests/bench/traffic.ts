/** The traffic of the benchmarks: uplinks of 2,000 nodes at four gateways on eight channels. */
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

function benchPacket(i: number): RadioPacket {
  const node = (0x0100_0000 + (i % NODES)).toString(16).toUpperCase().padStart(8, "0");
  return packet({
    payload: phy(node, Math.floor(i / NODES)),
    tmstUs: (i * 1_000) % 4_294_967_296,
    frequencyHz: 867_100_000 + (i % 8) * 200_000,
    spreadingFactor: 7 + (i % 6),
    rssiDbm: -80 - (i % 50),
    snrDb: (i % 200) / 10 - 10,
  });
}
