/** What was read from files, and what can be? */
import { z } from "zod";
import { IsoTime } from "./common.ts";

export const CaptureRow = z.object({
  id: z.number().int(),
  name: z.string(),
  size: z.number().int(),
  state: z.enum(["reading", "done", "failed"]),
  progress: z.number().min(0).max(1).nullable(),
  startedAt: IsoTime,
  finishedAt: IsoTime.nullable(),
  from: IsoTime.nullable(),
  to: IsoTime.nullable(),
  datagrams: z.number().int(),
  receptions: z.number().int(),
  knownAlready: z.number().int().describe("datagrams that were stored before"),
  refused: z.number().int(),
  answers: z
    .number()
    .int()
    .nullable()
    .describe("datagrams of servers; 0: only the gateways' side was recorded; null: not counted"),
  trouble: z.string().nullable(),
});
export type CaptureRow = z.infer<typeof CaptureRow>;

export const SampleRow = z.object({
  file: z.string(),
  title: z.string(),
  sentence: z.string(),
  from: IsoTime,
  to: IsoTime,
});
export type SampleRow = z.infer<typeof SampleRow>;

export const CapturesView = z.object({
  captures: z.array(CaptureRow),
  samples: z.array(SampleRow),
});
export type CapturesView = z.infer<typeof CapturesView>;

/** Answer to a capture that was sent or a sample that was opened: the row that tells how its reading goes on. */
export const CaptureBegun = z.object({ captureId: z.number().int() });
export type CaptureBegun = z.infer<typeof CaptureBegun>;

/** Body of PUT /api/labels/{kind}/{id}. Null takes a name or a saying back; a field left out stays. */
export const LabelChange = z.object({
  name: z.string().trim().max(80).nullable().optional(),
  own: z.boolean().nullable().optional(),
});
export type LabelChange = z.infer<typeof LabelChange>;
