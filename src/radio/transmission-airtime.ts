/** How long does a gateway transmit when it sends a packet that a server handed to it? */
import type { Modulation } from "../model/modulation.ts";
import { airtimeOfReception } from "./airtime.ts";

const LORA_PREAMBLE = 8;
const LORA_PREAMBLE_FLOOR = 6;
const FSK_PREAMBLE = 5;
const FSK_PREAMBLE_FLOOR = 3;

/**
 * Whole microseconds; 0 when it cannot be computed. `preamble`: symbols (LoRa) or octets (FSK) as asked for, null for the
 * daemon's own (8, 5); it sends no fewer than 6 and 3 (SX1302 daemon V2.1.0, thread_down).
 */
export function airtimeOfTransmission(
  modulation: Modulation,
  payloadBytes: number,
  { preamble, withCrc }: { readonly preamble: number | null; readonly withCrc: boolean },
): number {
  const usual = airtimeOfReception(modulation, payloadBytes, withCrc ? "ok" : "none");
  if (usual === 0 || preamble === null) return usual;
  if (modulation.kind === "lora") {
    const symbolUs = (2 ** modulation.spreadingFactor * 1e6) / modulation.bandwidthHz;
    return Math.round(usual + (Math.max(preamble, LORA_PREAMBLE_FLOOR) - LORA_PREAMBLE) * symbolUs);
  }
  if (modulation.kind === "fsk") {
    const octetUs = 8e6 / modulation.bitrateBps;
    return Math.round(usual + (Math.max(preamble, FSK_PREAMBLE_FLOOR) - FSK_PREAMBLE) * octetUs);
  }
  return usual;
}
