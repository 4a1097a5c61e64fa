/**
 * Which words and shapes do all answers share? The API's one definition: validation, OpenAPI and the
 * dashboard's types come from these schemas. Times are ISO 8601 in UTC; series carry epoch milliseconds.
 */
import { z } from "zod";

/**
 * Version of what the API, the live line and the JSON of commands promise (README, "For machines"). The first number
 * counts up when a promised key, path, parameter or code goes or changes its meaning; the second when something is added.
 */
export const API_VERSION = "1.0";

/** A whole number. */
export const Whole = z.number().int();
/** The lower and the upper end of a 95 % interval. */
export const Interval95 = z.tuple([z.number(), z.number()]);

export const IsoTime = z.iso.datetime({ offset: true }).describe("ISO 8601, UTC");
export const EuiText = z
  .string()
  .regex(/^[0-9A-F]{16}$/)
  .describe("EUI-64, 16 upper-case hex digits");
export const DevAddrText = z
  .string()
  .regex(/^[0-9A-F]{8}$/)
  .describe("Device address, 8 upper-case hex digits");

/** The name of a site: one line of plain text. */
export const SiteName = z
  .string()
  .trim()
  .min(1)
  .max(80)
  .regex(/^[^\p{Cc}\p{Zl}\p{Zp}\u202A-\u202E\u2066-\u2069]*$/u, "one line of plain text");

/**
 * A stretch of time asked about: `from` and `to`, or `last` seconds up to now, or nothing for all that is stored.
 * `to` alone or `from` alone leave the other end open.
 */
export const WindowQuery = z.object({
  from: IsoTime.optional(),
  to: IsoTime.optional(),
  last: z.coerce
    .number()
    .int()
    .min(10)
    .max(400 * 86_400)
    .optional()
    .describe("seconds up to now"),
  site: SiteName.optional().describe("only the gateways of this site, what they heard, and its nodes"),
});
export type WindowQuery = z.infer<typeof WindowQuery>;

/** The window that an answer covers. */
export const Window = z.object({
  from: IsoTime,
  to: IsoTime,
  live: z.boolean(),
  removed: z
    .object({
      before: IsoTime,
      rule: z.string(),
      basis: z
        .enum(["cut", "hours", "sums"])
        .describe(
          "the answer begins there; goes back by whole hours; or its sums do, and what rests on single receptions is left out",
        ),
      sentence: z.string(),
    })
    .optional()
    .describe(
      "the window was asked for from an earlier moment on, whose receptions were removed by the rule",
    ),
});
export type Window = z.infer<typeof Window>;

/** Median, 10th and 90th percentile (type 7) and how many values they rest on; null where there are none. */
export const Spread = z.object({
  median: z.number().nullable(),
  p10: z.number().nullable(),
  p90: z.number().nullable(),
  count: Whole,
});
export type Spread = z.infer<typeof Spread>;

/** A sentence in parts: plain text, and figures linked to what they rest on (a path inside the dashboard). */
export const SentencePart = z.object({
  text: z.string(),
  href: z.string().optional(),
});
export const Sentence = z.array(SentencePart);
export type Sentence = z.infer<typeof Sentence>;

/** How a thing stands, always shown with a word and a shape. */
export const Standing = z.enum(["good", "look", "bad", "waiting"]);
export type Standing = z.infer<typeof Standing>;

/** What the service answers when it cannot: a stable code, a sentence, and what to do. */
export const Problem = z.object({
  code: z.string(),
  sentence: z.string(),
  remedy: z.string(),
});
export type Problem = z.infer<typeof Problem>;

/** Versions of MQTT that Mastlog speaks to a broker. */
export const MQTT_VERSIONS = ["5", "3.1.1"] as const;
export type MqttVersion = (typeof MQTT_VERSIONS)[number];

export const PlacementName = z
  .string()
  .trim()
  .min(1)
  .max(60)
  // A control character would break a list or a command line.
  .regex(/^[^\p{Cc}]+$/u);
