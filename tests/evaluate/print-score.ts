/** The evaluation's figures as a person reads them. */
import { FAULT_CAUSES } from "./draw-fault.ts";
import type { Case } from "./draw-site.ts";
import { KNOWN, type RealScore } from "./real-sets.ts";
import { type CalibrationBin, calibrationOf, type Score } from "./score.ts";

const percent = (value: number | null): string => (value === null ? "–" : `${(100 * value).toFixed(1)} %`);
const figure = (value: number | null, digits = 3): string => (value === null ? "–" : value.toFixed(digits));

/** `weak-link:mild:7`, as --case takes it. */
export function caseName({ cause, strength, seed }: Case): string {
  return `${cause ?? "healthy"}:${strength}:${seed}`;
}

export function scoreText(score: Score): string {
  return [
    `${score.cases} cases, ${score.findings} findings, ${score.unexplained} dropouts unexplained.`,
    "",
    "What was injected (rows, one fault a node) and what was said of it (columns)",
    confusionText(score),
    "",
    table([
      [
        "cause",
        "faults",
        "found",
        "findings",
        "right",
        "precision",
        "recall",
        "F1",
        "mild",
        "middling",
        "strong",
      ],
      ...score.causes.map((one) => [
        one.cause,
        String(one.faults),
        String(one.found),
        String(one.findings),
        String(one.right),
        percent(one.precision),
        percent(one.recall),
        figure(one.f1),
        ...["mild", "middling", "strong"].map((strength) =>
          percent(score.recallByStrength[one.cause]?.[strength] ?? null),
        ),
      ]),
    ]),
    "",
    `Found by the share of frames that the fault cost: ${score.recallByShareLost
      .map(
        ({ from, faults, recall }) => `${(100 * from).toFixed(0)} % and more ${percent(recall)} of ${faults}`,
      )
      .join("; ")}.`,
    `Macro F1 ${figure(score.macroF1)}; wrong causes ${percent(score.wrongShare)} of findings.`,
    `Sites without faults: ${score.healthy.falseFindings} false findings of ${score.healthy.findings} in ${score.healthy.nodeDays.toFixed(0)} node-days: ${figure(score.healthy.falsePerNodeDay, 4)} a node and day, ${figure(score.healthy.falsePerNodeWeek)} a node and week; ${score.healthy.unexplained} dropouts unexplained.`,
    "",
    "What was hard about the sites",
    table([
      ["condition", "sites", "findings", "wrong", "wrong share"],
      ...score.conditions.map(({ condition, cases, findings, wrong }) => [
        condition,
        String(cases),
        String(findings),
        String(wrong),
        percent(findings === 0 ? null : wrong / findings),
      ]),
    ]),
    "",
    "Does a confidence hold? On drawn sites",
    calibrationText(score.calibration),
    `Largest difference in a bin of twenty and more: ${figure(score.worstCalibration)}.`,
    "",
    "Most wrong",
    ...score.worst.map(
      (one) =>
        `  ${caseName(one.case)}  ${one.node}, ${one.from} to ${one.to}, ${one.kind}, ${one.missed} missed: said ${one.cause} at ${one.confidence.toFixed(2)}; in truth ${one.truth}.\n    ${one.sentence}`,
    ),
    ...(score.worst.length === 0 ? ["  nothing"] : []),
  ].join("\n");
}

/** The same question on the open sets of real receptions, with what is known of their truth. */
export function realText(real: RealScore): string {
  return [
    "Does a confidence hold? On real receptions whose truth is known (tests/data/open-receptions)",
    calibrationText(calibrationOf(real.named)),
    table([
      ["set", "left open", "right", "wrong", "truth not known"],
      ...real.bySet.map(({ set, part, leftOpen, right, wrong, notKnown }) => [
        `${set}, ${part}`,
        ...[leftOpen, right, wrong, notKnown].map(String),
      ]),
    ]),
    "The weeks of one node are not independent of each other, nor of the whole.",
    "Known of the truth:",
    ...KNOWN.map(
      ({ set, stretch, right, what, source }) =>
        `  ${set}, ${stretch === null ? "steady losses" : `${stretch.from} to ${stretch.to}`}: ${what}. Right: ${right.join(", ")}. From: ${source}.`,
    ),
    ...real.wrong.map(
      ({ set, part, cause, confidence }) =>
        `  wrong: ${set}, ${part}: said ${cause} at ${confidence.toFixed(2)}.`,
    ),
  ].join("\n");
}

/** The table of confidences against what was right. */
export function calibrationText(bins: readonly CalibrationBin[]): string {
  return table([
    ["confidence", "findings", "right", "mean", "share right"],
    ...bins.map(({ from, to, findings, meanConfidence, shareRight }) => [
      `${from.toFixed(2)} to ${to.toFixed(2)}`,
      String(findings),
      shareRight === null ? "–" : String(Math.round(shareRight * findings)),
      figure(meanConfidence),
      figure(shareRight),
    ]),
  ]);
}

function confusionText({ confusion }: Score): string {
  const columns = [...FAULT_CAUSES, "unexplained", "none"];
  const short = (cause: string) => cause.replace("gateway-", "gw-").replace("node-", "n-").slice(0, 12);
  return table([
    ["", ...columns.map(short)],
    ...FAULT_CAUSES.map((cause) => [
      cause,
      ...columns.map((column) => String(confusion[cause]?.[column] ?? ".")),
    ]),
  ]);
}

/** Columns in line: the first to the left, the others to the right. */
function table(rows: readonly (readonly string[])[]): string {
  const widths = (rows[0] ?? []).map((_, column) => Math.max(...rows.map((row) => row[column]?.length ?? 0)));
  return rows
    .map((row) =>
      row
        .map((cell, column) =>
          column === 0 ? cell.padEnd(widths[column] ?? 0) : cell.padStart((widths[column] ?? 0) + 2),
        )
        .join(""),
    )
    .join("\n");
}
