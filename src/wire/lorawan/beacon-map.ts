/**
 * Which octet of a class B beacon means what? The beacon's counterpart of field-map.ts.
 * Source: LoRaWAN 1.1, sections 15.1 and 15.2.
 */
import { BEACON_LAYOUTS, type Beacon } from "./beacon.ts";
import type { FieldSpan } from "./field-map.ts";
import { hexOf } from "./octets.ts";

/** Divides a beacon's octets into named spans, each octet in exactly one. */
export function mapBeacon(bytes: Uint8Array, beacon: Beacon): readonly FieldSpan[] {
  const layout = BEACON_LAYOUTS.find(({ name }) => name === beacon.layout);
  if (layout === undefined) return [];
  const spans: FieldSpan[] = [];
  let at = 0;
  const push = (size: number, name: string, note?: string) => {
    const value = hexOf(bytes.subarray(at, at + size));
    if (size > 0) spans.push({ at, size, name, value, ...(note === undefined ? {} : { note }) });
    at += size;
  };
  push(layout.rfu1, "RFU");
  push(1, "Param", `time accurate to ${beacon.precisionSeconds} s`);
  push(4, "Time", `GPS second ${beacon.gpsSeconds}, ${beacon.utc}`);
  push(2, "CRC", beacon.crc1Ok ? "right" : "wrong");
  push(7, "GwSpecific", gatewayNote(beacon));
  push(layout.rfu2, "RFU");
  push(2, "CRC", beacon.crc2Ok ? "right" : "wrong");
  return spans;
}

function gatewayNote(beacon: Beacon): string {
  if (beacon.latitudeDeg === null || beacon.longitudeDeg === null) return `InfoDesc ${beacon.infoDesc}`;
  return `antenna ${beacon.infoDesc} at ${beacon.latitudeDeg.toFixed(4)}°, ${beacon.longitudeDeg.toFixed(4)}°`;
}
