import { afterAll, describe, expect, test } from "vitest";
import { COMMAND_TABLE } from "../../../src/wire/lorawan/mac-command-table.ts";
import {
  decodeMacCommands,
  describeCommand,
  encodeMacCommands,
  linkAdrBlocks,
  type MacCommand,
} from "../../../src/wire/lorawan/mac-commands.ts";
import { hexOf, octetsOfHex } from "../../../src/wire/lorawan/octets.ts";
import type { Direction } from "../../../src/wire/lorawan/phy-payload.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

const tested = new Set<string>();
const keyOf = (cid: number, direction: Direction) => `${direction} ${cid}`;

/** The one place that touches the API: octets, direction, and what they say. */
function check(text: string, direction: Direction, expected: Readonly<Record<string, unknown>>): void {
  const { commands, unparsed, stop } = decodeMacCommands(hex(text), direction);
  expect({ length: commands.length, stop, rest: unparsed.length }).toEqual({
    length: 1,
    stop: null,
    rest: 0,
  });
  const [command] = commands as readonly [MacCommand];
  expect(command).toEqual({ cid: hex(text)[0], ...expected });
  expect(hexOf(encodeMacCommands(commands, direction))).toBe(hexOf(hex(text)));
  tested.add(keyOf(command.cid, direction));
}

