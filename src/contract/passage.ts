/** In line between gateways and a network server: does everything pass, and does the server answer? */
import { z } from "zod";
import { IsoTime, Standing } from "./common.ts";

export const UpstreamRow = z.object({
  host: z.string(),
  port: z.number().int(),
  address: z.string().nullable().describe("the address in use; null while the name has none"),
  role: z.enum(["server", "hears only"]).describe("only the server's answers and downlinks are passed back"),
  state: z
    .enum(["answering", "waiting", "idle", "silent", "refusing", "unresolved"])
    .describe("idle: nothing was sent there in the last minute"),
  standing: Standing,
  words: z.string().describe("one clause: answering; silent for 40 s; refuses (ECONNREFUSED)"),
  sent: z.number().int().describe("datagrams since the start"),
  unsent: z.number().int().describe("could not leave: no address, no route, refused"),
  received: z.number().int(),
  refusals: z.number().int().describe("how often the network said that nobody listens there"),
  lastAnswerAt: IsoTime.nullable(),
});
export type UpstreamRow = z.infer<typeof UpstreamRow>;

/** The passage since the service started. */
export const Passage = z.object({
  standing: Standing,
  words: z.string().describe("one sentence: relaying to ns.example:1700, answering; 3 gateways"),
  upstreams: z.array(UpstreamRow).describe("the server first"),
  gateways: z.number().int().describe("with an open association"),
  associations: z.number().int(),
  up: z.number().int().describe("datagrams from gateways passed on"),
  down: z.number().int().describe("datagrams from the server passed back"),
  notRelayed: z.array(z.object({ reason: z.string(), words: z.string(), count: z.number().int() })),
  strayDownlinks: z
    .number()
    .int()
    .describe(
      "downlinks that the server sent to where a gateway pushes from; brought to where it pulls from",
    ),
  notRecorded: z
    .number()
    .int()
    .describe("passed, but lost to the record: storage slow or failed for too long"),
});
export type Passage = z.infer<typeof Passage>;
