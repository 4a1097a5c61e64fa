/** What came of a change that a person made: what was written, or the code of what stood in its way. */

/** Why nothing was written. The codes are those of the API (src/service/problems.ts). */
export type NotWrittenCode =
  | "no-such-mark"
  | "marks-full"
  | "mark-ends-early"
  | "no-such-placement"
  | "placements-full"
  | "placement-begins-twice"
  | "placement-elsewhere"
  | "photos-full"
  | "key-file-unreadable"
  | "no-such-keys"
  | "no-such-gateway"
  | "no-such-node";

export interface WasWritten {
  readonly ok: true;
  /** Of a mark, a placement or its photo: the number. Of the rest: how many rows, nodes of a key file, or sets of keys. */
  readonly result: number;
}

export interface NotWritten {
  readonly ok: false;
  readonly code: NotWrittenCode;
  /** One sentence where more is known than the code says; else null. */
  readonly sentence: string | null;
}

export type Written = WasWritten | NotWritten;

/** It was written; `result` as in WasWritten. */
export function written(result: number): WasWritten {
  return { ok: true, result };
}

/** Nothing was written, and why. */
export function notWritten(code: NotWrittenCode, sentence: string | null = null): NotWritten {
  return { ok: false, code, sentence };
}
