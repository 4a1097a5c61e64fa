/** What did people note, and when? A mark is a note that a person pins to a moment. */
import { z } from "zod";
import { DevAddrText, EuiText, Interval95, IsoTime, Sentence, Whole, Window } from "./common.ts";

/** Longest text of a mark, characters. */
export const MAX_MARK_TEXT = 200;

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
  .max(MAX_MARK_TEXT)
  .regex(/^[^\p{Cc}\p{Zl}\p{Zp}\u202A-\u202E\u2066-\u2069]*$/u, "one line of plain text");

export const MarkRow = z.object({
  id: Whole,
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

export const MarkPinned = z.object({ id: Whole });
export type MarkPinned = z.infer<typeof MarkPinned>;

export const MarksQuery = z.object({
  gateway: EuiText.optional(),
  node: DevAddrText.optional(),
  kind: MarkKind.optional(),
});
export type MarksQuery = z.infer<typeof MarksQuery>;

// Where do gateways and nodes stand, and what does the plan say?

const Degrees = z.object({
  latitudeDeg: z.number().min(-90).max(90),
  longitudeDeg: z.number().min(-180).max(180),
});
/** Metres from a point that the person chose, within 1,000 km of it. */
const Metres = z.object({
  eastM: z.number().min(-1e6).max(1e6),
  northM: z.number().min(-1e6).max(1e6),
});

/** Body of PUT /api/positions/{kind}/{id}: the whole position; what is left out or null is not known. */
export const PositionChange = z
  .strictObject({
    latitudeDeg: Degrees.shape.latitudeDeg.nullable().default(null),
    longitudeDeg: Degrees.shape.longitudeDeg.nullable().default(null),
    eastM: Metres.shape.eastM.nullable().default(null),
    northM: Metres.shape.northM.nullable().default(null),
    heightM: z.number().min(-500).max(9000).nullable().default(null).describe("antenna above ground"),
    eirpDbm: z.number().min(-40).max(60).nullable().default(null).describe("of a node, antenna included"),
    antennaGainDbi: z.number().min(-20).max(30).nullable().default(null).describe("of a gateway, feeder off"),
  })
  .refine(({ latitudeDeg, longitudeDeg }) => (latitudeDeg === null) === (longitudeDeg === null), {
    error: "Latitude and longitude belong together.",
  })
  .refine(({ eastM, northM }) => (eastM === null) === (northM === null), {
    error: "East and north belong together.",
  });
export type PositionChange = z.infer<typeof PositionChange>;

/** A position as it holds: said by a person, or by the gateway's GPS where nobody said. */
export const PositionRow = z.object({
  kind: z.enum(["gateway", "node"]),
  id: z.string().describe("EUI, or device address"),
  name: z.string().nullable(),
  from: z.enum(["person", "gps", "both"]),
  latitudeDeg: z.number().nullable(),
  longitudeDeg: z.number().nullable(),
  eastM: z.number().nullable(),
  northM: z.number().nullable(),
  heightM: z.number().nullable(),
  eirpDbm: z.number().nullable(),
  antennaGainDbi: z.number().nullable(),
});
export type PositionRow = z.infer<typeof PositionRow>;

export const PositionsView = z.object({ positions: z.array(PositionRow) });
export type PositionsView = z.infer<typeof PositionsView>;

/** A thing on the plan, metres east and north of the plan's middle. */
export const PlanThing = z.object({
  kind: z.enum(["gateway", "node"]),
  id: z.string(),
  name: z.string().nullable(),
  life: Whole.nullable().describe("of a node: the life that was heard last"),
  eastM: z.number(),
  northM: z.number(),
  heightM: z.number().nullable(),
});
export type PlanThing = z.infer<typeof PlanThing>;

/** A way that was heard in the window, drawn where both ends have a place. */
export const PlanLink = z.object({
  devAddr: DevAddrText,
  life: Whole,
  gatewayEui: EuiText,
  frames: Whole,
  marginMedianDb: z.number().nullable(),
  distanceM: z.number().describe("straight, heights included where both are known"),
  pathLossDb: z.number().nullable(),
  freeSpaceLossDb: z.number(),
  excessDb: z.number().nullable(),
});
export type PlanLink = z.infer<typeof PlanLink>;

/** Loss = PL0 + 10 n log10(d / d0), least squares over the links of the plan. */
export const PlanFit = z.object({
  links: Whole,
  exponent: z.number(),
  exponentInterval95: Interval95,
  referenceDistanceM: z.number(),
  referenceLossDb: z.number(),
  referenceLossInterval95: Interval95,
  sigmaDb: z.number(),
  sigmaInterval95: Interval95,
  fromM: z.number(),
  toM: z.number(),
});
export type PlanFit = z.infer<typeof PlanFit>;

export const PlanView = z.object({
  window: Window,
  sentence: Sentence,
  things: z.array(PlanThing),
  links: z.array(PlanLink),
  fit: PlanFit.nullable(),
  fitWords: z.string(),
  powerWords: z.string().describe("which power the losses rest on"),
  unplaced: z
    .array(
      z.object({
        kind: z.enum(["gateway", "node"]),
        id: z.string(),
        name: z.string().nullable(),
        why: z.string(),
        lastHeard: IsoTime.nullable(),
      }),
    )
    .describe("heard in the window, but without a place on the plan; the newest 200"),
  positions: z.array(PositionRow),
});
export type PlanView = z.infer<typeof PlanView>;

// Whose keys are available? Their names only: a key goes in and never comes out again, in no answer, export or log.

export const KeyRow = z.object({
  id: z.string().describe("device address or DevEUI: what DELETE names"),
  devAddr: DevAddrText.nullable(),
  devEui: EuiText.nullable(),
  held: z.array(z.string()).describe("names of the stored keys, such as nwkSKey"),
  counterBits: z.union([z.literal(16), z.literal(32)]).nullable(),
  origin: z.enum(["person", "join"]).describe("join: derived from a join that was followed"),
  note: z.string().nullable(),
});
export type KeyRow = z.infer<typeof KeyRow>;

export const KeysView = z.object({ keys: z.array(KeyRow) });
export type KeysView = z.infer<typeof KeysView>;

/** Body of PUT /api/keys: the text of a key file, checked by the same schema as `mastlog keys add`. */
export const KeysUpload = z.object({ file: z.string().max(1_000_000) });
export type KeysUpload = z.infer<typeof KeysUpload>;

export const KeysTaken = z.object({ taken: Whole.describe("nodes whose keys were taken in") });
export type KeysTaken = z.infer<typeof KeysTaken>;

// What goes when a gateway or a node is forgotten?

export const Forgotten = z.object({
  datagrams: Whole,
  receptions: Whole,
  frames: Whole.describe("that nobody else heard"),
  placements: Whole,
  marks: Whole,
  keys: Whole.describe("sets of keys that are held of the address"),
  words: z.string().describe("all of it in words, to stand in a sentence"),
});
export type Forgotten = z.infer<typeof Forgotten>;

/** One line of plain text: control characters, and those that turn the direction of writing, are refused. */
export const SerialText = z
  .string()
  .trim()
  .max(80)
  .regex(/^[^\p{Cc}\p{Zl}\p{Zp}\u202A-\u202E\u2066-\u2069]*$/u, "one line of plain text");

/** Body of PUT /api/bench/:eui/record. A field left out stays; null takes it back. */
export const BenchRecordChange = z.object({
  serial: SerialText.nullable().optional().describe("serial number or work order"),
  signedOff: IsoTime.or(z.literal("now")).nullable().optional().describe("when a person signed it off"),
});
export type BenchRecordChange = z.infer<typeof BenchRecordChange>;
