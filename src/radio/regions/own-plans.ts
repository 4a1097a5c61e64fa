/**
 * Which channel plans does a user's own file hold? JSON, checked wholly:
 *
 *   {"plans": [{
 *     "name": "Orchard test plan",
 *     "channels": [{"frequencyHz": 868100000}, {"frequencyHz": 868300000, "dataRates": ["SF7BW250"]}],
 *     "dataRates": ["SF7BW125", "SF9BW125", "FSK 50 kb/s"],
 *     "mostPayloadBytes": {"SF9BW125": 51},
 *     "remark": "barn side only"
 *   }]}
 *
 * `channels` are all uplink channels. `dataRates` holds on every channel that names none of its own; where neither names
 * any, all are allowed. `mostPayloadBytes` counts the application payload, as N of the regional tables does (RP002); a
 * frame has 13 octets more.
 */
import { z } from "zod";
import { megahertz, megahertzFigure } from "../../words/format.ts";
import { DATA_RATE_NAME_EXAMPLES, dataRateKey, dataRateNamed } from "./limits.ts";
import {
  CHANNEL_TOLERANCE_HZ,
  FRAME_OVERHEAD_BYTES,
  type PlanDataRate,
  type RegionPlan,
  regionPlans,
} from "./region-plan.ts";

// Does a user's plan file have the form of one, and if not, what is wrong where? What the file may hold: own-plans.ts.

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

type PlanRecord = z.output<typeof planSchema>;

/** The plans of parsed JSON, or what is wrong with its form: a clause without a full stop. */
function ownPlansOf(
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
function shortened(text: string): string {
  const clean = text.replace(/\p{Cc}+/gu, " ").trim();
  return clean.length > 60 ? `${clean.slice(0, 59)}…` : clean;
}

export type OwnPlansReading =
  | { readonly ok: true; readonly plans: readonly RegionPlan[] }
  | { readonly ok: false; readonly sentence: string };

/** The plans of a file's text, or one sentence that says what is wrong and where. Never throws. */
export function readOwnPlans(text: string): OwnPlansReading {
  let data: unknown;
  try {
    // Editors of some systems put a byte order mark first.
    data = JSON.parse(text.replace(/^\uFEFF/, ""));
  } catch (error) {
    const trouble = error instanceof Error ? error.message.replace(/\s+/g, " ").trim() : "unreadable";
    return { ok: false, sentence: `The plan file is not JSON: ${trouble}.` };
  }
  const { plans, trouble } = ownPlansOf(data);
  if (plans === null) {
    return refused(trouble);
  }
  const second = plans.map((plan, i) => troubleOf(plan, i, plans)).find((found) => found !== null);
  return second === undefined ? { ok: true, plans: plans.map(planOf) } : refused(second);
}

function refused(what: string): OwnPlansReading {
  return { ok: false, sentence: `The plan file cannot be used: ${what}.` };
}

/** What the form alone cannot say: names that are taken, channels too close, limits of data rates that are not there. */
function troubleOf(plan: PlanRecord, i: number, plans: readonly PlanRecord[]): string | null {
  const where = `plan ${i + 1} (${plan.name})`;
  const name = plan.name.toLowerCase();
  const builtIn = regionPlans.find((p) => [p.name, p.plan].some((taken) => taken.toLowerCase() === name));
  if (builtIn !== undefined) {
    return `${where} has the name of the built-in region ${builtIn.name}; choose another`;
  }
  const first = plans.findIndex((other) => other.name.toLowerCase() === name);
  if (first < i) {
    return `${where} has the same name as plan ${first + 1}`;
  }
  const inOrder = [...plan.channels].sort((a, b) => a.frequencyHz - b.frequencyHz);
  for (const [k, { frequencyHz }] of inOrder.entries()) {
    const before = inOrder[k - 1]?.frequencyHz ?? Number.NEGATIVE_INFINITY;
    if (frequencyHz - before <= 2 * CHANNEL_TOLERANCE_HZ) {
      return `${where} has two channels at ${megahertzFigure(before)} and ${megahertz(frequencyHz)}, too close to be distinguished`;
    }
  }
  const limited = Object.keys(plan.mostPayloadBytes ?? {});
  const rates = dataRatesOf(plan);
  const keys = limited.map((text) => {
    const rate = dataRateNamed(text);
    return rate === null ? null : dataRateKey(rate);
  });
  for (const [k, text] of limited.entries()) {
    const key = keys[k] ?? null;
    if (key === null) {
      return `mostPayloadBytes of ${where} names “${shortened(text)}”, which is no data rate such as ${DATA_RATE_NAME_EXAMPLES}`;
    }
    if (!allowsAny(plan) && !rates.numbers.has(key)) {
      return `mostPayloadBytes of ${where} names ${text}, which no channel of it allows`;
    }
    if (keys.indexOf(key) < k) {
      return `mostPayloadBytes of ${where} names ${text} twice`;
    }
  }
  return null;
}

function allowsAny(plan: PlanRecord): boolean {
  return plan.dataRates === undefined && plan.channels.some((c) => c.dataRates === undefined);
}

interface NumberedRates {
  readonly numbers: ReadonlyMap<string, number>;
  readonly rates: ReadonlyMap<number, PlanDataRate>;
}

/** Every data rate that a plan or one of its channels allows, numbered in the order of mention. */
function dataRatesOf(plan: PlanRecord, besides: readonly string[] = []): NumberedRates {
  const shared = plan.channels.some((c) => c.dataRates === undefined) ? (plan.dataRates ?? []) : [];
  const numbers = new Map<string, number>();
  const rates = new Map<number, PlanDataRate>();
  for (const name of [...shared, ...plan.channels.flatMap((c) => c.dataRates ?? []), ...besides]) {
    const rate = dataRateNamed(name);
    if (rate !== null && !numbers.has(dataRateKey(rate))) {
      rates.set(numbers.size, rate);
      numbers.set(dataRateKey(rate), numbers.size);
    }
  }
  return { numbers, rates };
}

function planOf(plan: PlanRecord): RegionPlan {
  const limits = Object.entries(plan.mostPayloadBytes ?? {});
  const { numbers, rates } = dataRatesOf(
    plan,
    limits.map(([name]) => name),
  );
  const numbersOf = (names: readonly string[]) =>
    names.flatMap((name) => {
      const rate = dataRateNamed(name);
      return rate === null ? [] : [numbers.get(dataRateKey(rate)) ?? -1];
    });
  const frequencies = plan.channels.map(({ frequencyHz }) => frequencyHz);
  return {
    name: plan.name,
    plan: plan.name,
    kind: "fixed",
    fromHz: Math.min(...frequencies),
    toHz: Math.max(...frequencies),
    variants: [
      {
        name: null,
        channels: plan.channels.map(({ frequencyHz, dataRates }, index) => ({
          frequencyHz,
          bandwidthHz: null,
          index,
          dataRates: numbersOf(dataRates ?? plan.dataRates ?? []),
          subBand: null,
        })),
        downlinkHz: [],
        dataRates: rates,
        anyDataRate: allowsAny(plan),
        mostPhyPayload: new Map(
          limits.flatMap(([name, most]) => numbersOf([name]).map((dr) => [dr, most + FRAME_OVERHEAD_BYTES])),
        ),
      },
    ],
    remark: plan.remark === undefined || plan.remark === "" ? null : plan.remark,
    record: null,
  };
}
