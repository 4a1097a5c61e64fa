/** The air: how long each channel was busy at each gateway, what was broken, how loud the noise is, who talked. */
import type { AirMap, AirView, ChannelRow } from "../contract/index.ts";
import { airSentence } from "../diagnosis/sentences.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, MINUTE_US, type TimeWindow } from "../model/window.ts";
import { peakHour } from "../radio/duty-cycle.ts";
import { noiseFloor } from "../radio/noise.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  busiestTransmissions,
  channelCells,
  dataRateShares,
  nodeAirtime,
  weakReceptions,
} from "../store/queries/channels.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { allLives, type LabelRecord, labels } from "../store/queries/lives.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { type ChannelSum, sumChannels } from "./channel-sums.ts";
import { type HomeNetworks, homeNetworksOf, isStranger } from "./home-networks.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MOST_CELLS = 120;
const MOST_TALKERS = 20;
const CAUTION =
  "Heard airtime is a lower bound of what was sent. Limits on duty cycle and dwell time are an indication from public tables, not a statement of conformity: local rules and newer editions prevail.";

/** `gatewayEui` narrows channels and maps to one gateway. */
export function airView(store: Store, window: AskedWindow, gatewayEui?: string): AirView {
  const gateways = allGateways(store);
  const wanted = new Map(
    gateways
      .filter(({ eui }) => gatewayEui === undefined || eui === gatewayEui)
      .map(({ id, eui }) => [id, eui]),
  );
  const gatewayNames = labels(store, "gateway");
  const nodeNames = labels(store, "node");
  const spent = nodeAirtime(store, window);
  const home = homeNetworksOf(allLives(store), nodeNames);
  const strangers = new Set(
    [...new Set(spent.map(({ devAddr }) => devAddr))].filter((devAddr) => {
      const text = formatDevAddr(devAddr);
      return isStranger(text, nodeNames.get(text), home);
    }),
  );
  const name = (eui: string) => gatewayNames.get(eui)?.name ?? null;
  const channels: ChannelRow[] = [];
  const noise = groupByChannel(weakReceptions(store, window));
  const ofStrangers = groupByChannel(spent.filter(({ devAddr }) => strangers.has(devAddr)));
  for (const sum of sumChannels(store, window)) {
    const eui = wanted.get(sum.gatewayId);
    if (eui === undefined) continue;
    const key = channelKey(sum);
    const floor = noiseFloor((noise.get(key) ?? []).map(levels));
    const foreign = ofStrangers.get(key) ?? [];
    channels.push({
      ...channelFigures(sum, window),
      gatewayEui: eui,
      gatewayName: name(eui),
      noiseFloorDbm: floor.noiseDbm === null ? null : Math.round(floor.noiseDbm * 10) / 10,
      noiseSamples: floor.sampleCount,
      strangerAirtimeSeconds: foreign.reduce((total, one) => total + one.airtimeUs, 0) / 1e6,
      strangerReceptions: foreign.reduce((total, one) => total + one.receptions, 0),
    });
  }
  channels.sort((a, b) => a.gatewayEui.localeCompare(b.gatewayEui) || a.frequencyHz - b.frequencyHz);
  const talkers = talkersOf(store, window, nodeNames, home);
  return {
    window: windowView(window),
    sentence: airSentence(channels, talkers),
    channels,
    maps: mapsOf(store, window, wanted, name),
    dataRates: dataRateShares(store, window).map(({ dataRate, receptions, airtimeUs }) => ({
      name: describeModulation(modulationFromCodes(dataRate, 0)),
      receptions,
      airtimeSeconds: airtimeUs / 1e6,
    })),
    talkers,
    caution: CAUTION,
  };
}

function levels({ rssiTenths, snrTenths }: { rssiTenths: number; snrTenths: number }) {
  return { rssiDbm: rssiTenths / 10, snrDb: snrTenths / 10 };
}

interface OnChannel {
  readonly gatewayId: number;
  readonly frequencyHz: number;
}

function channelKey({ gatewayId, frequencyHz }: OnChannel): string {
  return `${gatewayId}/${frequencyHz}`;
}

function groupByChannel<T extends OnChannel>(items: readonly T[]): Map<string, T[]> {
  const groups = new Map<string, T[]>();
  for (const item of items) {
    const key = channelKey(item);
    const group = groups.get(key);
    if (group === undefined) groups.set(key, [item]);
    else group.push(item);
  }
  return groups;
}

