/** How is the effect of a mark answered? Figures, sentences, and what else happened near it. */

import { MAX_EFFECT_DAYS, type MarkEffect } from "../../contract/trials.ts";
import type { MarkRow } from "../../contract/user-data.ts";
import {
  EFFECT_CAUTION,
  type EffectLimit,
  effectNeeded,
  effectSentence,
  methodSentences,
  TRIAL_CAUTION,
} from "../../diagnosis/trials/sentences.ts";
import { MIN_COUNTERS } from "../../diagnosis/trials/sequential-delivery.ts";
import { LIMITS, verdictOf } from "../../diagnosis/trials/verdict.ts";
import { intersect, isoTime, type TimeRange, totalUs } from "../../model/time-range.ts";
import { DAY_US } from "../../statistics/robust.ts";
import type { Store } from "../../store/open.ts";
import { placements } from "../../store/placements.ts";
import type { GatewayRecord } from "../../store/queries/gateways.ts";
import { labels } from "../../store/queries/lives.ts";
import { type MarkRecord, marksIn } from "../../store/user-data.ts";
import { duration, listed } from "../../words/format.ts";
import { markRows } from "../user-data.ts";
import { outlookOf } from "./answer.ts";
import { intervalOf, type Judged, SHARE_DIGITS } from "./groups.ts";
import { MAX_FRAMES } from "./shared-frames.ts";

const MAX_OTHER_MARKS = 20;
/** Of other marks, those named in the sentence. */
const MAX_NAMED = 5;

export interface Sides {
  readonly before: TimeRange;
  readonly after: TimeRange;
  readonly limit: EffectLimit;
  /** So much longer both sides could grow with what is yet to be recorded, microseconds. */
  readonly roomUs: number;
}

export interface Joint {
  readonly gateways: readonly GatewayRecord[];
  readonly leftOut: readonly GatewayRecord[];
  /** When all of them were recorded and reachable. */
  readonly compared: readonly TimeRange[];
}

export function beginningWithin(store: Store, times: readonly TimeRange[]) {
  const from = Math.min(...times.map(({ fromUs }) => fromUs));
  const to = Math.max(...times.map(({ toUs }) => toUs));
  return placements(store).filter(({ fromUs }) => fromUs > from && fromUs < to);
}

interface Found {
  readonly mark: MarkRecord;
  readonly chosen: string | null;
  readonly sides: Sides;
  readonly joint: Joint;
  readonly compared: readonly TimeRange[];
  readonly judged: Judged;
  readonly known: readonly GatewayRecord[];
  readonly heard: ReadonlyMap<number, number>;
}

const EFFECTS = {
  a: "better",
  b: "worse",
  "no difference": "no difference",
  "not enough": "not enough",
} as const;

export function answerOf(store: Store, found: Found): MarkEffect {
  const { mark, chosen, sides, joint, compared, judged, known, heard } = found;
  const names = labels(store, "gateway");
  const named = ({ eui }: { readonly eui: string }) => ({ eui, name: names.get(eui)?.name ?? null });
  const { differences } = judged;
  const verdict = verdictOf(differences);
  const [row] = markRows(store, [mark]);
  if (row === undefined) throw new RangeError("A mark that is there has a row.");
  const plain = outlookOf(judged, verdict, () => nothingWords(found));
  // Both sides grow while one waits.
  const wait = plain.minutesStillNeeded === null ? null : plain.minutesStillNeeded / 2;
  const canWait = wait !== null && wait * 60e6 <= sides.roomUs;
  const isUntold = differences.snr === null && differences.delivery === null;
  const neededWords =
    plain.enough || isUntold
      ? plain.neededWords
      : effectNeeded(
          plain.framesStillNeeded,
          canWait ? wait : null,
          sides.limit,
          totalUs([sides.before]) >= MAX_EFFECT_DAYS * DAY_US - 1,
        );
  const gateway = chosen === null ? null : named({ eui: chosen });
  const comparedUs = (time: TimeRange) => totalUs(intersect(compared, [time]));
  const otherMarks = markRows(store, othersNear(store, mark, [sides.before, sides.after]));
  return {
    mark: row,
    a: sideOf("after", sides.after, comparedUs(sides.after)),
    b: sideOf("before", sides.before, comparedUs(sides.before)),
    paired: false,
    sentence: effectSentence({
      mark: mark.text,
      subject:
        mark.devAddr !== null
          ? (row.nodeName ?? mark.devAddr)
          : gateway === null
            ? "the site"
            : (gateway.name ?? gateway.eui),
      isNode: mark.devAddr !== null,
      verdict,
      differences,
      needed: neededWords,
    }),
    effect: EFFECTS[verdict],
    verdict,
    snrDifferenceDb: intervalOf(differences.snr),
    deliveryDifference: intervalOf(differences.delivery, SHARE_DIGITS),
    ...plain,
    minutesStillNeeded: plain.enough ? 0 : canWait && wait !== null ? Math.ceil(wait) : null,
    neededWords,
    limits: LIMITS,
    ...judged.parts(),
    gateways: joint.gateways.map(named),
    gatewaysLeftOut: joint.leftOut.map(named),
    choices: known.filter(({ id }) => heard.has(id)).map(named),
    limitedBy: sides.limit,
    lengthWords: lengthWords(sides, comparedUs),
    otherMarks,
    reservations: [
      ...judged.reservations,
      ...otherWords(otherMarks, mark),
      ...placementWords(store, found),
      ...leftOutWords(joint.leftOut.map((one) => named(one).name ?? one.eui)),
      ...(judged.frames > 0 && mark.devAddr !== null
        ? ["One node alone: what holds for it need not hold for others."]
        : []),
    ],
    method: methodSentences(false),
    caution: `${EFFECT_CAUTION} ${TRIAL_CAUTION}`,
  };
}

