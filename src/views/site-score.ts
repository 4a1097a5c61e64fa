/** What the score of a site draws beside what its view says anyway: loud channels, and the margins of some nodes. */

import type { GatewayRow, NodeRow, SiteScore } from "../contract/index.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { NOISE_SNR_MOST_DB, noiseSample, type TimedNoise } from "../radio/noise.ts";
import { type LoudNoise, loudNoise } from "../radio/noise-pulse.ts";
import { median } from "../statistics/robust.ts";
import { FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import { newestReceptionsFromUs, type WeakReading, weakReadings } from "../store/queries/air.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { lifeSpans } from "../store/queries/lives.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { marginDb } from "./node-levels.ts";
import { type AskedWindow, knownUntilUs, rowsPart } from "./window.ts";

const MAX_LANES = 6;
/** Bins of a lane: each some pixels wide on the widest screen, and with frames in most of them. Chosen. */
const NOISE_BINS = 96;
const MARGIN_BINS = 240;
/** Receptions that noise and channels are judged by. Chosen as for the air: a moving window is asked for again and again. */
const MAX_LIVE = 6_000;
const MAX_FIXED = 20_000;

/** `attention`: the nodes whose margins are asked for; `framesOf`: their frames, by row id of the life. */
export function siteScore(
  store: Store,
  window: AskedWindow,
  gateways: readonly GatewayRow[],
  attention: readonly NodeRow[],
  framesOf: ReadonlyMap<number, FrameSeries>,
): SiteScore {
  return {
    noise: noiseLanes(store, window, gateways),
    margins: marginLanes(store, window, attention, framesOf),
  };
}

/** A loud time in the form of the contract. */
export function loudRow({ fromUs, toUs, beginSeen, endSeen, riseDb }: LoudNoise) {
  return { from: isoTime(fromUs), to: isoTime(toUs), beginSeen, endSeen, riseDb };
}

/** What a weak packet tells of the noise of its channel. */
export interface WeakNoise extends TimedNoise, Pick<WeakReading, "gatewayId" | "frequencyHz" | "isRight"> {}

/** The newest receptions of a window, as many as are read one by one; and what the weak ones tell, by time. */
export function newestOfSite(
  store: Store,
  window: AskedWindow,
): { readonly stretch: TimeRange; readonly noise: readonly WeakNoise[] } {
  return onceAnAnswer(store, window, "newest of site", () => {
    const fromUs = newestReceptionsFromUs(store, rowsPart(window), window.live ? MAX_LIVE : MAX_FIXED);
    const stretch = { fromUs, toUs: window.toUs };
    const noise = weakReadings(store, stretch, NOISE_SNR_MOST_DB, heardHours(store, window)).flatMap(
      (reading): WeakNoise[] => {
        const { atUs, gatewayId, frequencyHz, isRight, rssiDbm, snrDb } = reading;
        const sample = noiseSample(rssiDbm, snrDb);
        return sample === null ? [] : [{ atUs, gatewayId, frequencyHz, isRight, ...sample }];
      },
    );
    return { stretch, noise };
  });
}

function noiseLanes(store: Store, window: AskedWindow, gateways: readonly GatewayRow[]): SiteScore["noise"] {
  const readings = newestOfSite(store, window).noise.filter(({ isRight }) => isRight);
  const euis = new Map(allGateways(store).map(({ id, eui }) => [id, eui]));
  const names = new Map(gateways.map(({ eui, name }) => [eui, name]));
  const channels = groupBy(readings, ({ gatewayId, frequencyHz }) => `${gatewayId}/${frequencyHz}`);
  const lanes: SiteScore["noise"] = [];
  for (const own of channels.values()) {
    const [first] = own;
    const gatewayEui = euis.get(first?.gatewayId ?? 0);
    if (first === undefined || gatewayEui === undefined || !names.has(gatewayEui)) continue;
    const loud = loudNoise(own);
    if (loud === null) continue;
    lanes.push({
      gatewayEui,
      gatewayName: names.get(gatewayEui) ?? null,
      frequencyHz: first.frequencyHz,
      fromMs: window.fromUs / 1000,
      binSeconds: (window.toUs - window.fromUs) / NOISE_BINS / 1e6,
      dbm: mediansOf(own, window),
      loud: loudRow(loud),
    });
  }
  return lanes
    .sort(
      (a, b) =>
        b.loud.riseDb - a.loud.riseDb ||
        a.frequencyHz - b.frequencyHz ||
        a.gatewayEui.localeCompare(b.gatewayEui),
    )
    .slice(0, MAX_LANES);
}

function mediansOf(samples: readonly TimedNoise[], { fromUs, toUs }: TimeRange): (number | null)[] {
  const bins: number[][] = Array.from({ length: NOISE_BINS }, () => []);
  const binUs = (toUs - fromUs) / NOISE_BINS;
  for (const { atUs, noiseDbm } of samples) bins[Math.floor((atUs - fromUs) / binUs)]?.push(noiseDbm);
  return bins.map((values) => (values.length === 0 ? null : rounded(median(values) ?? 0, 1)));
}

function marginLanes(
  store: Store,
  window: AskedWindow,
  attention: readonly NodeRow[],
  framesOf: ReadonlyMap<number, FrameSeries>,
): SiteScore["margins"] {
  const asked = new Map(attention.map((row) => [`${row.devAddr}/${row.life}`, row]));
  const lives = new Map<number, NodeRow>();
  for (const life of lifeSpans(store, knownUntilUs(window)).values()) {
    const row = asked.get(`${formatDevAddr(life.devAddr)}/${life.number}`);
    if (row !== undefined) lives.set(life.id, row);
  }
  const binUs = Math.max(1, Math.ceil((window.toUs - window.fromUs) / MARGIN_BINS));
  return [...lives].map(([lifeId, { devAddr, life }]) => ({
    devAddr,
    life,
    fromMs: window.fromUs / 1000,
    binSeconds: binUs / 1e6,
    marginDb: binnedMargins(framesOf.get(lifeId) ?? new FrameSeries(), window.fromUs, binUs),
  }));
}

/** Mean margin in bins, each frame at its best gateway; null without frames. */
function binnedMargins(
  { length, atUs, dataRate, snrTenths }: FrameSeries,
  fromUs: number,
  binUs: number,
): (number | null)[] {
  const rates = new Map<number, { readonly snrTenths: Float64Array; readonly frames: Uint32Array }>();
  for (let i = 0; i < length; i++) {
    const snr = snrTenths[i] ?? NO_LEVEL;
    const bin = Math.floor(((atUs[i] ?? 0) - fromUs) / binUs);
    if (snr === NO_LEVEL || bin >= MARGIN_BINS) continue;
    let sums = rates.get(dataRate[i] ?? 0);
    if (sums === undefined) {
      sums = { snrTenths: new Float64Array(MARGIN_BINS), frames: new Uint32Array(MARGIN_BINS) };
      rates.set(dataRate[i] ?? 0, sums);
    }
    sums.snrTenths[bin] = (sums.snrTenths[bin] ?? 0) + snr;
    sums.frames[bin] = (sums.frames[bin] ?? 0) + 1;
  }
  return Array.from({ length: MARGIN_BINS }, (_, bin) => {
    let margins = 0;
    let counted = 0;
    for (const [rate, sums] of [...rates].sort(([a], [b]) => a - b)) {
      const frames = sums.frames[bin] ?? 0;
      const margin = frames === 0 ? null : marginDb((sums.snrTenths[bin] ?? 0) / frames, rate);
      if (margin === null) continue;
      margins += margin * frames;
      counted += frames;
    }
    return counted === 0 ? null : rounded(margins / counted, 1);
  });
}
