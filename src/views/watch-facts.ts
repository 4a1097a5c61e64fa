/** What does the store know of that which is watched? The facts of diagnosis/watches.ts, over the last hour. */
import type { NoiseFact, StoredWatchFacts } from "../diagnosis/watches.ts";
import type { Store } from "../store/open.ts";
import { clockStepsUs } from "../store/recorded-time.ts";
import type { CauseWord } from "../words/causes.ts";
import { airView } from "./air.ts";
import { gapsOfWindow, NOT_JUDGED } from "./gaps.ts";
import { siteHealth } from "./health.ts";
import { askedWindow } from "./window.ts";

/** Limits of loss are of an hour. */
const WINDOW_SECONDS = 3_600;
/** Noise is compared with the hours before: what lasts longer is how the channel is now. Chosen: half a working day. */
const NOISE_SECONDS = 6 * 3_600;

/** Causes at the node itself or on its own way; all others strike what shares a gateway or the air. */
const OF_ONE_NODE: ReadonlySet<CauseWord> = new Set([
  "node-silent",
  "node-restarted",
  "rejoin-loop",
  "weak-link",
  "channel-mismatch",
  "shared-address",
]);

/** `withNoise`: the noise of the channels too, which takes longer; without it there is none. */
export function watchFacts(store: Store, withNoise: boolean, systemUs: number): StoredWatchFacts {
  const window = askedWindow(store, { last: WINDOW_SECONDS }, systemUs);
  const { episodes, gaps } = gapsOfWindow(store, window);
  const own = gaps.filter(({ episode, stranger }) => episode === null && !stranger);
  return {
    health: siteHealth(store, window, { gateways: [], nodes: [] }),
    findings: [...episodes, ...own]
      .filter(({ finding }) => finding.sentence !== NOT_JUDGED)
      .map((gap) => {
        const { cause, sentence } = gap.finding;
        const node = "devAddr" in gap && OF_ONE_NODE.has(cause) ? gap.devAddr : null;
        return {
          id: gap.id,
          cause,
          where: gap.gateway ?? node,
          fromUs: Date.parse(gap.from) * 1000,
          sentence,
        };
      }),
    noise: withNoise ? risingNoise(store, systemUs) : [],
    clockStepsUs: clockStepsUs(store, window.fromUs),
  };
}

/** Channels whose noise rises over the window, or has risen for a time that is not over: a sudden rise is no trend. */
function risingNoise(store: Store, systemUs: number): NoiseFact[] {
  const { channels } = airView(store, askedWindow(store, { last: NOISE_SECONDS }, systemUs));
  return channels.flatMap(({ gatewayEui, gatewayName, frequencyHz, noiseTrend }) => {
    const { verdict, changeDb, loud } = noiseTrend;
    const slowDb = verdict === "rises" ? (changeDb ?? 0) : 0;
    const suddenDb = loud === null || loud.endSeen ? 0 : loud.riseDb;
    const riseDb = Math.max(slowDb, suddenDb);
    return riseDb > 0 ? [{ gateway: gatewayName ?? gatewayEui, frequencyHz, riseDb }] : [];
  });
}
