/**
 * How does a person read a MAC command? One line, units written out: "margin 20 dB, gateways 3".
 * The names of the fields say what they are; only special values need words of their own.
 * Source of the special values: LoRaWAN 1.1, section 5 (DevStatusAns, NewChannelReq, LinkADRReq).
 */
import type { FieldValue } from "./mac-command-table.ts";
import type { MacCommand } from "./mac-commands.ts";

// Longest first: a field's suffix tells its unit.
const UNITS: readonly (readonly [string, string])[] = [
  ["Seconds", " s"],
  ["Dbm", " dBm"],
  ["Db", " dB"],
  ["Ms", " ms"],
];

/** The fields of a command in one line; empty for a command without fields. */
export function describeCommand(command: MacCommand): string {
  return Object.entries(command)
    .filter(([name]) => name !== "cid" && name !== "name")
    .map(([name, value]) => describeField(name, value))
    .join(", ");
}

function describeField(name: string, value: FieldValue): string {
  if (typeof value === "boolean") return `${words(name)} ${value ? "yes" : "no"}`;
  if (typeof value === "string") return `${words(name)} ${value}`;
  if (name === "frequencyHz") return value === 0 ? "frequency 0 (none, default)" : `${value / 1e6} MHz`;
  if (name === "chMask") return `channel mask 0x${value.toString(16).toUpperCase().padStart(4, "0")}`;
  // LoRaWAN 1.1, table 21: 0 external power, 255 the device cannot tell.
  if (name === "battery" && value === 0) return "battery: external power";
  if (name === "battery" && value === 255) return "battery: unknown";
  if (name === "battery") return `battery ${value} of 254`;
  if (name.endsWith("Ratio")) return `${words(name.slice(0, -5))} ${Number((value * 100).toPrecision(3))} %`;
  const unit = UNITS.find(([suffix]) => name.endsWith(suffix));
  if (unit === undefined) return `${words(name)} ${value}`;
  return `${words(name.slice(0, -unit[0].length))} ${value}${unit[1]}`;
}

/** `rx1DrOffsetAck` → `rx1 dr offset ack`. */
function words(name: string): string {
  return name.replace(/[A-Z]+/g, (capitals) => ` ${capitals.toLowerCase()}`);
}
