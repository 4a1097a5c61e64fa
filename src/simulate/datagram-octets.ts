/**
 * How is a synthetic gateway's datagram written? Through the same encoders as everything else in the house.
 */
import type { Eui } from "../model/identifiers.ts";
import { encodePullData, encodePushData } from "../wire/forwarder/encode.ts";
import type { GatewayDatagram } from "./transmission.ts";

/** The octets. `ackPercent` goes into the status report, where there is one. */
export function datagramOctets(gatewayEui: Eui, datagram: GatewayDatagram, ackPercent: number): Uint8Array {
  const { version, token } = datagram;
  if (datagram.kind === "pull-data") return encodePullData({ version, token, gatewayEui });
  return encodePushData({
    version,
    token,
    gatewayEui,
    packets: datagram.packets.map(({ packet }) => packet),
    status: datagram.status === null ? null : { ...datagram.status, ackPercent },
  });
}
