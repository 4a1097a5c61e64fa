/**
 * Does a place get through to a gateway: good, marginal, or dead? By what was delivered and how far above the floor it
 * came, with limits that are stated beside every answer.
 */
import type { Sentence, WalkStop, WalkVerdict } from "../contract/index.ts";
import { decibel, percent } from "./standing.ts";

/** All: common practice, no source; the margin is that below which a node of the site needs a look. */
export const WALK_LIMITS = {
  /** Fewer counters at a stop say nothing. */
  leastCounters: 5,
  goodDelivery: 0.9,
  goodMarginDb: 5,
  /** Below this share a place is dead, whatever margin the lucky frames had. */
  deadDelivery: 0.5,
} as const;

export const WALK_LIMIT_WORDS = `good: ${percent(WALK_LIMITS.goodDelivery)} heard or more with a median margin of ${decibel(WALK_LIMITS.goodMarginDb)} or more; dead: less than ${percent(WALK_LIMITS.deadDelivery)} heard; marginal: between; too early to say below ${WALK_LIMITS.leastCounters} counters`;

/**
 * `counters`: sent during the stop as far as counters show; `heard` of them by the gateway; `marginDb`: median of what it
 * heard. Margin alone would flatter a weak place, where only the lucky frames are heard.
 */
export function judgeStop(counters: number, heard: number, marginDb: number | null): WalkVerdict {
  if (counters < WALK_LIMITS.leastCounters) return "waiting";
  const delivery = heard / counters;
  if (delivery < WALK_LIMITS.deadDelivery) return "dead";
  const strong = marginDb !== null && marginDb >= WALK_LIMITS.goodMarginDb;
  return strong && delivery >= WALK_LIMITS.goodDelivery ? "good" : "marginal";
}

const ORDER: readonly WalkVerdict[] = ["good", "marginal", "dead", "waiting"];

/** The best of several. */
export function bestVerdict(verdicts: readonly WalkVerdict[]): WalkVerdict {
  return ORDER.find((one) => verdicts.includes(one)) ?? "waiting";
}

/** "Frost probe: 3 of 5 stops are good, 1 is marginal, 1 is dead (Cold store)." */
export function walkSentence(title: string, stops: readonly Pick<WalkStop, "best" | "name">[]): Sentence {
  if (stops.length === 0)
    return [{ text: `No stop is marked yet for ${title}: stand somewhere, name the place, and pin it.` }];
  const of = (verdict: WalkVerdict) => stops.filter(({ best }) => best === verdict);
  const good = of("good").length;
  const are = (n: number) => (n === 1 ? "is" : "are");
  const named = (found: readonly { name: string }[]) =>
    found.length === 0 || found.length > 3 ? "" : ` (${found.map(({ name }) => name).join(", ")})`;
  const parts = [
    `${title}: ${good} of ${stops.length} ${stops.length === 1 ? "stop" : "stops"} ${are(good)} good`,
  ];
  for (const verdict of ["marginal", "dead"] as const) {
    const found = of(verdict);
    if (found.length > 0) parts.push(`${found.length} ${are(found.length)} ${verdict}${named(found)}`);
  }
  const early = of("waiting").length;
  if (early > 0) parts.push(`at ${early} it is too early to say`);
  return [{ text: `${parts.join(", ")}.` }];
}
