/** How good is the diagnosis? From what each case gave to the figures that the evaluation prints. */
import { CONDITIONS, type Condition } from "./draw-conditions.ts";
import type { FaultCause } from "./draw-fault.ts";
import { FAULT_CAUSES } from "./draw-fault.ts";
import type { Case } from "./draw-site.ts";
import type { FindingResult, Matched } from "./match.ts";

export interface CaseResult extends Matched {
  readonly case: Case;
  /** What was hard about the site. */
  readonly conditions?: readonly Condition[];
}

export interface CauseScore {
  readonly cause: FaultCause;
  readonly faults: number;
  readonly found: number;
  readonly findings: number;
  readonly right: number;
  readonly precision: number | null;
  readonly recall: number | null;
  readonly f1: number | null;
}

export interface CalibrationBin {
  readonly from: number;
  readonly to: number;
  readonly findings: number;
  readonly meanConfidence: number | null;
  readonly shareRight: number | null;
}

export interface Score {
  readonly cases: number;
  /** By cause injected, how often each was the answer; "none" where nothing was said. */
  readonly confusion: Readonly<Record<string, Readonly<Record<string, number>>>>;
  readonly causes: readonly CauseScore[];
  readonly macroF1: number | null;
  /** Found of all faults, by cause and strength. */
  readonly recallByStrength: Readonly<Record<string, Readonly<Record<string, number | null>>>>;
  /** Found of the faults that cost counters, by the share that they cost. */
  readonly recallByShareLost: readonly {
    readonly from: number;
    readonly faults: number;
    readonly recall: number | null;
  }[];
  readonly findings: number;
  readonly unexplained: number;
  /** Wrong causes among findings. */
  readonly wrongShare: number | null;
  readonly healthy: {
    readonly nodeDays: number;
    readonly findings: number;
    readonly falseFindings: number;
    readonly unexplained: number;
    readonly falsePerNodeDay: number | null;
    readonly falsePerNodeWeek: number | null;
  };
  /** By what is hard about a site, and "none": how often a named cause is wrong there. */
  readonly conditions: readonly {
    readonly condition: Condition | "none";
    readonly cases: number;
    readonly findings: number;
    readonly wrong: number;
  }[];
  readonly calibration: readonly CalibrationBin[];
  /** Largest difference between confidence and share right over bins of twenty findings and more. */
  readonly worstCalibration: number | null;
  readonly worst: readonly (FindingResult & { readonly case: Case })[];
}

const BINS = [0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.000001];
const SHARES_LOST = [0, 0.15, 0.3, 0.5, 0.8, 1.000001];
const ENOUGH_IN_A_BIN = 20;
const MAX_WORST = 12;

