/** One of the evaluation's workers: plays the cases that it is handed and says what came of each. */
import { parentPort } from "node:worker_threads";
import { type Case, drawSite } from "./draw-site.ts";
import { match } from "./match.ts";
import { playCase } from "./play-case.ts";
import type { CaseResult } from "./score.ts";

/** Plays one case. */
export function evaluateCase(one: Case): CaseResult {
  const site = drawSite(one);
  const played = playCase(site, one.seed);
  const { longestOverRhythm, conditions } = site.conditions;
  const rhythms = new Map(
    site.scenario.nodes.map(({ name, rhythmSeconds }, index) => [
      name,
      rhythmSeconds * (longestOverRhythm.get(index) ?? 1),
    ]),
  );
  return { ...match(played, rhythms, one.cause), case: one, conditions };
}

parentPort?.on("message", (one: Case) => parentPort?.postMessage(evaluateCase(one)));
