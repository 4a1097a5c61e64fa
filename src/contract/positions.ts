/** Where do gateways and nodes stand, and what does the plan say? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Sentence, Window } from "./common.ts";

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
  life: z.number().int().nullable().describe("of a node: the life that was heard last"),
  eastM: z.number(),
  northM: z.number(),
  heightM: z.number().nullable(),
});
export type PlanThing = z.infer<typeof PlanThing>;

/** A way that was heard in the window, drawn where both ends have a place. */
export const PlanLink = z.object({
  devAddr: DevAddrText,
  life: z.number().int(),
  gatewayEui: EuiText,
  frames: z.number().int(),
  marginMedianDb: z.number().nullable(),
  distanceM: z.number().describe("straight, heights included where both are known"),
  pathLossDb: z.number().nullable(),
  freeSpaceLossDb: z.number(),
  excessDb: z.number().nullable(),
});
export type PlanLink = z.infer<typeof PlanLink>;

/** Loss = PL0 + 10 n log10(d / d0), least squares over the links of the plan. */
export const PlanFit = z.object({
  links: z.number().int(),
  exponent: z.number(),
  exponentInterval95: z.tuple([z.number(), z.number()]),
  referenceDistanceM: z.number(),
  referenceLossDb: z.number(),
  referenceLossInterval95: z.tuple([z.number(), z.number()]),
  sigmaDb: z.number(),
  sigmaInterval95: z.tuple([z.number(), z.number()]),
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
