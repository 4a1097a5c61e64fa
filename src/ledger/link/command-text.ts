/**
 * What does a MAC command mean for the link, in one sentence?
 * Sources: LoRaWAN 1.1, sections 5, 14 and 18; LoRaWAN L2 1.0.4, tables 14 and 61.
 */

import { describeCommand, type MacCommand } from "../../wire/lorawan/mac-commands.ts";
import { listed, megahertz, percentInWords, plural, withUnit } from "../../words/format.ts";
import type { LinkEventKind } from "./data-rate.ts";

export interface CommandWords {
  readonly kind: LinkEventKind;
  /** Without the full stop, so that a caller can add to it. */
  readonly words: string;
}

type Tell = readonly [kind: LinkEventKind, words: (command: MacCommand) => string];

/** What a node answers, asks and announces. */
const UPLINK: Readonly<Record<string, Tell>> = {
  LinkADRAns: [
    "link-adr-answered",
    (command) =>
      `The node ${accepts(command, { powerAck: "transmit power", dataRateAck: "data rate", channelMaskAck: "channel mask" })} of a LinkADRReq`,
  ],
  DevStatusAns: [
    "device-status",
    (command) =>
      `The node reports ${batteryWords(num(command, "battery"))}, and hears the network at ${withUnit(num(command, "marginDb"), 0, "dB")} SNR (DevStatusAns)`,
  ],
  LinkCheckReq: ["link-check-asked", () => "The node asked for a link check"],
  DutyCycleAns: ["duty-cycle-limit", () => "The node accepted a duty-cycle limit (DutyCycleAns)"],
  RXParamSetupAns: [
    "receive-windows",
    (command) =>
      `The node ${accepts(command, { rx1DrOffsetAck: "RX1 data rate offset", rx2DataRateAck: "RX2 data rate", channelAck: "RX2 frequency" })} of new receive windows (RXParamSetupAns)`,
  ],
  RXTimingSetupAns: ["receive-windows", () => "The node accepted a new receive delay (RXTimingSetupAns)"],
  NewChannelAns: [
    "channel-plan",
    (command) =>
      `The node ${accepts(command, { dataRateRangeAck: "data rate range", channelFrequencyAck: "frequency" })} of a channel (NewChannelAns)`,
  ],
  DlChannelAns: [
    "channel-plan",
    (command) =>
      `The node ${accepts(command, { uplinkFrequencyExists: "uplink channel", channelFrequencyAck: "frequency" })} of a downlink channel (DlChannelAns)`,
  ],
  TXParamSetupAns: [
    "transmit-limits",
    () => "The node accepted limits of power and dwell time (TXParamSetupAns)",
  ],
  DeviceTimeReq: ["device-time-asked", () => "The node asked for the time"],
  DeviceModeInd: [
    "class",
    ({ deviceClass }) => `The node says that it is of class ${String(deviceClass)} (DeviceModeInd)`,
  ],
};

/** What a network commands and answers; LinkADRReq goes by whole blocks, see linkAdrWords. */
const DOWNLINK: Readonly<Record<string, Tell>> = {
  DutyCycleReq: ["duty-cycle-limit", (command) => dutyCycleWords(num(command, "maxDutyCycle"))],
  DevStatusReq: ["device-status-asked", () => "The network asked for the node's status"],
  LinkCheckAns: [
    "link-check-answered",
    (command) =>
      `The network answered a link check: ${withUnit(num(command, "marginDb"), 0, "dB")} margin, heard by ${plural(num(command, "gwCnt"), "gateway")}`,
  ],
  RXParamSetupReq: [
    "receive-windows",
    (command) =>
      `The network set the receive windows: RX1 data rate offset ${num(command, "rx1DrOffset")}, RX2 data rate ${num(command, "rx2DataRate")} at ${frequencyWords(command)}`,
  ],
  RXTimingSetupReq: [
    "receive-windows",
    (command) =>
      `The network set the first receive window to ${withUnit(num(command, "delaySeconds"), 0, "s")} after a transmission`,
  ],
  NewChannelReq: ["channel-plan", newChannelWords],
  DlChannelReq: [
    "channel-plan",
    (command) =>
      `The network answers channel ${num(command, "chIndex")} at ${frequencyWords(command)} from now on (DlChannelReq)`,
  ],
  TXParamSetupReq: [
    "transmit-limits",
    (command) =>
      `The network limits the node to ${withUnit(num(command, "maxEirpDbm"), 0, "dBm")} EIRP, ${dwellWords(command)}`,
  ],
  DeviceTimeAns: ["device-time-answered", ({ utc }) => `The network gave the time, ${String(utc)}`],
  DeviceModeConf: ["class", ({ deviceClass }) => `The network confirmed class ${String(deviceClass)}`],
};

/** What an uplink command says. */
export function uplinkWords(command: MacCommand): CommandWords {
  return wordsOf(UPLINK, "node", command);
}

