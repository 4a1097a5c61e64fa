/**
 * How many more nodes does the site carry, which data rate would free airtime, and what does one node's battery pay?
 * Evidence from capacity-evidence.ts, the model in src/radio/capacity/.
 */

import type {
  CapacityView,
  DataRateChange,
  NodeCharge,
  NodeCostView,
  PowerQuery,
} from "../contract/capacity.ts";
import {
  bestChangeSentence,
  busiestSentence,
  CAPACITY_LIMITS,
  CHARGE_LIMITS,
  changeSentence,
  chargeSentence,
  lackingFor,
  noChangeSentence,
  notEnoughSentence,
  roomSentence,
} from "../diagnosis/capacity-sentences.ts";
import {
  type DataRateChange as Change,
  dataRateChanges,
  keepsShare,
  type NoChange,
} from "../diagnosis/data-rate-change.ts";

import { isoTime } from "../model/time-range.ts";
import {
  chargeADay,
  POWER_SOURCES,
  type PowerTable,
  transmitCurrentMa,
  USUAL_POWER,
} from "../radio/capacity/charge.ts";
import { Traffic } from "../radio/capacity/exposure.ts";
import { type Estimate, growthUntil, MAX_GROWTH } from "../radio/capacity/growth.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { DAY_US } from "../statistics/robust.ts";
import { repeatableChance } from "../statistics/series.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { type NodeTraffic, type SiteTraffic, siteTraffic } from "./capacity-evidence.ts";
import {
  airtimeSent,
  downlinkRoom,
  framesADay,
  growthEvidence,
  loadRows,
  sourcesOf,
  strangerSources,
} from "./capacity-growth.ts";
import { type AskedWindow, windowView } from "./window.ts";

export const USUAL_SHARE = 0.95;
const MAX_CHANGES = 20;
/** Nodes whose data rates are looked at: those with most airtime. Chosen. */
const MAX_CHANGING = 60;
/** The same answer while nothing is added. */
const SEED = 0x0c_a9_ac;

export function capacityView(
  store: Store,
  window: AskedWindow,
  share = USUAL_SHARE,
  ownPlans: readonly RegionPlan[] = [],
): CapacityView {
  const site = siteTraffic(store, window);
  const { nodes, usableUs, range } = site;
  const counters = nodes.reduce((sum, { expected }) => sum + expected, 0);
  const facts = { share, nodes: nodes.length, counters, recordedSeconds: usableUs / 1e6 };
  const shared = {
    window: windowView(window),
    ...facts,
    from: isoTime(range.fromUs),
    load: loadRows(site),
    ...changesOf(site, share),
    downlinks: downlinkRoom(site, gatewaysOf(store), ownPlans),
    limits: [...CAPACITY_LIMITS],
  };
  const lacking = lackingFor(facts);
  if (lacking !== null)
    return {
      ...shared,
      verdict: "not enough",
      sentence: notEnoughSentence(lacking),
      delivery: null,
      mean: null,
      busiest: null,
      curve: [],
    };
  const evidence = growthEvidence(site);
  const { delivery, moreNodes, moreNodesBusiest, curve } = growthUntil(
    evidence,
    share,
    repeatableChance(SEED),
  );
  const cap = MAX_GROWTH * nodes.length;
  const loadRatio = Math.max(...evidence.loadOfBlock);
  const block = evidence.loadOfBlock.indexOf(loadRatio);
  return {
    ...shared,
    verdict: delivery.value < share ? "full" : "room",
    sentence: roomSentence(facts, delivery, whole(moreNodes), cap),
    delivery: { ratio: delivery.value, interval95: [delivery.low, delivery.high] },
    mean: moreRow(moreNodes),
    busiest: {
      ...moreRow(moreNodesBusiest),
      from: isoTime(site.blockFromUs[block] ?? range.fromUs),
      seconds: site.blockUs / 1e6,
      loadRatio,
      words: busiestSentence(site.blockUs / 1e6, loadRatio, whole(moreNodesBusiest), cap),
    },
    curve: curve.map(({ moreNodes: more, value, low, high }) => ({
      moreNodes: more,
      delivery: value,
      interval95: [low, high],
    })),
  };
}

function gatewaysOf(store: Store): ReadonlyMap<number, { eui: string; name: string | null }> {
  const names = labels(store, "gateway");
  return new Map(allGateways(store).map(({ id, eui }) => [id, { eui, name: names.get(eui)?.name ?? null }]));
}

function whole({ value, low, high }: Estimate): Estimate {
  return { value: Math.floor(value), low: Math.floor(low), high: Math.ceil(high) };
}

function moreRow(estimate: Estimate): { moreNodes: number; interval95: [number, number] } {
  const { value, low, high } = whole(estimate);
  return { moreNodes: value, interval95: [low, high] };
}

function trafficOf(site: SiteTraffic): Traffic {
  return new Traffic([...sourcesOf(site), ...strangerSources(site)]);
}

/** What a node's data rate could be, with everybody else's traffic as it is. */
function changesOfNode(
  { usableUs }: SiteTraffic,
  node: NodeTraffic,
  traffic: Traffic,
): readonly Change[] | NoChange {
  return dataRateChanges(
    {
      frames: node.sent,
      outcomes: node.outcomes,
      repeats: node.repeats,
      framesADay: framesADay(node, usableUs),
    },
    traffic,
    node,
  );
}

