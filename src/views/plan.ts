/** What stands where on the site, which ways were heard between, and how does loss grow with distance there? */

import type { PlanLink, PlanThing, PlanView, Sentence } from "../contract/index.ts";
import { type LinkFrame, marginOf } from "../diagnosis/link-frame.ts";
import { distanceWords, geometryOf } from "../diagnosis/link-geometry.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { fromTenths, rounded } from "../model/rounding.ts";
import { isoTime } from "../model/time-range.ts";
import { fitLogDistance, type LogDistanceFit, MIN_FACTOR, MIN_LINKS, planPoint } from "../radio/geometry.ts";

import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { allLives, type LifeRecord, labels, type WayHearings, wayHearings } from "../store/queries/lives.ts";
import { decibel, figure, withUnit } from "../words/format.ts";
import { homeNetworksOf, isStranger } from "./home-networks.ts";
import { type Places, type PowerOfRegion, placesOf, regionPowers } from "./user-data.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MAX_UNPLACED = 200;
/** An exponent that may lie anywhere in a wider range is none (chosen). */
const MAX_DOUBT = 4;

export function planView(store: Store, window: AskedWindow, ownPlans: readonly RegionPlan[]): PlanView {
  const places = placesOf(store);
  const gateways = allGateways(store);
  const names = { gateway: labels(store, "gateway"), node: labels(store, "node") };
  const lives = allLives(store);
  const newest = newestLives(lives, window);
  const things: PlanThing[] = [];
  const unplaced: PlanView["unplaced"] = [];
  const put = (kind: PlanThing["kind"], id: string, life: number | null, lastAtUs: number | null) => {
    const name = names[kind].get(id)?.name ?? null;
    const row = places.of(kind, id);
    const point = row === null ? null : planPoint(row, places.anchor);
    if (point !== null)
      things.push({
        kind,
        id,
        name,
        life,
        eastM: rounded(point.eastM, 1),
        northM: rounded(point.northM, 1),
        heightM: row?.heightM ?? null,
      });
    else if (lastAtUs !== null && lastAtUs >= window.fromUs)
      unplaced.push({
        kind,
        id,
        name,
        why:
          row === null
            ? "no position is given"
            : "it is given in degrees and others in metres: give one thing in both",
        lastHeard: isoTime(lastAtUs),
      });
  };
  for (const gateway of gateways) put("gateway", gateway.eui, null, gateway.lastAtUs);
  const home = homeNetworksOf(lives, names.node);
  for (const [devAddr, life] of newest) {
    const isOwn = !isStranger(devAddr, names.node.get(devAddr), home);
    if (isOwn || places.of("node", devAddr) !== null) put("node", devAddr, life.number, life.lastAtUs);
  }
  const placed = [...newest.values()].filter(
    (life) => places.of("node", formatDevAddr(life.devAddr)) !== null,
  );
  const hearings = wayHearings(
    store,
    window,
    placed.map(({ id }) => id),
  );
  const power = regionPowers(store, window, ownPlans);
  const links = hearings.flatMap((way): PlanLink[] => {
    const life = placed.find(({ id }) => id === way.lifeId);
    const gateway = gateways.find(({ id }) => id === way.gatewayId);
    return life === undefined || gateway === undefined
      ? []
      : linkOf(way, life, gateway.eui, places, power(gateway.id));
  });
  const fit = fitLogDistance(
    links.flatMap(({ distanceM, pathLossDb }) =>
      pathLossDb === null ? [] : [{ distanceM, lossDb: pathLossDb }],
    ),
  );
  unplaced.sort((a, b) => (b.lastHeard ?? "").localeCompare(a.lastHeard ?? ""));
  return {
    window: windowView(window),
    sentence: sentenceOf(things, links),
    things,
    links,
    fit,
    fitWords: fitWords(fit, links),
    powerWords: powerWords(
      places,
      links,
      gateways.map(({ id }) => power(id)),
    ),
    unplaced: unplaced.slice(0, MAX_UNPLACED),
    positions: [...places.rows],
  };
}

/** The newest life of each address that was heard in the window or before it ends. */
function newestLives(lives: readonly LifeRecord[], window: AskedWindow): Map<string, LifeRecord> {
  const newest = new Map<string, LifeRecord>();
  for (const life of lives) {
    if (life.firstAtUs >= window.toUs) continue;
    const devAddr = formatDevAddr(life.devAddr);
    const known = newest.get(devAddr);
    if (known === undefined || life.firstAtUs > known.firstAtUs) newest.set(devAddr, life);
  }
  return newest;
}

