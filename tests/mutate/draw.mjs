import { createHash } from "node:crypto";
import { relative } from "node:path";

const count = Number(process.env.MASTLOG_MUTATE_SAMPLE);
const seed = process.env.MASTLOG_MUTATE_SEED;

/** A number that seed, place and kind of a change give, the same in every run. */
function rank({ fileName, location: { start, end }, replacement }) {
  const place = [start.line, start.column, end.line, end.column].join(":");
  return createHash("sha256").update([seed, fileName, place, replacement].join("\n")).digest("hex");
}

/**
 * Draws the sample of `npm run mutate -- … --sample N --seed S` from the plan, before anything runs: those not drawn
 * are ignored, as Stryker's own comments do. Constants of modules, which ignoreStatic leaves out, are not drawn.
 * Stryker (9.6) hands every reporter the plan that it then carries out.
 */
class Draw {
  onMutationTestingPlanReady({ mutantPlans }) {
    const open = mutantPlans.filter(({ plan }) => plan === "Run");
    const ranked = open.map((one) => ({ one, rank: rank(one.mutant) }));
    ranked.sort((a, b) => (a.rank < b.rank ? -1 : 1));
    for (const { one } of ranked.slice(count)) {
      one.plan = "EarlyResult";
      one.mutant.status = "Ignored";
      one.mutant.statusReason = "not drawn";
    }
    process.stdout.write(
      `Drawn with seed ${seed}: ${Math.min(count, open.length)} of ${open.length} changes.\n`,
    );
  }

  /** Each result as it comes, so that a run that is cut off has told something. */
  onMutantTested({ status, fileName, location: { start }, replacement }) {
    if (status === "Ignored") return;
    const place = `${relative(process.cwd(), fileName)}:${start.line}:${start.column}`;
    const what =
      status === "Survived" || status === "NoCoverage" ? ` ${replacement.replace(/\s+/g, " ")}` : "";
    process.stdout.write(`${status} ${place}${what}\n`);
  }
}

export const strykerPlugins = [{ kind: "Reporter", name: "draw", injectableClass: Draw }];