function changeRow(node: NodeTraffic, change: Change, share: number, airtimeADayS: number): DataRateChange {
  const freedShare = airtimeADayS === 0 ? 0 : change.freedSecondsADay / airtimeADayS;
  return {
    devAddr: node.devAddr,
    name: node.name,
    life: node.life,
    fromSpreadingFactor: change.fromSpreadingFactor,
    toSpreadingFactor: change.toSpreadingFactor,
    airtimeMs: change.airtimeMs,
    airtimeMsThen: change.airtimeMsThen,
    freedSecondsADay: change.freedSecondsADay,
    delivery: change.delivery,
    wouldBe: change.wouldBe,
    interval95: [change.interval95[0], change.interval95[1]],
    freedShare,
    keeps: keepsShare(change, share),
    sentence: changeSentence(change, freedShare),
  };
}

/** What frees most and keeps the share, else the smallest step. */
function bestOf(rows: readonly DataRateChange[]): DataRateChange | null {
  return rows.filter(({ keeps }) => keeps).at(-1) ?? rows[0] ?? null;
}

function airtimeADay({ nodes, usableUs }: SiteTraffic): number {
  return (nodes.reduce((sum, node) => sum + airtimeSent(node), 0) * DAY_US) / usableUs / 1e6;
}

function changesOf(site: SiteTraffic, share: number): Pick<CapacityView, "changes" | "changeSentence"> {
  const traffic = trafficOf(site);
  const all = airtimeADay(site);
  const changes = [...site.nodes]
    .sort((a, b) => airtimeSent(b) - airtimeSent(a) || a.devAddr.localeCompare(b.devAddr))
    .slice(0, MAX_CHANGING)
    .flatMap((node) => {
      const found = changesOfNode(site, node, traffic);
      const best =
        typeof found === "string" ? null : bestOf(found.map((one) => changeRow(node, one, share, all)));
      return best === null ? [] : [best];
    })
    .sort((a, b) => Number(b.keeps) - Number(a.keeps) || b.freedSecondsADay - a.freedSecondsADay)
    .slice(0, MAX_CHANGES);
  const [first] = changes;
  const best = first?.keeps === true ? { name: first.name ?? first.devAddr, sentence: first.sentence } : null;
  return { changes, changeSentence: bestChangeSentence(share, best) };
}

/** null: no node of one's own under this address in the window. */
export function nodeCostView(
  store: Store,
  window: AskedWindow,
  devAddr: string,
  { share = USUAL_SHARE, ...entered }: PowerQuery = {},
): NodeCostView | null {
  const site = siteTraffic(store, window);
  const node = site.nodes.find((one) => one.devAddr === devAddr);
  if (node === undefined) return null;
  const power = powerTable(entered);
  const found = changesOfNode(site, node, trafficOf(site));
  const all = airtimeADay(site);
  const changes = typeof found === "string" ? [] : found.map((one) => changeRow(node, one, share, all));
  const kept = changes.filter(({ keeps }) => keeps).at(-1) ?? null;
  const newest = node.sent.at(-1);
  const frames = framesADay(node, site.usableUs);
  const meanMs = node.sent.reduce((sum, { airtimeUs }) => sum + airtimeUs, 0) / node.sent.length / 1000;
  const chargeAt = (spreadingFactor: number, airtimeMs: number): NodeCharge => {
    const bandwidthHz = newest?.bandwidthHz ?? 125_000;
    const sending = { framesADay: frames, airtimeMs, spreadingFactor, bandwidthHz };
    return { spreadingFactor, airtimeMs, framesADay: frames, ...chargeADay(sending, power) };
  };
  const now = newest === undefined ? null : chargeAt(newest.spreadingFactor, meanMs);
  return {
    window: windowView(window),
    devAddr,
    name: node.name,
    share,
    sentence: now === null ? "Nothing of it was heard." : chargeSentence(now),
    now,
    changed: kept === null ? null : chargeAt(kept.toSpreadingFactor, kept.airtimeMsThen),
    changes,
    changeSentence:
      typeof found === "string"
        ? noChangeSentence(found)
        : bestChangeSentence(share, kept === null ? null : { name: "This step", sentence: kept.sentence }),
    power: powerRows(power, entered),
    limits: [...CHARGE_LIMITS],
  };
}

type Entered = Omit<PowerQuery, "share">;

function powerTable(entered: Entered): PowerTable {
  const powerDbm = entered.powerDbm ?? USUAL_POWER.powerDbm;
  return {
    powerDbm,
    transmitMa: entered.transmitMa ?? transmitCurrentMa(powerDbm),
    receiveMa: entered.receiveMa ?? USUAL_POWER.receiveMa,
    sleepUa: entered.sleepUa ?? USUAL_POWER.sleepUa,
    batteryMah: entered.batteryMah ?? USUAL_POWER.batteryMah,
    rx2SpreadingFactor: entered.rx2SpreadingFactor ?? USUAL_POWER.rx2SpreadingFactor,
    windowSymbols: entered.windowSymbols ?? USUAL_POWER.windowSymbols,
  };
}

const TITLES: Readonly<Record<keyof PowerTable, readonly [title: string, unit: string]>> = {
  powerDbm: ["Transmit power", "dBm"],
  transmitMa: ["Current while sending", "mA"],
  receiveMa: ["Current while receiving", "mA"],
  sleepUa: ["Current asleep", "µA"],
  batteryMah: ["Battery", "mAh"],
  rx2SpreadingFactor: ["Second window at SF", ""],
  windowSymbols: ["A window stays open", "symbols"],
};

function powerRows(power: PowerTable, entered: Entered): NodeCostView["power"] {
  return (Object.keys(TITLES) as (keyof PowerTable)[]).map((key) => ({
    key,
    title: TITLES[key][0],
    unit: TITLES[key][1],
    value: power[key],
    source: entered[key] === undefined ? POWER_SOURCES[key] : "entered",
  }));
}
