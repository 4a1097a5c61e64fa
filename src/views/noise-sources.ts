/** How did a noise that was found (noise-found.ts) behave, and at which gateway was it strongest? */
import type { NoiseSource } from "../contract/others-on-air.ts";
import { placeWords, sourceWords, walkWords } from "../diagnosis/others-sentences.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { linkDistanceM } from "../radio/geometry.ts";
import {
  levelOf,
  type NoisePlace,
  type NoiseTime,
  noisePlace,
  type PlaceGateway,
} from "../radio/noise-place.ts";
import { believed, isOnTime } from "../radio/noise-pulse.ts";
import { median } from "../statistics/robust.ts";
import type { GatewayEvidence } from "./air-evidence.ts";
import { type Found, foundOf, type NoiseGateway, otherLevel } from "./noise-found.ts";
import type { Places } from "./user-data.ts";

const MAX_SOURCES = 12;
const LEAST_HOUR_SAMPLES = 5;
/** A gateway that heard at least this share of its usual packets on other channels was there. Chosen. */
const ALIVE_SHARE = 0.5;

/** Returns what stood out within `stretch`, strongest first. */
export function noiseSources(
  gateways: readonly NoiseGateway[],
  stretch: TimeRange,
  places: Places,
): NoiseSource[] {
  return foundOf(gateways, stretch)
    .sort((a, b) => b.riseDb - a.riseDb)
    .slice(0, MAX_SOURCES)
    .map((found) => sourceOf(found, gateways, stretch, places));
}

function timeOf({ kind, range, pulse }: Found, stretch: TimeRange): NoiseTime {
  const { fromUs, toUs } = range;
  const isWithin = (atUs: number) => atUs >= fromUs && atUs <= toUs;
  if (kind === "pulsed" && pulse !== null) {
    const edgeUs = 0.05 * pulse.periodUs;
    const spanUs = toUs - fromUs;
    return {
      fromUs,
      toUs,
      isOn: (atUs) => isWithin(atUs) && isOnTime(pulse, atUs, true),
      isOff: (atUs) => !isOnTime(pulse, atUs - edgeUs) && !isOnTime(pulse, atUs + edgeUs),
      onUs: (pulse.onShare > 0.15 ? pulse.onShare - 2 / 24 : pulse.onShare) * spanUs,
      offUs: stretch.toUs - stretch.fromUs - (pulse.onShare + 0.1) * spanUs,
    };
  }
  const guardUs = 60e6 + 0.05 * (toUs - fromUs);
  return {
    fromUs,
    toUs,
    isOn: isWithin,
    isOff: (atUs) => atUs < fromUs - guardUs || atUs > toUs + guardUs,
    onUs: toUs - fromUs,
    offUs: Math.max(0, fromUs - guardUs - stretch.fromUs) + Math.max(0, stretch.toUs - toUs - guardUs),
  };
}

function sourceOf(
  found: Found,
  gateways: readonly NoiseGateway[],
  stretch: TimeRange,
  places: Places,
): NoiseSource {
  const { kind, frequenciesHz, pulse, range } = found;
  const time = timeOf(found, stretch);
  const compared = gateways.flatMap(({ eui, evidence }): PlaceGateway[] => {
    const channels = frequenciesHz.flatMap((hz) => evidence.channels.get(hz) ?? []);
    // One that never heard anything there does not listen there.
    if (channels.length === 0) return [];
    return [
      {
        eui,
        channels: channels.map(({ frequencyHz, noise, drowning }) => ({
          frequencyHz,
          samples: believed(noise),
          drowning,
        })),
        antennaGainDbi: places.of("gateway", eui)?.antennaGainDbi ?? null,
        quietDbm: kind === "standing" ? otherLevel(evidence, frequenciesHz) : null,
        isAlive: isAlive(evidence, frequenciesHz, time),
      },
    ];
  });
  const place = noisePlace(compared, time);
  const titles = new Map(gateways.map(({ eui, name }) => [eui, name ?? eui]));
  const titleOf = (eui: string) => titles.get(eui) ?? eui;
  const shownAt = gateways.find(({ eui }) => eui === found.eui);
  const source = {
    kind,
    from: isoTime(range.fromUs),
    to: isoTime(range.toUs),
    beginSeen: found.beginSeen,
    endSeen: found.endSeen,
    frequenciesHz: [...frequenciesHz],
    width: shownAt === undefined ? ("open" as const) : widthOf(shownAt.evidence, found, time),
    course: {
      verdict: found.course,
      periodSeconds: pulse === null ? null : rounded(pulse.periodUs / 1e6, 2),
      onShare: pulse === null ? null : rounded(pulse.onShare, 3),
      p: pulse === null ? null : pulse.p,
    },
  };
  return {
    ...source,
    loudestHours: shownAt === undefined ? [] : loudestHours(shownAt.evidence, frequenciesHz),
    gateways: place.gateways.map((one) => ({
      gatewayEui: one.eui,
      gatewayName: gateways.find(({ eui }) => eui === one.eui)?.name ?? null,
      status: one.status,
      frequencyHz: one.frequencyHz,
      samples: one.samples,
      quietDbm: rounded(one.quietDbm, 1),
      loudDbm: rounded(one.loudDbm, 1),
      riseDb: rounded(one.riseDb, 1),
      riseInterval95:
        one.riseInterval === null ? null : [rounded(one.riseInterval[0], 1), rounded(one.riseInterval[1], 1)],
      receivedDbm: rounded(one.receivedDbm, 1),
    })),
    place: {
      verdict: place.verdict,
      gatewayEui: place.eui,
      differenceDb: rounded(place.differenceDb, 1),
      lowDb: rounded(place.lowDb, 1),
      highDb: rounded(place.highDb, 1),
      words: placeWords(place, titleOf),
    },
    walk: walkOf(place, places, titleOf),
    words: sourceWords(source, rounded(found.riseDb, 1), titleOf(found.eui)),
  };
}

