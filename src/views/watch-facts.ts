/** What does the store know of that which is watched? The facts of diagnosis/watches.ts, over the last hour. */
import type { NoiseFact, StoredWatchFacts } from "../diagnosis/watches.ts";
import type { Store } from "../store/open.ts";
import { clockStepsUs } from "../store/recorded-time.ts";
import { airView } from "./air.ts";
import { gapsOfWindow, NOT_JUDGED } from "./gaps.ts";
import { siteHealth } from "./health.ts";
import { askedWindow } from "./window.ts";

/** Limits of loss are of an hour. */
const WINDOW_SECONDS = 3_600;
/** A rise of noise is told from the hours before, too. Chosen: a working day's half. */
const NOISE_SECONDS = 6 * 3_600;

/** `withNoise`: the noise of the channels too, which takes longer; without it there is none. */
export function watchFacts(store: Store, withNoise: boolean, systemUs: number): StoredWatchFacts {
  const window = askedWindow(store, { last: WINDOW_SECONDS }, systemUs);
  const { episodes, gaps } = gapsOfWindow(store, window);
  const own = gaps.filter(({ episode, stranger }) => episode === null && !stranger);
  return {
    health: siteHealth(store, window, { gateways: [], nodes: [] }),
    findings: [...episodes, ...own]
      .filter(({ finding }) => finding.sentence !== NOT_JUDGED)
      .map(({ id, from, finding: { cause, sentence } }) => ({
        id,
        cause,
        fromUs: Date.parse(from) * 1000,
        sentence,
      })),
    noise: withNoise ? risingNoise(store, systemUs) : [],
    clockStepsUs: clockStepsUs(store, window.fromUs),
  };
}

function risingNoise(store: Store, systemUs: number): NoiseFact[] {
  const { channels } = airView(store, askedWindow(store, { last: NOISE_SECONDS }, systemUs));
  return channels.flatMap(({ gatewayEui, gatewayName, frequencyHz, noiseTrend }) =>
    noiseTrend.verdict === "rises" && noiseTrend.changeDb !== null
      ? [{ gateway: gatewayName ?? gatewayEui, frequencyHz, riseDb: noiseTrend.changeDb }]
      : [],
  );
}
