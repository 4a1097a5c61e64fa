/**
 * Which MAC commands manage a relay, and how long are they?
 * Source: TS011-1.0.0, table 30 and the payload tables; lengths have that one source. Recognition only: the
 * parameters are given as octets, not interpreted.
 */
import type { CommandRow } from "./mac-command-table.ts";

const SINCE = "TS011";

// From memory: the length of a filter rule is the low five bits of FilterList's 16-bit parameter.
function filterRuleLength(body: Uint8Array): number {
  return (body[0] ?? 0) & 0x1f;
}

function relay(cid: number, name: string, direction: "up" | "down", length: number): CommandRow {
  return { cid, name, direction, length, fields: [], since: SINCE };
}

/** TS011-1.0.0, table 30. */
export const RELAY_COMMANDS: readonly CommandRow[] = [
  relay(0x40, "RelayConfReq", "down", 5),
  relay(0x40, "RelayConfAns", "up", 1),
  relay(0x41, "EndDeviceConfReq", "down", 6),
  relay(0x41, "EndDeviceConfAns", "up", 1),
  { ...relay(0x42, "FilterListReq", "down", 2), tailLength: filterRuleLength },
  relay(0x42, "FilterListAns", "up", 1),
  relay(0x43, "UpdateUplinkListReq", "down", 26),
  relay(0x43, "UpdateUplinkListAns", "up", 0),
  relay(0x44, "CtrlUplinkListReq", "down", 1),
  relay(0x44, "CtrlUplinkListAns", "up", 5),
  relay(0x45, "ConfigureFwdLimitReq", "down", 5),
  relay(0x45, "ConfigureFwdLimitAns", "up", 0),
  relay(0x46, "NotifyNewEndDeviceReq", "up", 6),
];
