/**
 * Which MAC commands exist, in which direction, how long are they, and what do their bits mean?
 * Sources: LoRaWAN 1.1, sections 5, 14 and 18; LoRaWAN L2 1.0.4, tables 14 and 61; LoRaWAN 1.0.2, section 5;
 * relay commands: mac-command-table.ts.
 * A row states bits only; mac-commands.ts reads and writes them, so that decoder and encoder cannot drift apart.
 */
import { utcOfGps } from "./beacon.ts";
import type { Direction } from "./phy-payload.ts";

// Which MAC commands manage a relay, and how long are they?
// Source: TS011-1.0.0, table 30 and the payload tables; lengths have that one source. Recognition only: the
// parameters are given as octets, not interpreted.

const SINCE = "TS011";

// From memory: the length of a filter rule is the low five bits of FilterList's 16-bit parameter.
function filterRuleLength(body: Uint8Array): number {
  return (body[0] ?? 0) & 0x1f;
}

function relay(cid: number, name: string, direction: "up" | "down", length: number): CommandRow {
  return { cid, name, direction, length, fields: [], since: SINCE };
}

/** TS011-1.0.0, table 30. */
const RELAY_COMMANDS: readonly CommandRow[] = [
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

export type FieldValue = number | boolean | string;

/** One field: `width` bits from bit `shift` of the little-endian number in the `size` octets at `at`. */
export interface BitField {
  readonly name: string;
  readonly at: number;
  readonly size: number;
  readonly shift: number;
  readonly width: number;
  readonly kind: "number" | "signed" | "flag";
  /** Multiplies the raw number, as 100 for frequencies in units of 100 Hz. */
  readonly scale: number;
}

export interface CommandRow {
  readonly cid: number;
  readonly name: string;
  readonly direction: Direction;
  /** Octets after the CID; of a variable command, the octets that are always there. */
  readonly length: number;
  /** Further octets, described by the fixed ones; they appear as `tailHex`. */
  readonly tailLength?: (body: Uint8Array) => number;
  readonly fields: readonly BitField[];
  /** What follows from the fields, in units for people. Ignored when encoding. */
  readonly derive?: (field: (name: string) => number) => Readonly<Record<string, FieldValue>>;
  /** First version with the command. */
  readonly since: string;
}

/** Bits `high` to `low` of octet `at`. */
function bits(name: string, at: number, high: number, low: number): BitField {
  return { name, at, size: 1, shift: low, width: high - low + 1, kind: "number", scale: 1 };
}
function flag(name: string, at: number, bit: number): BitField {
  return { name, at, size: 1, shift: bit, width: 1, kind: "flag", scale: 1 };
}
function unsigned(name: string, at: number, size: number): BitField {
  return { name, at, size, shift: 0, width: size * 8, kind: "number", scale: 1 };
}
// LoRaWAN 1.1, section 5.6: frequencies are 24-bit numbers in units of 100 Hz.
function frequency(at: number): BitField {
  return { name: "frequencyHz", at, size: 3, shift: 0, width: 24, kind: "number", scale: 100 };
}

// LoRaWAN 1.1, table 12: EIRP by index, dBm.
const EIRP_DBM = [8, 10, 12, 13, 14, 16, 18, 20, 21, 24, 26, 27, 29, 30, 33, 36] as const;
const DEVICE_CLASSES = ["A", "RFU", "C"] as const;

type RowOptions = Pick<CommandRow, "derive">;

function row(
  cid: number,
  name: string,
  direction: Direction,
  length: number,
  since: string,
  fields: readonly BitField[] = [],
  options: RowOptions = {},
): CommandRow {
  return { cid, name, direction, length, since, fields, ...options };
}

const minor = [bits("minor", 0, 3, 0)];
const classOf: RowOptions = {
  derive: (field) => ({ deviceClass: DEVICE_CLASSES[field("class")] ?? "RFU" }),
};

/** Every command, class A first. LoRaWAN 1.1, tables 5 and 6, and sections 14 and 18. */
export const COMMAND_TABLE: readonly CommandRow[] = [
  row(0x01, "ResetInd", "up", 1, "1.1", minor),
  row(0x01, "ResetConf", "down", 1, "1.1", minor),
  row(0x02, "LinkCheckReq", "up", 0, "1.0"),
  row(0x02, "LinkCheckAns", "down", 2, "1.0", [unsigned("marginDb", 0, 1), unsigned("gwCnt", 1, 1)]),
  row(0x03, "LinkADRReq", "down", 4, "1.0", [
    bits("dataRate", 0, 7, 4),
    bits("txPower", 0, 3, 0),
    unsigned("chMask", 1, 2),
    bits("chMaskCntl", 3, 6, 4),
    bits("nbTrans", 3, 3, 0),
  ]),
  row(0x03, "LinkADRAns", "up", 1, "1.0", [
    flag("powerAck", 0, 2),
    flag("dataRateAck", 0, 1),
    flag("channelMaskAck", 0, 0),
  ]),
  row(0x04, "DutyCycleReq", "down", 1, "1.0", [bits("maxDutyCycle", 0, 3, 0)], {
    derive: (field) => ({ maxDutyCycleRatio: 1 / 2 ** field("maxDutyCycle") }),
  }),
  row(0x04, "DutyCycleAns", "up", 0, "1.0"),
  row(0x05, "RXParamSetupReq", "down", 4, "1.0", [
    bits("rx1DrOffset", 0, 6, 4),
    bits("rx2DataRate", 0, 3, 0),
    frequency(1),
  ]),
  row(0x05, "RXParamSetupAns", "up", 1, "1.0", [
    flag("rx1DrOffsetAck", 0, 2),
    flag("rx2DataRateAck", 0, 1),
    flag("channelAck", 0, 0),
  ]),
  row(0x06, "DevStatusReq", "down", 0, "1.0"),
  row(0x06, "DevStatusAns", "up", 2, "1.0", [
    unsigned("battery", 0, 1),
    { name: "marginDb", at: 1, size: 1, shift: 0, width: 6, kind: "signed", scale: 1 },
  ]),
  row(0x07, "NewChannelReq", "down", 5, "1.0", [
    unsigned("chIndex", 0, 1),
    frequency(1),
    bits("maxDataRate", 4, 7, 4),
    bits("minDataRate", 4, 3, 0),
  ]),
  row(0x07, "NewChannelAns", "up", 1, "1.0", [
    flag("dataRateRangeAck", 0, 1),
    flag("channelFrequencyAck", 0, 0),
  ]),
  row(0x08, "RXTimingSetupReq", "down", 1, "1.0", [bits("delay", 0, 3, 0)], {
    // LoRaWAN 1.1, table 42: delay 0 means 1 s.
    derive: (field) => ({ delaySeconds: Math.max(1, field("delay")) }),
  }),
  row(0x08, "RXTimingSetupAns", "up", 0, "1.0"),
  row(
    0x09,
    "TXParamSetupReq",
    "down",
    1,
    "1.0.2",
    [flag("downlinkDwellTime", 0, 5), flag("uplinkDwellTime", 0, 4), bits("maxEirp", 0, 3, 0)],
    { derive: (field) => ({ maxEirpDbm: EIRP_DBM[field("maxEirp")] ?? 0 }) },
  ),
  row(0x09, "TXParamSetupAns", "up", 0, "1.0.2"),
  row(0x0a, "DlChannelReq", "down", 4, "1.0.2", [unsigned("chIndex", 0, 1), frequency(1)]),
  row(0x0a, "DlChannelAns", "up", 1, "1.0.2", [
    flag("uplinkFrequencyExists", 0, 1),
    flag("channelFrequencyAck", 0, 0),
  ]),
  row(0x0b, "RekeyInd", "up", 1, "1.1", minor),
  row(0x0b, "RekeyConf", "down", 1, "1.1", minor),
  row(
    0x0c,
    "ADRParamSetupReq",
    "down",
    1,
    "1.1",
    [bits("limitExponent", 0, 7, 4), bits("delayExponent", 0, 3, 0)],
    {
      derive: (field) => ({
        adrAckLimit: 2 ** field("limitExponent"),
        adrAckDelay: 2 ** field("delayExponent"),
      }),
    },
  ),
  row(0x0c, "ADRParamSetupAns", "up", 0, "1.1"),
  row(0x0d, "DeviceTimeReq", "up", 0, "1.0.3"),
  row(0x0d, "DeviceTimeAns", "down", 5, "1.0.3", [unsigned("gpsSeconds", 0, 4), unsigned("fraction", 4, 1)], {
    // LoRaWAN 1.1, section 5.11: the fraction counts 1/256 s; the time is that of the uplink's end.
    derive: (field) => ({
      fractionSeconds: field("fraction") / 256,
      utc: utcOfGps(field("gpsSeconds") + field("fraction") / 256),
    }),
  }),
  row(0x0e, "ForceRejoinReq", "down", 2, "1.1", [
    { ...unsigned("period", 0, 2), shift: 11, width: 3 },
    { ...unsigned("maxRetries", 0, 2), shift: 8, width: 3 },
    { ...unsigned("rejoinType", 0, 2), shift: 4, width: 3 },
    { ...unsigned("dataRate", 0, 2), shift: 0, width: 4 },
  ]),
  row(
    0x0f,
    "RejoinParamSetupReq",
    "down",
    1,
    "1.1",
    [bits("maxTimeN", 0, 7, 4), bits("maxCountN", 0, 3, 0)],
    {
      derive: (field) => ({
        maxTimeSeconds: 2 ** (field("maxTimeN") + 10),
        maxCountUplinks: 2 ** (field("maxCountN") + 4),
      }),
    },
  ),
  row(0x0f, "RejoinParamSetupAns", "up", 1, "1.1", [flag("timeAck", 0, 0)]),
  row(0x10, "PingSlotInfoReq", "up", 1, "1.0 class B", [bits("periodicity", 0, 2, 0)], {
    derive: (field) => ({
      pingSlotsPerBeaconPeriod: 2 ** (7 - field("periodicity")),
      pingSlotEverySeconds: (96 * 2 ** field("periodicity")) / 100,
    }),
  }),
  row(0x10, "PingSlotInfoAns", "down", 0, "1.0 class B"),
  row(0x11, "PingSlotChannelReq", "down", 4, "1.0 class B", [frequency(0), bits("dataRate", 3, 3, 0)]),
  // LoRaWAN 1.0.2 calls this answer PingSlotFreqAns.
  row(0x11, "PingSlotChannelAns", "up", 1, "1.0 class B", [
    flag("dataRateAck", 0, 1),
    flag("channelFrequencyAck", 0, 0),
  ]),
  row(0x12, "BeaconTimingReq", "up", 0, "1.0 class B"),
  row(
    0x12,
    "BeaconTimingAns",
    "down",
    3,
    "1.0 class B",
    [unsigned("delay", 0, 2), unsigned("channel", 2, 1)],
    {
      derive: (field) => ({ delayMs: field("delay") * 30 }),
    },
  ),
  row(0x13, "BeaconFreqReq", "down", 3, "1.0 class B", [frequency(0)]),
  row(0x13, "BeaconFreqAns", "up", 1, "1.0 class B", [flag("frequencyAck", 0, 0)]),
  row(0x20, "DeviceModeInd", "up", 1, "1.1", [unsigned("class", 0, 1)], classOf),
  row(0x20, "DeviceModeConf", "down", 1, "1.1", [unsigned("class", 0, 1)], classOf),
  ...RELAY_COMMANDS,
];