// Octets worked out by hand from LoRaWAN 1.1, sections 5, 14 and 18, and read by an independent decoder as well.
const CASES: readonly (readonly [string, Direction, Readonly<Record<string, unknown>>])[] = [
  ["01 01", "up", { name: "ResetInd", minor: 1 }],
  ["01 01", "down", { name: "ResetConf", minor: 1 }],
  ["02", "up", { name: "LinkCheckReq" }],
  ["02 14 03", "down", { name: "LinkCheckAns", marginDb: 20, gwCnt: 3 }],
  [
    "03 52 07 00 01",
    "down",
    { name: "LinkADRReq", dataRate: 5, txPower: 2, chMask: 7, chMaskCntl: 0, nbTrans: 1 },
  ],
  ["03 07", "up", { name: "LinkADRAns", powerAck: true, dataRateAck: true, channelMaskAck: true }],
  ["04 07", "down", { name: "DutyCycleReq", maxDutyCycle: 7, maxDutyCycleRatio: 1 / 128 }],
  ["04", "up", { name: "DutyCycleAns" }],
  [
    "05 23 D2 AD 84",
    "down",
    { name: "RXParamSetupReq", rx1DrOffset: 2, rx2DataRate: 3, frequencyHz: 869_525_000 },
  ],
  ["05 05", "up", { name: "RXParamSetupAns", rx1DrOffsetAck: true, rx2DataRateAck: false, channelAck: true }],
  ["06", "down", { name: "DevStatusReq" }],
  ["06 FE 3B", "up", { name: "DevStatusAns", battery: 254, marginDb: -5 }],
  ["06 03 3C", "up", { name: "DevStatusAns", battery: 3, marginDb: -4 }],
  ["06 73 07", "up", { name: "DevStatusAns", battery: 115, marginDb: 7 }],
  [
    "07 03 18 4F 84 50",
    "down",
    { name: "NewChannelReq", chIndex: 3, frequencyHz: 867_100_000, maxDataRate: 5, minDataRate: 0 },
  ],
  ["07 02", "up", { name: "NewChannelAns", dataRateRangeAck: true, channelFrequencyAck: false }],
  ["08 05", "down", { name: "RXTimingSetupReq", delay: 5, delaySeconds: 5 }],
  ["08 00", "down", { name: "RXTimingSetupReq", delay: 0, delaySeconds: 1 }],
  ["08", "up", { name: "RXTimingSetupAns" }],
  [
    "09 35",
    "down",
    { name: "TXParamSetupReq", downlinkDwellTime: true, uplinkDwellTime: true, maxEirp: 5, maxEirpDbm: 16 },
  ],
  ["09", "up", { name: "TXParamSetupAns" }],
  ["0A 03 D2 AD 84", "down", { name: "DlChannelReq", chIndex: 3, frequencyHz: 869_525_000 }],
  ["0A 02", "up", { name: "DlChannelAns", uplinkFrequencyExists: true, channelFrequencyAck: false }],
  ["0B 01", "up", { name: "RekeyInd", minor: 1 }],
  ["0B 01", "down", { name: "RekeyConf", minor: 1 }],
  [
    "0C 65",
    "down",
    { name: "ADRParamSetupReq", limitExponent: 6, delayExponent: 5, adrAckLimit: 64, adrAckDelay: 32 },
  ],
  ["0C", "up", { name: "ADRParamSetupAns" }],
  ["0D", "up", { name: "DeviceTimeReq" }],
  [
    "0D B0 AD E8 43 80",
    "down",
    {
      name: "DeviceTimeAns",
      gpsSeconds: 1_139_322_288,
      fraction: 128,
      fractionSeconds: 0.5,
      utc: "2016-02-12T14:24:31.500Z",
    },
  ],
  ["0E 22 1B", "down", { name: "ForceRejoinReq", period: 3, maxRetries: 3, rejoinType: 2, dataRate: 2 }],
  [
    "0F 7B",
    "down",
    {
      name: "RejoinParamSetupReq",
      maxTimeN: 7,
      maxCountN: 11,
      maxTimeSeconds: 2 ** 17,
      maxCountUplinks: 2 ** 15,
    },
  ],
  ["0F 01", "up", { name: "RejoinParamSetupAns", timeAck: true }],
  [
    "10 03",
    "up",
    { name: "PingSlotInfoReq", periodicity: 3, pingSlotsPerBeaconPeriod: 16, pingSlotEverySeconds: 7.68 },
  ],
  ["10", "down", { name: "PingSlotInfoAns" }],
  ["11 D2 AD 84 03", "down", { name: "PingSlotChannelReq", frequencyHz: 869_525_000, dataRate: 3 }],
  ["11 01", "up", { name: "PingSlotChannelAns", dataRateAck: false, channelFrequencyAck: true }],
  ["12", "up", { name: "BeaconTimingReq" }],
  ["12 64 00 02", "down", { name: "BeaconTimingAns", delay: 100, channel: 2, delayMs: 3000 }],
  ["13 00 00 00", "down", { name: "BeaconFreqReq", frequencyHz: 0 }],
  ["13 01", "up", { name: "BeaconFreqAns", frequencyAck: true }],
  ["20 02", "up", { name: "DeviceModeInd", class: 2, deviceClass: "C" }],
  ["20 00", "down", { name: "DeviceModeConf", class: 0, deviceClass: "A" }],
  // TS011-1.0.0, table 30: recognised by length, parameters as octets.
  ["40 0102030405", "down", { name: "RelayConfReq", parametersHex: "0102030405" }],
  ["40 3F", "up", { name: "RelayConfAns", parametersHex: "3F" }],
  ["41 010203040506", "down", { name: "EndDeviceConfReq", parametersHex: "010203040506" }],
  ["41 07", "up", { name: "EndDeviceConfAns", parametersHex: "07" }],
  ["42 0300 AABBCC", "down", { name: "FilterListReq", parametersHex: "0300AABBCC" }],
  ["42 0000", "down", { name: "FilterListReq", parametersHex: "0000" }],
  ["42 07", "up", { name: "FilterListAns", parametersHex: "07" }],
  [`43 ${"5A".repeat(26)}`, "down", { name: "UpdateUplinkListReq", parametersHex: "5A".repeat(26) }],
  ["43", "up", { name: "UpdateUplinkListAns" }],
  ["44 12", "down", { name: "CtrlUplinkListReq", parametersHex: "12" }],
  ["44 0102030405", "up", { name: "CtrlUplinkListAns", parametersHex: "0102030405" }],
  ["45 0102030405", "down", { name: "ConfigureFwdLimitReq", parametersHex: "0102030405" }],
  ["45", "up", { name: "ConfigureFwdLimitAns" }],
  ["46 010203040506", "up", { name: "NotifyNewEndDeviceReq", parametersHex: "010203040506" }],
];

describe("one command", () => {
  test.each(CASES)("%s %s", (text, direction, expected) => check(text, direction, expected));
});

