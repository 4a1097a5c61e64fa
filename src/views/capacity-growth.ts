/** What does a forecast of growth rest on: today's load and who hears whom; and when would a gateway's own sending reach its duty-cycle limit? */
import type { CapacityView } from "../contract/capacity.ts";
import { downlinkRoomSentence } from "../diagnosis/capacity-sentences.ts";
import { describeModulation } from "../model/modulation.ts";
import { bandUses, LimitTable } from "../radio/airtime-limits.ts";
import { type Source, Traffic } from "../radio/capacity/exposure.ts";
import type { GrowthEvidence, HeardCounter } from "../radio/capacity/growth.ts";
import { DUTY_CYCLE_PERIOD_US } from "../radio/occupancy.ts";
import { type HeardChannel, recogniseRegion } from "../radio/regions/recognise-region.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import { DAY_US } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { NodeTraffic, Sent, SiteTraffic } from "./capacity-evidence.ts";

type LoadRow = CapacityView["load"][number];

/** By channel and data rate, over usable time and in the busiest block. */
export function loadRows(site: SiteTraffic): CapacityView["load"] {
  const { nodes, strangers, usableUs, blockUs, blocks } = site;
  const ownOfBlock = Array<number>(blocks).fill(0);
  for (const node of nodes)
    for (const { block, airtimeUs } of node.sent)
      ownOfBlock[block] = (ownOfBlock[block] ?? 0) + sentForHeard(node) * airtimeUs;
  const busiest = ownOfBlock.indexOf(Math.max(...ownOfBlock));
  const rows = new Map<string, { -readonly [key in keyof LoadRow]: LoadRow[key] }>();
  const add = (sent: NodeTraffic["sent"][number], times: number, isOwn: boolean) => {
    const { frequencyHz, dataRate, airtimeUs, block } = sent;
    const key = `${frequencyHz}/${dataRate}`;
    let row = rows.get(key);
    if (row === undefined) {
      row = {
        frequencyHz,
        dataRate: describeModulation(modulationFromCodes(dataRate, 0)),
        ownErlang: 0,
        ownBusiestErlang: 0,
        strangerErlang: 0,
        strangerBusiestErlang: 0,
      };
      rows.set(key, row);
    }
    const mean = (times * airtimeUs) / usableUs;
    const then = block === busiest ? (times * airtimeUs) / blockUs : 0;
    if (isOwn) {
      row.ownErlang += mean;
      row.ownBusiestErlang += then;
    } else {
      row.strangerErlang += mean;
      row.strangerBusiestErlang += then;
    }
  };
  for (const node of nodes) for (const sent of node.sent) add(sent, sentForHeard(node), true);
  for (const sent of strangers) add(sent, 1, false);
  return [...rows.values()].sort(
    (a, b) => a.frequencyHz - b.frequencyHz || a.dataRate.localeCompare(b.dataRate, "en", { numeric: true }),
  );
}

export function airtimeSent(node: NodeTraffic): number {
  return sentForHeard(node) * node.sent.reduce((sum, { airtimeUs }) => sum + airtimeUs, 0);
}

export function framesADay(node: NodeTraffic, usableUs: number): number {
  return (sentForHeard(node) * node.sent.length * DAY_US) / usableUs;
}

/** Transmissions compared with each other. */
const MAX_SOURCES = 1_500;

/** Transmissions sent, whether heard or not: so many for each one heard. */
export function sentForHeard({ expected, heard }: NodeTraffic): number {
  return heard === 0 ? 1 : expected / heard;
}

/** The traffic of nodes as it goes on, and whose it is; evenly thinned where it is much. */
export function sourcesOf({ nodes, usableUs }: SiteTraffic): Source[] {
  return thinned(
    nodes.flatMap((node) => {
      const ratePerUs = sentForHeard(node) / usableUs;
      return node.sent.map((sent) => ({ sent, ratePerUs, sender: node }));
    }),
  );
}

/** Strangers' traffic as it was heard. */
export function strangerSources({ strangers, usableUs }: SiteTraffic): Source[] {
  return thinned(strangers.map((sent) => ({ sent, ratePerUs: 1 / usableUs })));
}

function thinned(all: readonly (Pick<Source, "ratePerUs" | "sender"> & { readonly sent: Sent })[]): Source[] {
  const stride = Math.max(1, Math.ceil(all.length / MAX_SOURCES));
  return all
    .filter((_, i) => i % stride === 0)
    .map(({ sent, ratePerUs, ...whose }) => ({ ...sent, ...whose, ratePerUs: ratePerUs * stride }));
}

