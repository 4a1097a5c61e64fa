/** How often do the intervals of many simulated trials hold the truth, and how often is "better" false? */

import { pairedTrial } from "../../../src/diagnosis/trials/paired.ts";
import { sequentialTrial } from "../../../src/diagnosis/trials/sequential.ts";
import {
  type Differences,
  type PairedEvidence,
  type SequentialEvidence,
  verdictOf,
} from "../../../src/diagnosis/trials/verdict.ts";
import type { Simulated } from "./simulated.ts";

export type Drawn = Simulated<PairedEvidence> | Simulated<SequentialEvidence>;

/** As many as MASTLOG_TRIALS says; few in the quick tests. */
export const TRIALS = Number(process.env.MASTLOG_TRIALS ?? 20);
export const isLong = TRIALS > 100;

export interface Case {
  readonly name: string;
  readonly differenceDb: number;
  readonly draw: (seed: number) => Drawn;
}

export interface Tally {
  readonly name: string;
  readonly trials: number;
  /** Trials that told a difference of level. */
  readonly told: number;
  readonly snrHeld: number;
  readonly deliveryHeld: number;
  /** null where there is a difference. */
  readonly falselyBetter: number | null;
  readonly biasDb: number;
}

export function differencesOf(
  evidence: PairedEvidence | SequentialEvidence,
): Differences & { frames: number } {
  const { snr, delivery, frames } =
    "hasControl" in evidence ? sequentialTrial(evidence) : pairedTrial(evidence);
  return { snr, delivery: delivery?.difference ?? null, frames };
}

export function tallyOf({ name, differenceDb, draw }: Case, trials = TRIALS): Tally {
  let told = 0;
  let snrHeld = 0;
  let deliveryHeld = 0;
  let better = 0;
  let sum = 0;
  for (let i = 0; i < trials; i++) {
    const made = draw(7919 * i + 13);
    const { snr, delivery } = differencesOf(made.evidence);
    if (snr !== null) {
      told += 1;
      sum += snr.estimate - made.snrDb;
      if (snr.low <= made.snrDb && snr.high >= made.snrDb) snrHeld += 1;
    }
    if (delivery !== null && delivery.low <= made.delivery && delivery.high >= made.delivery)
      deliveryHeld += 1;
    const verdict = verdictOf({ snr, delivery });
    if (verdict === "a" || verdict === "b") better += 1;
  }
  return {
    name,
    trials,
    told,
    snrHeld,
    deliveryHeld,
    falselyBetter: differenceDb === 0 ? better : null,
    biasDb: sum / Math.max(1, told),
  };
}

/** Share and three standard errors of chance: what a count of so many trials may stray from `share`. */
export function atLeast(share: number, trials: number): number {
  return share - 3 * Math.sqrt((share * (1 - share)) / trials);
}
export function atMost(share: number, trials: number): number {
  return share + 3 * Math.sqrt((share * (1 - share)) / trials);
}

/** A table for the long run. */
export function printed(title: string, tallies: readonly Tally[]): string {
  const percent = (count: number, of: number) => ((100 * count) / of).toFixed(1).padStart(7);
  const width = Math.max(...tallies.map(({ name }) => name.length));
  const rows = tallies.map(
    ({ name, trials, snrHeld, deliveryHeld, falselyBetter, biasDb }) =>
      `${name.padEnd(width)}${percent(snrHeld, trials)}${percent(deliveryHeld, trials)}${
        falselyBetter === null ? "      -" : percent(falselyBetter, trials)
      }${biasDb.toFixed(2).padStart(8)}`,
  );
  return [
    `\n${title}, ${tallies[0]?.trials ?? 0} trials a case; in 100 trials:`,
    `${"".padEnd(width)}  level  deliv.  false  bias dB`,
    ...rows,
    "",
  ].join("\n");
}