export function scoreOf(results: readonly CaseResult[]): Score {
  const faults = results.flatMap((result) => result.faults.map((fault) => ({ ...fault, case: result.case })));
  const findings = results.flatMap((result) =>
    result.findings.map((finding) => ({ ...finding, case: result.case })),
  );
  const causes = FAULT_CAUSES.map((cause): CauseScore => {
    const own = faults.filter((fault) => fault.cause === cause);
    const found = own.filter(({ isFound }) => isFound).length;
    const named = findings.filter((finding) => finding.cause === cause);
    const right = named.filter(({ isRight }) => isRight).length;
    const precision = ratio(right, named.length);
    const recall = ratio(found, own.length);
    const f1 =
      recall === null
        ? null
        : precision === null || precision + recall === 0
          ? 0
          : (2 * precision * recall) / (precision + recall);
    return { cause, faults: own.length, found, findings: named.length, right, precision, recall, f1 };
  });
  const scored = causes.flatMap(({ f1 }) => (f1 === null ? [] : [f1]));
  const calibration = calibrationOf(findings);
  return {
    cases: results.length,
    confusion: Object.fromEntries(
      FAULT_CAUSES.map((cause) => [
        cause,
        countBy(faults.filter((fault) => fault.cause === cause).map(({ answer }) => answer ?? "none")),
      ]),
    ),
    causes,
    macroF1: scored.length === 0 ? null : scored.reduce((sum, f1) => sum + f1, 0) / scored.length,
    recallByStrength: Object.fromEntries(
      FAULT_CAUSES.map((cause) => [
        cause,
        Object.fromEntries(
          ["mild", "middling", "strong"].map((strength) => {
            const own = faults.filter((fault) => fault.cause === cause && fault.case.strength === strength);
            return [strength, ratio(own.filter(({ isFound }) => isFound).length, own.length)];
          }),
        ),
      ]),
    ),
    recallByShareLost: SHARES_LOST.slice(1).map((to, index) => {
      const from = SHARES_LOST[index] ?? 0;
      const own = faults.filter(({ lostShare }) => lostShare !== null && lostShare >= from && lostShare < to);
      return {
        from,
        faults: own.length,
        recall: ratio(own.filter(({ isFound }) => isFound).length, own.length),
      };
    }),
    findings: findings.length,
    unexplained: results.reduce((sum, { unexplained }) => sum + unexplained, 0),
    wrongShare: ratio(findings.filter(({ isRight }) => !isRight).length, findings.length),
    healthy: healthyOf(results.filter((result) => result.case.cause === null)),
    conditions: conditionsOf(results),
    calibration,
    worstCalibration: worstOf(calibration),
    worst: findings
      .filter(({ isRight }) => !isRight)
      .sort((a, b) => b.confidence - a.confidence)
      .slice(0, MAX_WORST),
  };
}

function healthyOf(results: readonly CaseResult[]): Score["healthy"] {
  const nodeDays = results.reduce((sum, result) => sum + result.nodeDays, 0);
  const findings = results.flatMap((result) => result.findings);
  const falseFindings = findings.filter(({ isRight }) => !isRight).length;
  return {
    nodeDays,
    findings: findings.length,
    falseFindings,
    unexplained: results.reduce((sum, { unexplained }) => sum + unexplained, 0),
    falsePerNodeDay: ratio(falseFindings, nodeDays),
    falsePerNodeWeek: ratio(7 * falseFindings, nodeDays),
  };
}

function conditionsOf(results: readonly CaseResult[]): Score["conditions"] {
  return (["none", ...CONDITIONS] as const).map((condition) => {
    const own = results.filter(({ conditions = [] }) =>
      condition === "none" ? conditions.length === 0 : conditions.includes(condition),
    );
    const findings = own.flatMap((one) => one.findings);
    const wrong = findings.filter(({ isRight }) => !isRight).length;
    return { condition, cases: own.length, findings: findings.length, wrong };
  });
}

/** Of named causes: bins of the confidence, and how many in each were right. */
export function calibrationOf(
  findings: readonly Pick<FindingResult, "confidence" | "isRight">[],
): CalibrationBin[] {
  return BINS.slice(1).map((to, index) => {
    const from = BINS[index] ?? 0;
    const own = findings.filter(({ confidence }) => confidence >= from && confidence < to);
    return {
      from,
      to: Math.min(1, to),
      findings: own.length,
      meanConfidence: ratio(
        own.reduce((sum, { confidence }) => sum + confidence, 0),
        own.length,
      ),
      shareRight: ratio(own.filter(({ isRight }) => isRight).length, own.length),
    };
  });
}

function worstOf(bins: readonly CalibrationBin[]): number | null {
  const differences = bins.flatMap(({ findings, meanConfidence, shareRight }) =>
    findings < ENOUGH_IN_A_BIN || meanConfidence === null || shareRight === null
      ? []
      : [Math.abs(meanConfidence - shareRight)],
  );
  return differences.length === 0 ? null : Math.max(...differences);
}

function ratio(part: number, whole: number): number | null {
  return whole === 0 ? null : part / whole;
}

function countBy(words: readonly string[]): Record<string, number> {
  const counts: Record<string, number> = {};
  for (const word of words) counts[word] = (counts[word] ?? 0) + 1;
  return counts;
}
