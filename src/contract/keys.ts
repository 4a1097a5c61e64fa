/**
 * Whose keys are at hand? Their names only: a key goes in and never comes out again, in no answer, export or log.
 */
import { z } from "zod";
import { DevAddrText, EuiText } from "./common.ts";

export const KeyRow = z.object({
  id: z.string().describe("device address or DevEUI: what DELETE names"),
  devAddr: DevAddrText.nullable(),
  devEui: EuiText.nullable(),
  held: z.array(z.string()).describe("names of the keys at hand, such as nwkSKey"),
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

export const KeysTaken = z.object({ taken: z.number().int().describe("nodes whose keys were taken in") });
export type KeysTaken = z.infer<typeof KeysTaken>;
