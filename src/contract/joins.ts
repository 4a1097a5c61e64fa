/** Which devices ask to join, and what became of it? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Sentence, Window } from "./common.ts";

/** One device by its DevEUI, over the window. Counts of answers are null where no answer can be seen here. */
export const JoiningDevice = z.object({
  devEui: EuiText,
  joinEui: EuiText.nullable().describe("of the newest request"),
  requests: z.number().int().describe("join-requests heard, repeats of one included"),
  accepted: z.number().int().nullable().describe("answered in time with a join-accept that the gateway took"),
  late: z.number().int().nullable().describe("answered too late, or the gateway refused to send it"),
  unanswered: z.number().int().nullable().describe("no join-accept was seen"),
  devAddr: DevAddrText.optional().describe("its address after that, where it is known"),
  life: z.number().int().optional(),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  clause: z.string(),
});
export type JoiningDevice = z.infer<typeof JoiningDevice>;

export const JoinsView = z.object({
  window: Window,
  sentence: Sentence,
  joins: z.array(JoiningDevice).describe("newest request first, at most 500"),
  joinsCut: z.boolean(),
});
export type JoinsView = z.infer<typeof JoinsView>;
