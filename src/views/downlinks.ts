/** The packets that servers asked gateways to send, one by one: for a gateway, for a node, or for the site. */
import type { DownlinkRow, DownlinksView } from "../contract/index.ts";
import { outcomeOf, outcomeStanding, outcomeWords, windowWords } from "../diagnosis/downlink-words.ts";
import { lateness } from "../ledger/downlink-deadline.ts";
import { downlinkWords, linkAdrWords } from "../ledger/link-command-words.ts";
import { formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime } from "../model/window.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  type DownlinkRecord,
  downlinksOf,
  downlinksOfGateway,
  downlinksToAddress,
} from "../store/queries/downlinks.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { type LabelRecord, labels } from "../store/queries/lives.ts";
import { decodeMacCommands, type MacCommand } from "../wire/lorawan/mac-commands.ts";
import { decodePhyPayload } from "../wire/lorawan/phy-payload.ts";
import { leadMs } from "./gateway-downlinks.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MOST_ROWS = 200;
// FCtrl of a downlink; LoRaWAN 1.1, figure 13.
const ACK = 0x20;

export interface DownlinksQuestion {
  readonly gatewayEui?: string | undefined;
  readonly devAddr?: string | undefined;
}

/** Of one gateway, or to one device address, or all. An unknown gateway has none. */
export function downlinksView(
  store: Store,
  window: AskedWindow,
  { gatewayEui, devAddr }: DownlinksQuestion = {},
): DownlinksView {
  const gateways = new Map(allGateways(store).map((gateway) => [gateway.id, gateway]));
  const asked = [...gateways.values()].find(({ eui }) => eui === gatewayEui);
  const most = MOST_ROWS + 1;
  let records: DownlinkRecord[];
  if (gatewayEui !== undefined)
    records = asked === undefined ? [] : downlinksOfGateway(store, asked.id, window, most);
  else if (devAddr !== undefined) records = downlinksToAddress(store, parseDevAddr(devAddr), window, most);
  else records = downlinksOf(store, window, most);
  const names = labels(store, "gateway");
  const downlinks = records.slice(0, MOST_ROWS).map((record) => downlinkRow(record, gateways, names));
  return {
    window: windowView(window),
    sentence: [{ text: sentenceOf(downlinks, records.length > MOST_ROWS) }],
    downlinks,
    cut: records.length > MOST_ROWS,
  };
}

function downlinkRow(
  record: DownlinkRecord,
  gateways: ReadonlyMap<number, GatewayRecord>,
  names: ReadonlyMap<string, LabelRecord>,
): DownlinkRow {
  const { atUs, delayUs, leadUs, outcomeAtUs, powerTenths, sentPowerTenths, devAddr, word } = record;
  const eui = gateways.get(record.gatewayId)?.eui ?? null;
  const outcome = outcomeOf(record.outcome);
  const power = sentPowerTenths ?? powerTenths;
  const isLate = lateness(record) === "late";
  return {
    id: record.id,
    at: isoTime(atUs),
    gatewayEui: eui,
    gatewayName: eui === null ? null : (names.get(eui)?.name ?? null),
    messageType: messageTypeOf(record.payload),
    devAddr: devAddr === null ? null : formatDevAddr(devAddr),
    counter: record.fcnt,
    ack: record.frameControl !== null && (record.frameControl & ACK) !== 0,
    window: record.window,
    windowWords: windowWords(record.window),
    delaySeconds: delayUs === null ? null : Math.round(delayUs / 1000) / 1000,
    uplinkAt: delayUs === null || leadUs === null ? null : isoTime(atUs + leadUs - delayUs),
    leadMs: leadUs === null ? null : leadMs(leadUs),
    frequencyHz: record.frequencyHz,
    dataRate: describeModulation(modulationFromCodes(record.dataRate, 0)),
    powerDbm: power === null ? null : power / 10,
    airtimeMs: record.airtimeUs / 1000,
    size: record.payload.length,
    hex: Buffer.from(record.payload).toString("hex").toUpperCase(),
    commands: commandsOf(record.payload),
    outcome,
    word,
    outcomeWords: outcome === "unanswered" && isLate ? "too late by its moment" : outcomeWords(outcome, word),
    answeredAfterMs: outcomeAtUs === null ? null : (outcomeAtUs - atUs) / 1000,
    standing: isLate ? "bad" : outcomeStanding(outcome),
  };
}

function messageTypeOf(payload: Uint8Array): string {
  const decoded = decodePhyPayload(payload);
  return decoded.ok ? decoded.value.messageType : "not LoRaWAN";
}

/** FOpts read as the clear text of LoRaWAN 1.0; a list that does not end cleanly is ciphertext and left out. */
function commandsOf(payload: Uint8Array): DownlinkRow["commands"] {
  const decoded = decodePhyPayload(payload);
  if (!decoded.ok || !("fOpts" in decoded.value) || decoded.value.fOpts.length === 0) return [];
  const list = decodeMacCommands(decoded.value.fOpts, "down");
  if (list.stop !== null) return [];
  return list.commands.map((command) => ({ name: command.name, words: commandWords(command) }));
}

function commandWords(command: MacCommand): string {
  if (command.name === "LinkADRReq")
    return linkAdrWords(command, null) ?? "The network asked for no change (LinkADRReq)";
  return downlinkWords(command).words;
}

function sentenceOf(downlinks: readonly DownlinkRow[], isCut: boolean): string {
  if (downlinks.length === 0) return "No downlink passed here in this window.";
  const refused = downlinks.filter(({ outcome }) => outcome === "refused").length;
  const late = downlinks.filter(
    ({ standing, outcome }) => standing === "bad" && outcome !== "refused",
  ).length;
  const what = downlinks.length === 1 ? "downlink" : "downlinks";
  const head = `${isCut ? "The newest " : ""}${downlinks.length.toLocaleString("en-GB")} ${what}`;
  const parts = [
    refused === 0 ? "none was refused" : `${refused.toLocaleString("en-GB")} refused`,
    ...(late === 0 ? [] : [`${late.toLocaleString("en-GB")} more too late by their moment`]),
  ];
  return `${head}: ${parts.join(", ")}.`;
}
