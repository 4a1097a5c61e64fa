/**
 * Does a user's plan file have the form of one, and if not, what is wrong where? What the file may hold: own-plans.ts.
 */
import { z } from "zod";
import { DATA_RATE_NAME_EXAMPLES, dataRateNamed } from "./data-rate-names.ts";

const FREQUENCY_FORM = "must be a whole number of hertz from 100000000 to 3000000000, such as 868100000";
const NAME_FORM = "must be a text of 1 to 60 characters";

const dataRateName = z
  .string("must be the name of a data rate, in quotes")
  .refine((name) => dataRateNamed(name) !== null, {
    error: `must be the name of a data rate, such as ${DATA_RATE_NAME_EXAMPLES}`,
  });

const dataRateNames = z
  .array(dataRateName, "must be a list of data rates")
  .min(1, "must name one data rate at least, or be left out")
  .max(64, "may name 64 data rates at most");

const channelSchema = z.strictObject(
  {
    frequencyHz: z.int(FREQUENCY_FORM).min(100_000_000, FREQUENCY_FORM).max(3_000_000_000, FREQUENCY_FORM),
    dataRates: dataRateNames.optional(),
  },
  "must be a channel with its frequencyHz, in braces",
);

const planSchema = z.strictObject(
  {
    name: z
      .string(NAME_FORM)
      .trim()
      .min(1, NAME_FORM)
      .max(60, NAME_FORM)
      .regex(/^\P{Cc}*$/u, "must have no control characters"),
    channels: z
      .array(channelSchema, "must be a list of channels")
      .min(1, "must have one channel at least")
      .max(256, "may have 256 channels at most"),
    dataRates: dataRateNames.optional(),
    mostPayloadBytes: z
      .record(
        z.string(),
        z
          .int("must be a whole number from 0 to 242")
          .min(0, "must be a whole number from 0 to 242")
          // RP002: N is 242 at most in any region.
          .max(242, "must be a whole number from 0 to 242"),
        "must be octets for each data rate, in braces",
      )
      .optional(),
    remark: z
      .string("must be a text of at most 200 characters")
      .trim()
      .max(200, "must be a text of at most 200 characters")
      .regex(/^\P{Cc}*$/u, "must have no control characters")
      .optional(),
  },
  "must be a plan, in braces",
);

const fileSchema = z.strictObject(
  {
    plans: z
      .array(planSchema, "must be a list of plans")
      .min(1, "must hold one plan at least")
      .max(50, "may hold 50 plans at most"),
  },
  'must be {"plans": [ … ]}',
);

export type PlanRecord = z.output<typeof planSchema>;

/** The plans of parsed JSON, or what is wrong with its form: a clause without a full stop. */
export function ownPlansOf(
  data: unknown,
):
  | { readonly plans: readonly PlanRecord[]; readonly trouble: null }
  | { readonly plans: null; readonly trouble: string } {
  const parsed = fileSchema.safeParse(data);
  if (parsed.success) {
    return { plans: parsed.data.plans, trouble: null };
  }
  const issue = parsed.error.issues[0];
  return {
    plans: null,
    trouble: issue === undefined ? "it does not have the form of one" : issueWords(issue, data),
  };
}

/** "frequencyHz of channel 2 of plan 1 (Orchard test plan) must be …". */
function issueWords(issue: z.core.$ZodIssue, data: unknown): string {
  const where = placeWords(issue.path, data);
  if (issue.code === "unrecognized_keys") {
    return `${where} has the unknown key “${shortened(issue.keys[0] ?? "")}”`;
  }
  return `${where} ${issue.message}`;
}

function placeWords(path: readonly PropertyKey[], data: unknown): string {
  const words: string[] = [];
  for (let i = 0; i < path.length; i += 1) {
    const key = path[i];
    const next = path[i + 1];
    const list = { plans: "plan", channels: "channel", dataRates: "data rate" }[String(key)];
    if (list !== undefined && typeof next === "number") {
      const name = key === "plans" ? nameOfPlan(data, next) : null;
      words.unshift(`${list} ${next + 1}${name === null ? "" : ` (${name})`}`);
      i += 1;
    } else {
      words.unshift(shortened(String(key)));
    }
  }
  return words.length === 0 ? "the whole" : words.join(" of ");
}

function nameOfPlan(data: unknown, index: number): string | null {
  const named = z.object({ plans: z.array(z.unknown()) }).safeParse(data);
  const plan = z.object({ name: z.string() }).safeParse(named.data?.plans[index]);
  return plan.success ? shortened(plan.data.name) : null;
}

/** Text of the file fit for a sentence: no control characters, at most 60 characters. */
export function shortened(text: string): string {
  const clean = text.replace(/\p{Cc}+/gu, " ").trim();
  return clean.length > 60 ? `${clean.slice(0, 59)}…` : clean;
}