function linkOf(
  way: WayHearings,
  life: LifeRecord,
  gatewayEui: string,
  places: Places,
  power: PowerOfRegion,
): PlanLink[] {
  const devAddr = formatDevAddr(life.devAddr);
  const distanceM = places.distanceM(devAddr, gatewayEui);
  if (distanceM === null) return [];
  const frames = way.dataRate.map((dataRate, i) => frameOf(way, dataRate, i));
  const geometry = geometryOf({
    frames,
    distanceM,
    eirpDbm: places.of("node", devAddr)?.eirpDbm ?? null,
    regionEirpDbm: power.eirpDbm,
    regionName: power.name,
    antennaGainDbi: places.of("gateway", gatewayEui)?.antennaGainDbi ?? null,
  });
  if (geometry === null) return [];
  const margin = median(frames.flatMap((frame) => marginOf(frame) ?? []));
  return [
    {
      devAddr,
      life: life.number,
      gatewayEui,
      frames: frames.length,
      marginMedianDb: rounded(margin, 1),
      distanceM: geometry.distanceM,
      pathLossDb: geometry.pathLossDb,
      freeSpaceLossDb: geometry.freeSpaceLossDb,
      excessDb: geometry.excessDb,
    },
  ];
}

function frameOf(way: WayHearings, dataRate: number, i: number): LinkFrame {
  const modulation = modulationFromCodes(dataRate, 0);
  const isLora = modulation.kind === "lora";
  return {
    atUs: i,
    counter: 0,
    spreadingFactor: isLora ? modulation.spreadingFactor : null,
    bandwidthHz: isLora ? modulation.bandwidthHz : null,
    frequencyHz: way.frequencyHz[i] ?? null,
    snrDb: fromTenths(way.snrTenths[i] ?? null),
    rssiDbm: fromTenths(way.rssiTenths[i] ?? null),
    signalRssiDbm: fromTenths(way.signalRssiTenths[i] ?? null),
    frequencyOffsetHz: null,
  };
}

function sentenceOf(things: readonly PlanThing[], links: readonly PlanLink[]): Sentence {
  if (things.length === 0) return [{ text: "No position is known yet: say where gateways and nodes stand." }];
  const count = (kind: PlanThing["kind"], word: string) => {
    const many = things.filter((thing) => thing.kind === kind).length;
    return `${many} ${word}${many === 1 ? "" : "s"}`;
  };
  const start = `${count("gateway", "gateway")} and ${count("node", "node")} have a place`;
  const longest = [...links].sort((a, b) => b.distanceM - a.distanceM)[0];
  if (longest === undefined) return [{ text: `${start}; no way between them was heard in this window.` }];
  return [
    { text: `${start}; the longest way that was heard is ` },
    { text: distanceWords(longest.distanceM), href: `/nodes/${longest.devAddr}/${longest.life}` },
    { text: longest.marginMedianDb === null ? "." : `, at ${decibel(longest.marginMedianDb)} margin.` },
  ];
}

function fitWords(fit: LogDistanceFit | null, links: readonly PlanLink[]): string {
  if (fit === null) {
    const usable = links.filter(({ pathLossDb }) => pathLossDb !== null).length;
    return `Not enough to say how loss grows with distance: ${usable} of ${MIN_LINKS} ways with a loss, their distances a factor of ${MIN_FACTOR} apart, are needed.`;
  }
  const [low, high] = fit.exponentInterval95;
  if (high - low > MAX_DOUBT)
    return `Not enough to say how loss grows with distance: these ${fit.links} ways scatter by ${decibel(fit.sigmaDb)}, and any power from ${figure(low, 2)} to ${figure(high, 2)} would do.`;
  return `Loss grows with distance to the power ${figure(fit.exponent, 2)} (95\u202F% interval ${figure(low, 2)} to ${figure(high, 2)}; free space has 2), ${withUnit(fit.referenceLossDb, 0, "dB")} at ${distanceWords(fit.referenceDistanceM)}, scatter ${decibel(fit.sigmaDb)}. It holds from ${distanceWords(fit.fromM)} to ${distanceWords(fit.toM)} and no farther: no coverage follows from it.`;
}

function powerWords(places: Places, links: readonly PlanLink[], powers: readonly PowerOfRegion[]): string {
  const without = links.filter(({ devAddr }) => (places.of("node", devAddr)?.eirpDbm ?? null) === null);
  if (links.length === 0) return "No loss is reckoned yet.";
  if (without.length === 0) return "Losses rest on the EIRP that was given for each node.";
  const region = powers.find(({ eirpDbm }) => eirpDbm !== null);
  return region === undefined
    ? "Where no EIRP is given no loss is reckoned: no region was recognised."
    : `Where no EIRP is given, ${withUnit(region.eirpDbm ?? 0, 0, "dBm")} is taken, the most of ${region.name}: nodes that send with less look farther than they are.`;
}
