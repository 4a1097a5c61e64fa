/**
 * Does a transmitter keep its limits, as far as what was heard can tell? Heard airtime is a lower bound: over the limit
 * is over the limit, but under it proves nothing. Never a statement of conformity.
 */
import { percent, span } from "./standing.ts";

export interface AirtimeEvidence {
  /** Share of the fullest sliding hour that was heard, 0 to 1. */
  readonly atLeast: number;
  /** The same divided by the delivery ratio; null where that is unknown. */
  readonly estimate: number | null;
  /** Share allowed; null: the sources name none. */
  readonly limit: number | null;
  /** Length of the stretch looked at, seconds. */
  readonly seconds: number;
}

export interface AirtimeVerdict {
  readonly standing: "good" | "look" | "bad" | "waiting";
  readonly words: string;
}

/** Share of a limit from which it is worth a look. Common practice, no source. */
const NEAR = 0.8;

/** The airtime of one transmitter in one sub-band. */
export function judgeAirtime({ atLeast, estimate, limit, seconds }: AirtimeEvidence): AirtimeVerdict {
  if (limit === null) return { standing: "waiting", words: "no duty-cycle limit in the sources" };
  const allowed = percent(limit);
  if (atLeast > limit) return { standing: "bad", words: `over ${allowed} by what was heard alone` };
  if (estimate !== null && estimate > limit) {
    return { standing: "look", words: `probably over ${allowed}, frames that were missed included` };
  }
  if (Math.max(atLeast, estimate ?? 0) >= NEAR * limit) {
    return { standing: "look", words: `close to ${allowed}` };
  }
  if (seconds < 3600) {
    return { standing: "waiting", words: `under ${allowed} so far; ${span(seconds)} are less than an hour` };
  }
  return { standing: "good", words: `under ${allowed} by what was heard` };
}

export interface DwellEvidence {
  readonly frameLimitMs: number;
  readonly longestFrameMs: number;
  readonly framesOver: number;
  readonly frames: number;
  readonly inPeriod: { readonly seconds: number; readonly limitMs: number; readonly mostMs: number } | null;
}

/** Single frames, and where the region has it the occupancy of one frequency, against the dwell limit. */
export function judgeDwell(evidence: DwellEvidence): AirtimeVerdict {
  const { frameLimitMs, longestFrameMs, framesOver, frames, inPeriod } = evidence;
  const milliseconds = (ms: number) => `${Math.round(ms).toLocaleString("en-GB")}\u2009ms`;
  if (framesOver > 0) {
    return {
      standing: "bad",
      words: `${framesOver} of ${frames} frames longer than ${milliseconds(frameLimitMs)}, the longest ${milliseconds(longestFrameMs)}`,
    };
  }
  if (inPeriod !== null && inPeriod.mostMs > inPeriod.limitMs) {
    return {
      standing: "bad",
      words: `${milliseconds(inPeriod.mostMs)} on one frequency within ${inPeriod.seconds}\u2009s, ${milliseconds(inPeriod.limitMs)} allowed`,
    };
  }
  return {
    standing: "good",
    words: `longest frame ${milliseconds(longestFrameMs)} of ${milliseconds(frameLimitMs)}`,
  };
}
