/**
 * How is a datagram of a synthetic site written? Through the same encoders as everything else in the house.
 */
import type { Eui } from "../model/identifiers.ts";
import { encodePullData, encodePullResponse, encodePushData, encodeTxAck } from "../wire/forwarder/encode.ts";
import type { GatewayDatagram } from "./transmission.ts";

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
