/** The packets that servers asked gateways to send, one by one: for a gateway, for a node, or for the site. */

import type { DownlinkTestPlan } from "../contract/bench.ts";
import type { DownlinkRow, DownlinksView } from "../contract/index.ts";
import { outcomeOf, outcomeStanding, outcomeWords, windowWords } from "../diagnosis/relay-sentences.ts";
import {
  judgeTest,
  type TestVerdict,
  TRANSMIT_CAUTIONS,
  testChannels,
} from "../diagnosis/test-transmission.ts";
import { lateness } from "../ledger/downlink-timing.ts";
import { downlinkWords, linkAdrWords } from "../ledger/link/command-text.ts";
import { formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime } from "../model/time-range.ts";
import { DUTY_CYCLE_PERIOD_US } from "../radio/occupancy.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  type DownlinkRecord,
  downlinksOf,
  downlinksOfGateway,
  downlinksToAddress,
  gatewayTransmissions,
  lastPullUs,
} from "../store/queries/downlinks.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { type LabelRecord, labels } from "../store/queries/lives.ts";
import { decodeMacCommands, type MacCommand } from "../wire/lorawan/mac-commands.ts";
import { decodePhyPayload } from "../wire/lorawan/phy-payload.ts";
import { figure } from "../words/format.ts";
import { leadMs } from "./gateway-downlinks.ts";
import { type AskedWindow, windowView } from "./window.ts";
import { heardPlan } from "./wrong-sub-band.ts";

const MAX_ROWS = 200;
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
  const most = MAX_ROWS + 1;
  let records: DownlinkRecord[];
  if (gatewayEui !== undefined)
    records = asked === undefined ? [] : downlinksOfGateway(store, asked.id, window, most);
  else if (devAddr !== undefined) records = downlinksToAddress(store, parseDevAddr(devAddr), window, most);
  else records = downlinksOf(store, window, most);
  const names = labels(store, "gateway");
  const downlinks = records.slice(0, MAX_ROWS).map((record) => downlinkRow(record, gateways, names));
  return {
    window: windowView(window),
    sentence: [{ text: sentenceOf(downlinks, records.length > MAX_ROWS) }],
    downlinks,
    cut: records.length > MAX_ROWS,
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
    airtimeMs: record.airtimeUs === 0 ? null : record.airtimeUs / 1000,
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
  const head = `${isCut ? "The newest " : ""}${figure(downlinks.length)} ${what}`;
  const parts = [
    refused === 0 ? "none was refused" : `${figure(refused)} refused`,
    ...(late === 0 ? [] : [`${figure(late)} more too late by their moment`]),
  ];
  return `${head}: ${parts.join(", ")}.`;
}

// What test frame may be sent through one gateway now? From the plan that it was recognised to follow, and what it sent.

/** The plan is recognised from what was heard in so long. Chosen: a bench's afternoon. */
const LOOK_BACK_US = 24 * 3_600_000_000;

export interface DownlinkTestContext {
  readonly nowUs: number;
  readonly ownPlans: readonly RegionPlan[];
  /** Why no test may be made whatever the gateway; empty when one may. */
  readonly forbidden: string;
}

/** null: no such gateway. */
export function downlinkTestPlan(
  store: Store,
  gatewayEui: string,
  { nowUs, ownPlans, forbidden }: DownlinkTestContext,
): DownlinkTestPlan | null {
  const gateway = allGateways(store).find(({ eui }) => eui === gatewayEui);
  if (gateway === undefined) return null;
  const region = regionOf(store, gateway, nowUs, ownPlans);
  const { channels, why } =
    region.plan === null ? { channels: [], why: region.why } : testChannels(region.plan);
  const pullUs = lastPullUs(store, gateway.id);
  const calledSecondsAgo = pullUs === null ? null : Math.max(0, Math.round((nowUs - pullUs) / 1e5) / 10);
  const reason = forbidden || (why === "" ? "" : why);
  return {
    gatewayEui,
    allowed: reason === "",
    why: reason,
    region: region.plan?.name ?? null,
    channels: channels.map(({ frequencyHz, dataRates, mostPowerDbm, text, source }) => ({
      frequencyHz,
      dataRates: dataRates.map(describeModulation),
      mostPowerDbm,
      text,
      source,
    })),
    cautions: [...TRANSMIT_CAUTIONS],
    calledSecondsAgo,
  };
}

/** Whether this very frame may be sent; null: no such gateway. */
export function downlinkTestVerdict(
  store: Store,
  asked: {
    readonly gatewayEui: string;
    readonly frequencyHz: number;
    readonly dataRate: string;
    readonly powerDbm: number;
  },
  { nowUs, ownPlans, forbidden }: DownlinkTestContext,
): TestVerdict | null {
  const gateway = allGateways(store).find(({ eui }) => eui === asked.gatewayEui);
  if (gateway === undefined) return null;
  if (forbidden !== "") return { ok: false, why: forbidden };
  const { plan, why } = regionOf(store, gateway, nowUs, ownPlans);
  if (plan === null) return { ok: false, why };
  const sent = gatewayTransmissions(store, gateway.id, {
    fromUs: nowUs - DUTY_CYCLE_PERIOD_US,
    toUs: nowUs + 1,
  });
  return judgeTest({
    ...asked,
    plan,
    usedUs: (fromHz, toHz) =>
      sent
        .filter(({ frequencyHz }) => frequencyHz !== null && frequencyHz >= fromHz && frequencyHz <= toHz)
        .reduce((sum, { airtimeUs }) => sum + airtimeUs, 0),
  });
}

function regionOf(
  store: Store,
  gateway: GatewayRecord,
  nowUs: number,
  ownPlans: readonly RegionPlan[],
): { plan: RegionPlan | null; why: string } {
  const { recognition } = heardPlan(
    store,
    gateway.id,
    { fromUs: nowUs - LOOK_BACK_US, toUs: nowUs + 1 },
    ownPlans,
  );
  if (recognition.name === null)
    return { plan: null, why: `The region is not known, so nothing may be sent: ${recognition.reason}` };
  const plan = regionPlan(recognition.name);
  return plan === null
    ? { plan: null, why: `${recognition.name} is a plan of your own: no published limits are known for it.` }
    : { plan, why: "" };
}
