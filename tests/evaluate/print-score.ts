/** The evaluation's figures as a person reads them. */
import { FAULT_CAUSES } from "./draw-fault.ts";
import type { Case } from "./draw-site.ts";
import type { Score } from "./score.ts";

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
    "Does a confidence hold?",
    table([
      ["confidence", "findings", "mean", "right"],
      ...score.calibration.map(({ from, to, findings, meanConfidence, shareRight }) => [
        `${from.toFixed(2)} to ${to.toFixed(2)}`,
        String(findings),
        figure(meanConfidence),
        figure(shareRight),
      ]),
    ]),
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
