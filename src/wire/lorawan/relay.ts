/**
 * Is this a relay's traffic? Recognition of wake-on-radio frames and of uplinks that a relay forwards.
 * Source: TS011-1.0.0, the WOR frame formats and table 25 (forwarded uplinks).
 * Never throws.
 */
import type { Decoded } from "../../model/fault.ts";
import type { DevAddr } from "../../model/identifiers.ts";
import { identifierAt, littleEndian, octet } from "./octets.ts";

/** TS011-1.0.0: the FPort of forwarded uplinks, encrypted with the relay's network key. */
export const RELAY_FPORT = 226;

export type WorFrame =
  | { readonly kind: "wor-join"; readonly dataRate: number; readonly frequencyHz: number }
  | { readonly kind: "wor-uplink"; readonly devAddr: DevAddr; readonly wFCnt: number }
  | { readonly kind: "wor-ack" };

/**
 * Recognises a wake-on-radio frame by its exact length and header; null when it is none. Such frames carry no MHDR
 * and live on their own channels; their length fits no LoRaWAN message, but is weak evidence by itself.
 */
export function recogniseWor(bytes: Uint8Array): WorFrame | null {
  const type = octet(bytes, 0) & 0x0f;
  if (bytes.length === 5 && type === 0) {
    return {
      kind: "wor-join",
      dataRate: octet(bytes, 1) & 0x0f,
      frequencyHz: littleEndian(bytes, 2, 3) * 100,
    };
  }
  if (bytes.length === 15 && type === 1) {
    return { kind: "wor-uplink", devAddr: identifierAt(bytes, 1, 4), wFCnt: littleEndian(bytes, 9, 2) };
  }
  return bytes.length === 7 ? { kind: "wor-ack" } : null;
}

/** An end-device's uplink as a relay heard it. The outer frame's level is the relay's, this one is the device's. */
export interface ForwardedUplink {
  /** Wake-on-radio channel, 0 to 3. */
  readonly worChannel: number;
  readonly rssiDbm: number;
  readonly snrDb: number;
  readonly dataRate: number;
  readonly frequencyHz: number;
  /** The end-device's PHYPayload; heard directly as well, it is one frame, not two. */
  readonly phyPayload: Uint8Array;
}

/** Reads the decrypted FRMPayload of FPort 226. Fault (layer `lorawan`): `tooShort`. */
export function decodeForwardedUplink(clear: Uint8Array): Decoded<ForwardedUplink> {
  // TS011-1.0.0, table 25: metadata 3, frequency 3, then the PHYPayload.
  if (clear.length < 7) {
    return {
      ok: false,
      fault: { reason: "tooShort", layer: "lorawan", at: clear.length, need: 7, have: clear.length },
    };
  }
  // Metadata: WOR channel 17-16, RSSI 15-9 (-x - 15 dBm), SNR 8-4 (x - 20 dB), data rate 3-0.
  const metadata = littleEndian(clear, 0, 3);
  return {
    ok: true,
    value: {
      worChannel: (metadata >> 16) & 0x03,
      rssiDbm: -((metadata >> 9) & 0x7f) - 15,
      snrDb: ((metadata >> 4) & 0x1f) - 20,
      dataRate: metadata & 0x0f,
      frequencyHz: littleEndian(clear, 3, 3) * 100,
      phyPayload: clear.subarray(6),
    },
  };
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
