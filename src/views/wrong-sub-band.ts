/** What the gateways of a site, taken together, say about channels that one of them listens to in vain. */

import { type HeardLife, type OtherListener, wrongSubBand } from "../diagnosis/wrong-sub-band.ts";
import type { TimeRange } from "../model/time-range.ts";
import { linkMarginDb } from "../radio/margin.ts";
import {
  type HeardChannel,
  type RegionRecognition,
  recogniseRegion,
} from "../radio/regions/recognise-region.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { heardChannels } from "../store/queries/gateway-packets.ts";
import { type HeardCounter, heardCounters, joinRequestsHeard } from "../store/queries/lives.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";

/** One gateway, as far as its plan was recognised. */
export interface PlannedGateway {
  readonly id: number;
  readonly name: string;
  readonly recognition: RegionRecognition;
  readonly receptions: number;
  readonly datagrams: number;
}

/** More than a site has; a stranger can invent gateways without end. */
const MAX_OTHERS = 8;

/** Sentences about each gateway's channels, by gateway id; only plans of fixed channels have any. */
export function subBandSentences(
  store: Store,
  window: TimeRange,
  gateways: readonly PlannedGateway[],
): ReadonlyMap<number, readonly string[]> {
  const listeners = gateways.flatMap((gateway) => {
    const other = listenerOf(gateway);
    return other === null ? [] : [{ id: gateway.id, other }];
  });
  const sentences = new Map<number, readonly string[]>();
  if (listeners.length === 0) return sentences;
  for (const gateway of gateways) {
    const own = listeners.find(({ id }) => id === gateway.id)?.other ?? null;
    const isDeaf = gateway.recognition.verdict === "nothing-heard" && gateway.datagrams > 0;
    if (own === null && !isDeaf) continue;
    const found = wrongSubBand({
      plan: own?.plan ?? null,
      channels: own?.channels ?? null,
      planChannels: narrowChannels(gateway.recognition),
      receptions: gateway.receptions,
      joinRequests: own === null ? 0 : joinRequestsHeard(store, gateway.id, window),
      lives: own === null ? [] : livesOf(heardCounters(store, gateway.id, window)),
      others: listeners
        .filter(({ id }) => id !== gateway.id)
        .slice(0, MAX_OTHERS)
        .map(({ other }) => other),
    });
    if (found.length > 0) sentences.set(gateway.id, found);
  }
  return sentences;
}

function listenerOf({ name, recognition, receptions }: PlannedGateway): OtherListener | null {
  const { subBand, block } = recognition;
  const plan = recognition.name === null ? null : regionPlan(recognition.name);
  if (plan === null || plan.kind !== "fixed" || (subBand === null && block === null)) return null;
  return {
    name,
    plan: plan.plan,
    channels: subBand === null ? `channels ${block}` : `sub-band ${subBand}`,
    receptions,
  };
}

/** Channels of 125 kHz of the channel set recognised, or of the largest. */
function narrowChannels({ name, variant }: RegionRecognition): number {
  const variants = (name === null ? null : regionPlan(name))?.variants ?? [];
  const own = variants.filter((one) => variant === null || one.name === variant);
  return Math.max(
    0,
    ...own.map(({ channels }) => channels.filter(({ bandwidthHz }) => bandwidthHz === 125_000).length),
  );
}

function livesOf(heard: readonly HeardCounter[]): HeardLife[] {
  const byLife = new Map<number, { counters: Set<number>; margins: number[] }>();
  for (const { lifeId, counter, dataRate, snrTenths } of heard) {
    const modulation = modulationFromCodes(dataRate, 0);
    if (modulation.kind !== "lora" || modulation.bandwidthHz !== 125_000) continue;
    const life = byLife.get(lifeId) ?? { counters: new Set<number>(), margins: [] };
    byLife.set(lifeId, life);
    life.counters.add(counter);
    const margin = linkMarginDb(snrTenths === null ? null : snrTenths / 10, modulation.spreadingFactor);
    if (margin !== null) life.margins.push(margin);
  }
  return [...byLife.values()].map(({ counters, margins }) => {
    const numbers = [...counters];
    const span = numbers.reduce((most, n) => Math.max(most, n), 0) - numbers.reduce((a, b) => Math.min(a, b));
    return { heard: counters.size, expected: span + 1, medianMarginDb: median(margins) };
  });
}

// Which channel plan do a gateway's packets speak of, and on what was it heard?

export interface HeardPlan {
  readonly heard: readonly HeardChannel[];
  readonly recognition: RegionRecognition;
}

/** `ownPlans`: channel plans of the user's own, judged beside the regions. */
export function heardPlan(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  ownPlans: readonly RegionPlan[],
): HeardPlan {
  const names = JSON.stringify(ownPlans.map(({ name }) => name));
  return onceAnAnswer(store, window, `plan ${gatewayId} ${names}`, () =>
    findPlan(store, gatewayId, window, ownPlans),
  );
}

function findPlan(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  ownPlans: readonly RegionPlan[],
): HeardPlan {
  const heard = heardChannels(store, gatewayId, window).map(
    ({ frequencyHz, dataRate, codingRate, size, count }) => ({
      frequencyHz,
      modulation: modulationFromCodes(dataRate, codingRate),
      payloadBytes: size,
      count,
    }),
  );
  return { heard, recognition: recogniseRegion(heard, ownPlans) };
}
