/**
 * How are gateways and nodes named? Identifiers travel as upper-case hexadecimal text, most significant
 * octet first, exactly as people read them from a label: a 64-bit number fits no JavaScript number.
 */

/** Gateway or device EUI-64, 16 upper-case hex digits. */
export type Eui = string;

/** LoRaWAN device address, 8 upper-case hex digits, most significant octet first. */
export type DevAddr = string;

/** `01A2B3C4` from 0x01a2b3c4. */
export function formatDevAddr(value: number): DevAddr {
  return (value >>> 0).toString(16).toUpperCase().padStart(8, "0");
}

/** 0x01a2b3c4 from `01A2B3C4`; NaN when it is no address. */
export function parseDevAddr(text: DevAddr): number {
  return /^[0-9a-fA-F]{8}$/.test(text) ? Number.parseInt(text, 16) : Number.NaN;
}
