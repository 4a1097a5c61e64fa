/** How is written what Mastlog only reads? The counterparts of its decoders, for round trips. */
import { type Beacon, type BeaconLayout, crc16 } from "../../../src/wire/lorawan/beacon.ts";
import type { ForwardedUplink } from "../../../src/wire/lorawan/explain-data-frame.ts";
import {
  dataMic10,
  type FrameIdentity,
  type UplinkMicInputs,
  uplinkMicS,
} from "../../../src/wire/lorawan/frame-mic.ts";
import { joinOctets, putLittleEndian } from "../../../src/wire/lorawan/octets.ts";

/** MIC of a LoRaWAN 1.1 uplink: two octets of each network key. */
export function uplinkMic11(
  keys: { readonly fNwkSIntKey: Uint8Array; readonly sNwkSIntKey: Uint8Array },
  message: Uint8Array,
  frame: FrameIdentity,
  inputs: UplinkMicInputs,
): Uint8Array {
  const s = uplinkMicS(keys.sNwkSIntKey, message, frame, inputs);
  const f = dataMic10(keys.fNwkSIntKey, message, frame).subarray(0, 2);
  return joinOctets(s, f);
}

/** The octets of a beacon in a given layout, both CRCs computed. */
export function encodeBeacon(
  layout: BeaconLayout,
  beacon: Pick<Beacon, "gpsSeconds" | "infoDesc" | "latitudeRaw" | "longitudeRaw"> & {
    readonly prec: number;
  },
): Uint8Array {
  const bytes = new Uint8Array(layout.total);
  const timeAt = layout.rfu1 + 1;
  bytes[layout.rfu1] = beacon.prec & 0x03;
  putLittleEndian(bytes, timeAt, 4, beacon.gpsSeconds);
  putLittleEndian(bytes, timeAt + 4, 2, crc16(bytes.subarray(0, timeAt + 4)));
  const specificAt = timeAt + 6;
  bytes[specificAt] = beacon.infoDesc;
  putLittleEndian(bytes, specificAt + 1, 3, beacon.latitudeRaw);
  putLittleEndian(bytes, specificAt + 4, 3, beacon.longitudeRaw);
  putLittleEndian(bytes, layout.total - 2, 2, crc16(bytes.subarray(specificAt, layout.total - 2)));
  return bytes;
}

/** The clear FRMPayload of a forwarded uplink; levels beyond the fields' ranges are cut to them. */
export function encodeForwardedUplink(uplink: ForwardedUplink): Uint8Array {
  const rssi = Math.min(127, Math.max(0, -15 - uplink.rssiDbm));
  const snr = Math.min(31, Math.max(0, uplink.snrDb + 20));
  const metadata =
    ((uplink.worChannel & 0x03) << 16) |
    (Math.round(rssi) << 9) |
    (Math.round(snr) << 4) |
    (uplink.dataRate & 0x0f);
  const frequency = Math.round(uplink.frequencyHz / 100);
  const bytes = new Uint8Array(6 + uplink.phyPayload.length);
  for (let index = 0; index < 3; index++) {
    bytes[index] = (metadata >> (8 * index)) & 0xff;
    bytes[3 + index] = (frequency >> (8 * index)) & 0xff;
  }
  bytes.set(uplink.phyPayload, 6);
  return bytes;
}