describe("a list of commands", () => {
  const list = (text: string, direction: Direction) => {
    const { commands, unparsed, stop } = decodeMacCommands(hex(text), direction);
    return { names: commands.map((command) => command.name), unparsed: hexOf(unparsed), stop };
  };

  test("ends at a proprietary command, whose length nobody else knows", () => {
    expect(list("02 80 03", "up")).toEqual({
      names: ["LinkCheckReq"],
      // From the CID on: the command's one further octet is left unread as well.
      unparsed: "8003",
      stop: "proprietaryCid",
    });
  });
  test("ends at a command that is cut off", () => {
    expect(list("06 03 50 FF", "down")).toEqual({
      names: ["DevStatusReq"],
      unparsed: "0350FF",
      stop: "truncated",
    });
  });
  test("ends at a filter list whose rule is cut off", () => {
    expect(list("42 03 00 AA", "down")).toEqual({ names: [], unparsed: "420300AA", stop: "truncated" });
  });
  test("ends at a command that nobody defined", () => {
    expect(list("02 33", "up")).toEqual({ names: ["LinkCheckReq"], unparsed: "33", stop: "unknownCid" });
  });
  test("reads the same command by its direction", () => {
    expect(list("02 03 05", "up").names).toEqual(["LinkCheckReq", "LinkADRAns"]);
    expect(list("02 03 05", "down").names).toEqual(["LinkCheckAns"]);
  });
  test("two LinkADRReq in a row are one block", () => {
    const { commands } = decodeMacCommands(hex("03 50 FF 00 01 03 50 00 00 71 06"), "down");
    expect(commands.slice(0, 2)).toMatchObject([
      { chMask: 0x00ff, chMaskCntl: 0, nbTrans: 1 },
      { chMask: 0, chMaskCntl: 7, nbTrans: 1 },
    ]);
    expect(linkAdrBlocks(commands).map((block) => block.length)).toEqual([2, 1]);
  });
  test("of no octets is empty and complete", () => {
    expect(list("", "up")).toEqual({ names: [], unparsed: "", stop: null });
  });
});

describe("a command in words", () => {
  test.each([
    ["02 14 03", "down", "margin 20 dB, gw cnt 3"],
    ["05 23 D2 AD 84", "down", "rx1 dr offset 2, rx2 data rate 3, 869.525 MHz"],
    ["04 07", "down", "max duty cycle 7, max duty cycle 0.781 %"],
    ["06 FF 3B", "up", "battery: unknown, margin -5 dB"],
    ["06 00 3B", "up", "battery: external power, margin -5 dB"],
    ["03 50 FF 00 01", "down", "data rate 5, tx power 0, channel mask 0x00FF, ch mask cntl 0, nb trans 1"],
    ["08 05", "down", "delay 5, delay 5 s"],
    ["13 00 00 00", "down", "frequency 0 (none, default)"],
    ["02", "up", ""],
  ] as const)("%s %s", (text, direction, words) => {
    const [command] = decodeMacCommands(hex(text), direction).commands as readonly [MacCommand];
    expect(describeCommand(command)).toBe(words);
  });
});

describe("an encoded command", () => {
  test("is left out when its direction has no such command", () => {
    expect(encodeMacCommands([{ cid: 0x46, name: "NotifyNewEndDeviceReq" }], "down").length).toBe(0);
  });
  test("counts a missing field as 0 and wraps a negative one into its width", () => {
    expect(hexOf(encodeMacCommands([{ cid: 0x06, name: "DevStatusAns", marginDb: -32 }], "up"))).toBe(
      "060020",
    );
  });
});

test("every command of the table is tested in its direction", () => {
  const missing = COMMAND_TABLE.filter((row) => !tested.has(keyOf(row.cid, row.direction)));
  expect(missing.map((row) => `${row.name} ${row.direction}`)).toEqual([]);
});

test("the table holds each command once a direction", () => {
  const keys = COMMAND_TABLE.map((row) => keyOf(row.cid, row.direction));
  expect(new Set(keys).size).toBe(keys.length);
  // Class A 29, class B 8, DeviceMode 2, relay 13.
  expect(keys.length).toBe(29 + 8 + 2 + 13);
});

afterAll(() => {
  const rows = COMMAND_TABLE.map((row) => {
    const cid = row.cid.toString(16).toUpperCase().padStart(2, "0");
    const length = row.tailLength === undefined ? `${row.length}` : `${row.length}+n`;
    const isTested = tested.has(keyOf(row.cid, row.direction)) ? "tested" : "NOT TESTED";
    return `${cid}  ${row.name.padEnd(22)} ${row.direction.padEnd(4)} ${length.padStart(3)}  ${isTested}`;
  });
  console.info(["MAC commands: CID, name, direction, octets after the CID", ...rows].join("\n"));
});
