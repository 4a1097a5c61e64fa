/** When would a gateway's own sending reach its duty-cycle limit, did its downlinks grow with the nodes? */
import type { CapacityView } from "../contract/capacity.ts";
import { downlinkRoomSentence } from "../diagnosis/capacity-sentences.ts";
import { bandUses, LimitTable } from "../radio/airtime-limits.ts";
import { DUTY_CYCLE_PERIOD_US } from "../radio/occupancy.ts";
import { type HeardChannel, recogniseRegion } from "../radio/regions/recognise-region.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { SiteTraffic } from "./capacity-evidence.ts";

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
