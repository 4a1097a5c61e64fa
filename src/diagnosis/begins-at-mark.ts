/**
 * Does a dropout begin where a person pinned a mark? That is a meeting in time and no cause: it is told beside the
 * finding, never weighed in it.
 */

/** Times are microseconds since 1970. */
export interface MarkedMoment {
  readonly atUs: number;
  readonly gatewayEui: string | null;
  readonly devAddr: string | null;
}

export interface DropoutBegin {
  readonly kind: "counters" | "silence" | "steady";
  /** Last frame heard before; of a steady loss, where it was found to begin. */
  readonly fromUs: number;
  readonly toUs: number;
  /** Frames that should have come within it. */
  readonly expected: number;
  /** null: of many nodes. */
  readonly devAddr: string | null;
  /** The gateway whose trouble it is; null: of none, or of all. */
  readonly gatewayEui: string | null;
}

const MINUTE_US = 60_000_000;
/** People pin what they did some minutes before or after doing it. Chosen. */
const SLACK_US = 5 * MINUTE_US;
/** A change point is found to within some of the values around it, the better the shorter the period. Chosen. */
const STEADY_SLACK_US = 10 * MINUTE_US;
const STEADY_SHARE = 0.05;
const STEADY_MOST_US = 6 * 60 * MINUTE_US;

/**
 * The mark nearest to the dropout's begin among those that concern it, or null. What began it lies between the last
 * frame heard and the moment at which the next one was due.
 */
export function beginsAtMark<M extends MarkedMoment>(dropout: DropoutBegin, marks: readonly M[]): M | null {
  const [earliest, latest] = beginOf(dropout);
  let nearest: M | null = null;
  for (const mark of marks) {
    if (mark.atUs < earliest || mark.atUs > latest || !concerns(mark, dropout)) continue;
    const apart = Math.abs(mark.atUs - dropout.fromUs);
    if (nearest === null || apart < Math.abs(nearest.atUs - dropout.fromUs)) nearest = mark;
  }
  return nearest;
}

/** No mark before this moment meets the begin: for asking the store for no more marks than can count. */
export function earliestMarkUs(dropout: DropoutBegin): number {
  return beginOf(dropout)[0];
}

/** The stretch within which a mark meets the begin. */
function beginOf({ kind, fromUs, toUs, expected }: DropoutBegin): [number, number] {
  const lengthUs = toUs - fromUs;
  if (kind === "steady") {
    const slackUs = Math.min(STEADY_MOST_US, Math.max(STEADY_SLACK_US, lengthUs * STEADY_SHARE));
    return [fromUs - slackUs, fromUs + slackUs];
  }
  const dueUs = fromUs + lengthUs / (Math.max(1, expected) + 1);
  return [fromUs - SLACK_US, Math.min(toUs, dueUs) + SLACK_US];
}

function concerns(mark: MarkedMoment, { devAddr, gatewayEui }: DropoutBegin): boolean {
  if (mark.devAddr !== null) return mark.devAddr === devAddr;
  return mark.gatewayEui === null || gatewayEui === null || mark.gatewayEui === gatewayEui;
}