function sideOf(name: "before" | "after", { fromUs, toUs }: TimeRange, comparedUs: number) {
  return { name, from: isoTime(fromUs), to: isoTime(toUs), comparedSeconds: Math.round(comparedUs / 1e6) };
}

/** Why nothing is said at all. */
function nothingWords({ sides, joint, judged, mark }: Found): string {
  if (totalUs([sides.before]) === 0)
    return sides.limit === "recorded before"
      ? "nothing was recorded before the mark."
      : "nothing was recorded since the mark.";
  if (joint.gateways.length === 0)
    return "no gateway was recorded, reachable and heard something on both sides of the mark.";
  if (judged.frames === 0)
    return mark.devAddr === null
      ? "no node was heard both before and after the mark."
      : "the node was not heard both before and after the mark.";
  return `no node sent ${MIN_COUNTERS} frames at one data rate both before and after the mark.`;
}

const LIMIT_WORDS: Readonly<Record<EffectLimit, string>> = {
  "recorded before": "as far back as was recorded before it",
  "recorded after": "as long as was recorded since",
  days: "no longer, as asked",
  frames: `no longer, since a comparison takes in ${MAX_FRAMES / 2} frames a side`,
};

function lengthWords({ before, after, limit }: Sides, comparedUs: (time: TimeRange) => number): string {
  const lengthUs = totalUs([before]);
  const length = duration(lengthUs / 1e6);
  const why =
    limit === "days" && lengthUs >= MAX_EFFECT_DAYS * DAY_US - 1
      ? "the longest that is compared"
      : LIMIT_WORDS[limit];
  const [of, other] = [comparedUs(before), comparedUs(after)];
  const isWhole = of + other >= 2 * lengthUs * 0.999;
  const rest = isWhole
    ? ""
    : ` Compared are ${duration(of / 1e6)} and ${duration(other / 1e6)} of them: the rest was not recorded, or a gateway was unreachable.`;
  return `${length} before the mark with ${length} after it, ${why}.${rest}`;
}

/** Other notes on either side or amid the mark's own time, the nearest first. Stops of a walk test are none. */
function othersNear(
  store: Store,
  mark: MarkRecord,
  [before, after]: readonly [TimeRange, TimeRange],
): MarkRecord[] {
  const distance = ({ atUs }: MarkRecord) => Math.abs(atUs - mark.atUs);
  return marksIn(store, { fromUs: before.fromUs, toUs: after.toUs }, 1_000, { kind: "note" })
    .filter(({ id }) => id !== mark.id)
    .sort((x, y) => distance(x) - distance(y))
    .slice(0, MAX_OTHER_MARKS);
}

function otherWords(others: readonly MarkRow[], mark: MarkRecord): string[] {
  if (others.length === 0) return [];
  const texts = others.slice(0, MAX_NAMED).map(({ text, at }) => {
    const awayUs = Date.parse(at) * 1000 - mark.atUs;
    const when =
      awayUs === 0
        ? "at the same moment"
        : `${duration(Math.abs(awayUs) / 1e6)} ${awayUs < 0 ? "before" : "after"}`;
    return `\u201c${text}\u201d (${when})`;
  });
  const more = others.length - texts.length;
  return [
    `Noted in these times as well: ${listed([...texts, ...(more > 0 ? [`${more} more`] : [])])}. What they changed is in this figure too.`,
  ];
}

function placementWords(store: Store, { joint, sides }: Found): string[] {
  const compared = new Set(joint.gateways.map(({ eui }) => eui));
  const begun = beginningWithin(store, [sides.before, sides.after]).filter(({ gatewayEui }) =>
    compared.has(gatewayEui),
  );
  if (begun.length === 0) return [];
  const texts = begun.slice(0, MAX_NAMED).map(({ name }) => `\u201c${name}\u201d`);
  return [`A gateway was moved in these times: the placement ${listed(texts)} begins in them.`];
}

function leftOutWords(names: readonly string[]): string[] {
  if (names.length === 0) return [];
  const texts =
    names.length > MAX_NAMED ? [...names.slice(0, MAX_NAMED), `${names.length - MAX_NAMED} more`] : names;
  return [
    `Left out: ${listed(texts)}, not there, unreachable or not recorded for more than a quarter of the time before or after.`,
  ];
}