/** Load and utilisation of a channel over the window. */
export function channelFigures(sum: ChannelSum, window: TimeWindow) {
  const windowUs = window.toUs - window.fromUs;
  return {
    frequencyHz: sum.frequencyHz,
    receptions: sum.receptions,
    airtimeSeconds: sum.airtimeUs / 1e6,
    busySeconds: sum.busyUs / 1e6,
    offeredLoad: sum.airtimeUs / windowUs,
    utilisation: Math.min(1, sum.busyUs / windowUs),
    crcBad: sum.crcBad,
    crcBadRatio: sum.receptions === 0 ? null : sum.crcBad / sum.receptions,
  };
}

/** Cells of whole minutes that the window touches; the ends of the map may reach a little beyond it. */
function mapsOf(
  store: Store,
  window: TimeWindow,
  wanted: ReadonlyMap<number, string>,
  name: (eui: string) => string | null,
): AirMap[] {
  const fromMinute = Math.floor(window.fromUs / MINUTE_US);
  const toMinute = Math.ceil(window.toUs / MINUTE_US);
  const minutesACell = Math.max(1, Math.ceil((toMinute - fromMinute) / MOST_CELLS));
  const cells = Math.ceil((toMinute - fromMinute) / minutesACell);
  // The last cell may hold fewer minutes than the others.
  const cellUs = (cell: number) =>
    Math.min(minutesACell, toMinute - fromMinute - cell * minutesACell) * MINUTE_US;
  const rows = groupByChannel(channelCells(store, fromMinute, toMinute, minutesACell));
  const maps: AirMap[] = [];
  for (const [id, eui] of wanted) {
    const channels = [...rows.values()]
      .filter(([first]) => first?.gatewayId === id)
      .sort((a, b) => (a[0]?.frequencyHz ?? 0) - (b[0]?.frequencyHz ?? 0));
    if (channels.length === 0) continue;
    const utilisation = channels.map(() => Array<number>(cells).fill(0));
    const crcBadRatio = channels.map(() => Array<number | null>(cells).fill(null));
    for (const [row, records] of channels.entries()) {
      for (const { cell, busyUs, receptions, crcBad } of records) {
        const line = utilisation[row];
        const bad = crcBadRatio[row];
        if (line !== undefined) line[cell] = Math.round((busyUs / cellUs(cell)) * 1e5) / 1e5;
        if (bad !== undefined) bad[cell] = receptions === 0 ? null : crcBad / receptions;
      }
    }
    maps.push({
      gatewayEui: eui,
      gatewayName: name(eui),
      from: isoTime(fromMinute * MINUTE_US),
      cellSeconds: minutesACell * 60,
      frequenciesHz: channels.map(([first]) => first?.frequencyHz ?? 0),
      utilisation,
      crcBadRatio,
    });
  }
  return maps;
}

/** Who spent most airtime; each with its fullest sliding hour over all bands: a lower bound, for what went unheard. */
function talkersOf(
  store: Store,
  window: TimeWindow,
  names: ReadonlyMap<string, LabelRecord>,
  home: HomeNetworks,
): AirView["talkers"] {
  const byAddress = new Map<number, { startUs: number; airtimeUs: number }[]>();
  for (const { devAddr, atUs, airtimeUs } of busiestTransmissions(store, window, MOST_TALKERS)) {
    const own = byAddress.get(devAddr) ?? [];
    own.push({ startUs: atUs - airtimeUs, airtimeUs });
    byAddress.set(devAddr, own);
  }
  const talkers = [...byAddress].map(([address, transmissions]) => {
    const devAddr = formatDevAddr(address);
    const label = names.get(devAddr);
    return {
      devAddr,
      name: label?.name ?? null,
      network: networkOf(devAddr),
      stranger: isStranger(devAddr, label, home),
      frames: transmissions.length,
      airtimeSeconds: transmissions.reduce((sum, one) => sum + one.airtimeUs, 0) / 1e6,
      busiestHourDuty: (peakHour(transmissions)?.airtimeUs ?? 0) / 3.6e9,
    };
  });
  return talkers.sort((a, b) => b.airtimeSeconds - a.airtimeSeconds || a.devAddr.localeCompare(b.devAddr));
}