export function growthEvidence(site: SiteTraffic): GrowthEvidence {
  const { nodes, blocks, usableUs } = site;
  const traffic = new Traffic(sourcesOf(site));
  const airtimeOfBlock = Array<number>(blocks).fill(0);
  const airtimeOfNode = nodes.map((node) => {
    const up = sentForHeard(node);
    let sum = 0;
    for (const { block, airtimeUs } of node.sent) {
      airtimeOfBlock[block] = (airtimeOfBlock[block] ?? 0) + up * airtimeUs;
      sum += up * airtimeUs;
    }
    return sum;
  });
  const totalAirtimeUs = airtimeOfNode.reduce((sum, one) => sum + one, 0);
  const counters = nodes.flatMap((node, i) => node.counters.map((frames) => ({ node: i, frames })));
  const stride = Math.max(1, Math.ceil(counters.length / MAX_SOURCES));
  const own = new Map<number, number>();
  for (const node of nodes) {
    const up = sentForHeard(node) / usableUs;
    for (const { levelsDbm, airtimeUs } of node.sent)
      for (const gateway of levelsDbm.keys()) own.set(gateway, (own.get(gateway) ?? 0) + up * airtimeUs);
  }
  return {
    nodes: nodes.length,
    blocks,
    expected: nodes.map(({ expectedByBlock }) => expectedByBlock),
    heardOf: nodes.map(({ counters: own }) => {
      const heardByBlock = Array<number>(blocks).fill(0);
      for (const [first] of own)
        if (first !== undefined) heardByBlock[first.block] = (heardByBlock[first.block] ?? 0) + 1;
      return heardByBlock;
    }),
    loadOfBlock: airtimeOfBlock.map((sum) => (totalAirtimeUs === 0 ? 1 : (sum * blocks) / totalAirtimeUs)),
    loadOfNode: airtimeOfNode.map((sum) => (totalAirtimeUs === 0 ? 1 / nodes.length : sum / totalAirtimeUs)),
    heard: counters
      .filter((_, i) => i % stride === 0)
      .map(({ node, frames }) => heardCounter(site, traffic, node, frames)),
    erlang: new Map(
      [...site.erlangByGateway].map(([gateway, all]) => {
        const ownErlang = own.get(gateway) ?? 0;
        return [gateway, { all: Math.max(all, ownErlang), own: ownErlang }];
      }),
    ),
  };
}

function heardCounter(
  site: SiteTraffic,
  traffic: Traffic,
  node: number,
  frames: readonly Sent[],
): HeardCounter {
  return {
    node,
    block: frames[0]?.block ?? 0,
    transmissions: frames.map((frame) => {
      const { least = 0, theory = 0, most = 0 } = traffic.exposuresOf(frame)[0] ?? {};
      const transmitting = transmittingOver(site, frame);
      return {
        exposure: {
          least: least + transmitting,
          theory: theory + transmitting,
          most: most + transmitting,
        },
        gateways: [...frame.levelsDbm.keys()],
      };
    }),
  };
}

/** Transmissions of the only gateway that hears a frame, expected over it; another one would hear it meanwhile. */
function transmittingOver({ transmitted, usableUs }: SiteTraffic, { levelsDbm, airtimeUs }: Sent): number {
  const [gateway] = levelsDbm.keys();
  if (levelsDbm.size !== 1 || gateway === undefined) return 0;
  const own = transmitted.get(gateway) ?? [];
  return own.reduce((sum, one) => sum + one.airtimeUs + airtimeUs, 0) / usableUs;
}

/** Bandwidth decides on dwell limits only, which are for uplinks. */
const ANY_BANDWIDTH = null;

/** One row a gateway that was seen to transmit: its fullest sub-band. None where no region is recognised, or no limit is known. */
export function downlinkRoom(
  site: SiteTraffic,
  names: ReadonlyMap<number, { readonly eui: string; readonly name: string | null }>,
  ownPlans: readonly RegionPlan[],
): CapacityView["downlinks"] {
  const plan = planOf(site, ownPlans);
  if (plan === null) return [];
  const limits = new LimitTable(plan);
  return [...site.transmitted].flatMap(([gatewayId, transmissions]) => {
    const gateway = names.get(gatewayId);
    const located = transmissions.flatMap(({ frequencyHz, ...one }) =>
      frequencyHz === null ? [] : [{ ...one, frequencyHz, bandwidthHz: ANY_BANDWIDTH }],
    );
    const rows = bandUses(located, limits).flatMap(({ subBand, limit, fullestHourUs, source }) => {
      if (limit === null || limit <= 0 || gateway === undefined) return [];
      const share = fullestHourUs / DUTY_CYCLE_PERIOD_US;
      const moreNodes = Math.max(0, Math.floor(site.nodes.length * (limit / share - 1)));
      const row = { gatewayEui: gateway.eui, gatewayName: gateway.name, subBand, share, limit, moreNodes };
      return [{ ...row, sentence: downlinkRoomSentence(row), source }];
    });
    const [fullest] = rows.sort((a, b) => a.moreNodes - b.moreNodes);
    return fullest === undefined ? [] : [fullest];
  });
}

function planOf({ nodes, strangers }: SiteTraffic, ownPlans: readonly RegionPlan[]): RegionPlan | null {
  const groups = new Map<string, HeardChannel & { count: number; payloadBytes: number }>();
  for (const { frequencyHz, dataRate, size } of [...nodes.flatMap(({ sent }) => sent), ...strangers]) {
    const key = `${frequencyHz}/${dataRate}`;
    const group = groups.get(key);
    if (group === undefined) {
      const modulation = modulationFromCodes(dataRate, 0);
      groups.set(key, { frequencyHz, modulation, payloadBytes: size, count: 1 });
    } else {
      group.count += 1;
      group.payloadBytes = Math.max(group.payloadBytes, size);
    }
  }
  const { name } = recogniseRegion([...groups.values()], ownPlans);
  return name === null ? null : (ownPlans.find((plan) => plan.name === name) ?? regionPlan(name));
}
