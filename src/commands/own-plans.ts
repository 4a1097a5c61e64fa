/** How do the commands take a user's own channel plans? `--plans FILE`, read once at the start. */
import { readFileSync } from "node:fs";
import { Option } from "commander";
import { z } from "zod";
import { readOwnPlans } from "../radio/regions/own-plans.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { CannotRun } from "./options.ts";

/** `--plans FILE`, else the environment variable MASTLOG_PLANS, else none. */
export function plansOption(): Option {
  return new Option("--plans <file>", "channel plans of your own beside the regions, JSON").env(
    "MASTLOG_PLANS",
  );
}

const Given = z.object({ plans: z.string().optional() });

/** The plans of the file that a command was given, none without one; throws CannotRun with one sentence. */
export function ownPlansGiven(given: unknown): readonly RegionPlan[] {
  const { plans: file } = Given.parse(given);
  if (file === undefined) return [];
  if (file === "") throw new CannotRun("--plans and MASTLOG_PLANS take the name of a file.");
  let text: string;
  try {
    text = readFileSync(file, "utf8");
  } catch (error) {
    const code = error instanceof Error && "code" in error ? String(error.code) : "unknown trouble";
    throw new CannotRun(`The plan file ${file} cannot be read (${code}).`);
  }
  const read = readOwnPlans(text);
  if (!read.ok) throw new CannotRun(read.sentence);
  return read.plans;
}