/** What a downlink command says, a LinkADRReq aside. */
export function downlinkWords(command: MacCommand): CommandWords {
  return wordsOf(DOWNLINK, "network", command);
}

function wordsOf(
  tellings: Readonly<Record<string, Tell>>,
  who: "node" | "network",
  command: MacCommand,
): CommandWords {
  const telling = tellings[command.name];
  if (telling !== undefined) return { kind: telling[0], words: telling[1](command) };
  const fields = describeCommand(command);
  const words = `The ${who} sent ${command.name}${fields === "" ? "" : `: ${fields}`}`;
  return { kind: "other-command", words };
}

/** What a block of LinkADRReq asks for, against what was asked before; null when it asks for nothing new. */
export function linkAdrWords(asked: MacCommand, before: MacCommand | null): string | null {
  const parts: string[] = [];
  const isNew = (field: string) => before === null || before[field] !== asked[field];
  // LoRaWAN 1.1, section 5.3 and L2 1.0.4, section 5.2: 15 keeps the data rate or power as it is.
  if (isNew("dataRate") && asked.dataRate !== 15) parts.push(`data rate ${num(asked, "dataRate")}`);
  if (isNew("txPower") && asked.txPower !== 15)
    parts.push(`transmit power index ${num(asked, "txPower")} (0 is the most)`);
  if (isNew("nbTrans")) parts.push(nbTransWords(num(asked, "nbTrans")));
  if (isNew("chMask") || isNew("chMaskCntl")) {
    const mask = num(asked, "chMask").toString(16).toUpperCase().padStart(4, "0");
    parts.push(`channel mask 0x${mask} (control ${num(asked, "chMaskCntl")})`);
  }
  return parts.length === 0 ? null : `The network asked for ${listed(parts)} (LinkADRReq)`;
}

/** `an external supply`, `a battery at 53 % (about half)`. */
export function batteryWords(battery: number): string {
  // LoRaWAN 1.1, table 21: 0 external power, 1 the minimum, 254 the maximum, 255 cannot tell.
  if (battery === 0) return "an external supply";
  if (battery === 255) return "a battery whose level it cannot tell";
  return `a battery at ${withUnit(batteryPercent(battery) ?? 0, 0, "%")} (${chargeWords(battery)})`;
}

/** 0 to 100 for levels 1 to 254; null for external power and for "cannot tell". */
export function batteryPercent(battery: number): number | null {
  if (battery < 1 || battery > 254) return null;
  return Math.round(((battery - 1) / 253) * 100);
}

function chargeWords(battery: number): string {
  const percent = batteryPercent(battery) ?? 0;
  // Chosen: words for people, no standard has any.
  if (percent >= 95) return "full";
  if (percent >= 60) return "well charged";
  if (percent >= 40) return "about half";
  if (percent >= 15) return "low";
  return "nearly empty";
}

function dutyCycleWords(exponent: number): string {
  if (exponent === 0) return "The network lifted the duty-cycle limit (DutyCycleReq)";
  return `The network limits the node to 1/${2 ** exponent} of the time, ${percentInWords(1 / 2 ** exponent)} (DutyCycleReq)`;
}

function newChannelWords(command: MacCommand): string {
  const index = num(command, "chIndex");
  // LoRaWAN 1.1, section 5.6: frequency 0 disables the channel.
  if (command.frequencyHz === 0) return `The network took channel ${index} away (NewChannelReq)`;
  return `The network gave channel ${index} at ${frequencyWords(command)}, data rates ${num(command, "minDataRate")} to ${num(command, "maxDataRate")} (NewChannelReq)`;
}

function nbTransWords(nbTrans: number): string {
  // LoRaWAN 1.0.3, section 5.2: 0 means the default of 1; LoRaWAN 1.1, section 5.3: 0 keeps the value.
  if (nbTrans === 0) return "NbTrans 0 (once in 1.0, unchanged in 1.1)";
  return nbTrans === 1 ? "each frame sent once" : `each frame sent up to ${nbTrans} times`;
}

function dwellWords(command: MacCommand): string {
  const limited = [
    ...(command.uplinkDwellTime === true ? ["uplinks"] : []),
    ...(command.downlinkDwellTime === true ? ["downlinks"] : []),
  ];
  return limited.length === 0
    ? "no dwell time limit"
    : `${listed(limited)} to ${withUnit(400, 0, "ms")} each`;
}

/** `parts`: the field that accepts each part, and its name. */
function accepts(command: MacCommand, parts: Readonly<Record<string, string>>): string {
  const refused = Object.entries(parts).filter(([field]) => command[field] !== true);
  if (refused.length === 0) return "accepted every part";
  return `refused the ${listed(refused.map(([, name]) => name))}`;
}

function num(command: MacCommand, field: string): number {
  return Number(command[field] ?? 0);
}

function frequencyWords(command: MacCommand): string {
  const frequencyHz = num(command, "frequencyHz");
  return frequencyHz === 0 ? "its default frequency" : megahertz(frequencyHz);
}
