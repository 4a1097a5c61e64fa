/** What goes when a gateway or a node is forgotten? */
import { z } from "zod";

export const Forgotten = z.object({
  datagrams: z.number().int(),
  receptions: z.number().int(),
  frames: z.number().int().describe("that nobody else heard"),
  placements: z.number().int(),
  marks: z.number().int(),
  keys: z.number().int().describe("sets of keys that are held of the address"),
  words: z.string().describe("all of it in words, to stand in a sentence"),
});
export type Forgotten = z.infer<typeof Forgotten>;
