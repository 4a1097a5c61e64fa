/** What did people note, and when? A mark is a note that a person pins to a moment. */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Window } from "./common.ts";

/** Longest text of a mark, characters. */
export const MARK_TEXT_MOST = 200;

/** Degrees of WGS 84, or metres east and north of a point that the person chose. */
export const Position = z.union([
  z.object({ latitude: z.number().min(-90).max(90), longitude: z.number().min(-180).max(180) }).strict(),
  z
    .object({
      eastMetres: z.number().min(-100_000).max(100_000),
      northMetres: z.number().min(-100_000).max(100_000),
    })
    .strict(),
]);
export type Position = z.infer<typeof Position>;

/** stop: a place at which a walk test stood, named by the mark's text. */
export const MarkKind = z.enum(["note", "stop"]);
export type MarkKind = z.infer<typeof MarkKind>;

/** One line of plain text: control characters, and those that turn the direction of writing, are refused. */
export const MarkText = z
  .string()
  .trim()
  .min(1, "a mark says something")
  .max(MARK_TEXT_MOST)
  .regex(/^[^\p{Cc}\p{Zl}\p{Zp}\u202A-\u202E\u2066-\u2069]*$/u, "one line of plain text");

export const MarkRow = z.object({
  id: z.number().int(),
  at: IsoTime,
  until: IsoTime.nullable().describe("end of what lasted; null: a moment"),
  kind: MarkKind,
  text: z.string(),
  gatewayEui: EuiText.nullable().describe("the gateway that it is about"),
  gatewayName: z.string().nullable(),
  devAddr: DevAddrText.nullable().describe("the node that it is about; neither: the site"),
  nodeName: z.string().nullable(),
  position: Position.nullable(),
});
export type MarkRow = z.infer<typeof MarkRow>;

export const MarksView = z.object({
  window: Window,
  marks: z.array(MarkRow).describe("that touch the window, newest first, at most 1,000"),
  cut: z.boolean().describe("true: the window holds more"),
});
export type MarksView = z.infer<typeof MarksView>;

const aboutOne = (mark: { gatewayEui?: unknown; devAddr?: unknown }) =>
  mark.gatewayEui == null || mark.devAddr == null;
const endsLater = (mark: { at?: string | undefined; until?: string | null | undefined }) =>
  mark.at === undefined || mark.until == null || Date.parse(mark.until) >= Date.parse(mark.at);
const ABOUT_ONE = "a mark is about a gateway or a node, not both";
const ENDS_LATER = "a mark ends after it begins";

/** Body of POST /api/marks. Without `at` the mark is pinned to now. */
export const MarkRequest = z
  .object({
    at: IsoTime.optional(),
    until: IsoTime.nullable().default(null),
    kind: MarkKind.default("note"),
    text: MarkText,
    gatewayEui: EuiText.nullable().default(null),
    devAddr: DevAddrText.nullable().default(null),
    position: Position.nullable().default(null),
  })
  .refine(aboutOne, ABOUT_ONE)
  .refine(endsLater, ENDS_LATER);
export type MarkRequest = z.infer<typeof MarkRequest>;

/** Body of PUT /api/marks/{id}. A field left out stays; null takes it back. */
export const MarkChange = z
  .object({
    at: IsoTime.optional(),
    until: IsoTime.nullable().optional(),
    text: MarkText.optional(),
    gatewayEui: EuiText.nullable().optional(),
    devAddr: DevAddrText.nullable().optional(),
    position: Position.nullable().optional(),
  })
  .refine(aboutOne, ABOUT_ONE)
  .refine(endsLater, ENDS_LATER);
export type MarkChange = z.infer<typeof MarkChange>;

export const MarkPinned = z.object({ id: z.number().int() });
export type MarkPinned = z.infer<typeof MarkPinned>;

export const MarksQuery = z.object({
  gateway: EuiText.optional(),
  node: DevAddrText.optional(),
  kind: MarkKind.optional(),
});
export type MarksQuery = z.infer<typeof MarksQuery>;