function isAlive({ channels }: GatewayEvidence, without: readonly number[], time: NoiseTime): boolean {
  let heard = 0;
  let usual = 0;
  for (const { frequencyHz, drowning } of channels.values()) {
    if (without.includes(frequencyHz)) continue;
    for (const { atUs } of drowning) {
      if (time.isOn(atUs)) heard += 1;
      else if (time.isOff(atUs)) usual += 1;
    }
  }
  const expected = time.offUs > 0 ? (usual * time.onUs) / time.offUs : 0;
  return expected >= 5 && heard >= ALIVE_SHARE * expected;
}

/** Over which channels of one gateway did the noise rise meanwhile? Judged only where enough frames show it. */
function widthOf({ channels }: GatewayEvidence, found: Found, time: NoiseTime): NoiseSource["width"] {
  if (found.kind === "standing") return channels.size > 1 ? "one channel" : "open";
  let raised = 0;
  let calm = 0;
  let unknown = 0;
  for (const channel of channels.values()) {
    const samples = believed(channel.noise);
    const on = levelOf(samples.filter(({ atUs }) => time.isOn(atUs)));
    const off = levelOf(samples.filter(({ atUs }) => time.isOff(atUs)));
    const rise = on === null || off === null ? null : on.dbm - off.dbm;
    const half = 1.96 * Math.hypot(on?.error ?? 0, off?.error ?? 0);
    if (rise !== null && rise >= 3 && rise - half > 1) raised += 1;
    else if (rise !== null && rise + half < 3) calm += 1;
    else unknown += 1;
  }
  if (raised + calm < 2 || unknown > raised + calm) return "open";
  if (calm === 0) return "all channels";
  return raised > 1 ? "several channels" : unknown === 0 ? "one channel" : "open";
}

function loudestHours({ channels }: GatewayEvidence, frequenciesHz: readonly number[]) {
  const hours: number[][] = Array.from({ length: 24 }, () => []);
  for (const hz of frequenciesHz)
    for (const { atUs, noiseDbm } of channels.get(hz)?.noise ?? [])
      hours[Math.floor(atUs / 3.6e9) % 24]?.push(noiseDbm);
  return hours
    .flatMap((levels, hour) => {
      const medianDbm = levels.length < LEAST_HOUR_SAMPLES ? null : median(levels);
      return medianDbm === null ? [] : [{ hour, medianDbm: rounded(medianDbm, 1), samples: levels.length }];
    })
    .sort((a, b) => b.medianDbm - a.medianDbm)
    .slice(0, 3);
}

function walkOf(place: NoisePlace, places: Places, titleOf: (eui: string) => string): NoiseSource["walk"] {
  const { verdict, eui, weakestEui } = place;
  if (verdict !== "strongest" || eui === null || weakestEui === null) return null;
  const [from, towards] = [places.of("gateway", weakestEui), places.of("gateway", eui)];
  const distanceM = from === null || towards === null ? null : linkDistanceM(from, towards, places.anchor);
  if (distanceM === null || !(distanceM > 0)) return null;
  return {
    fromEui: weakestEui,
    towardsEui: eui,
    distanceM: Math.round(distanceM),
    words: walkWords(titleOf(weakestEui), titleOf(eui), distanceM),
  };
}
