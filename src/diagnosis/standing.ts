/**
 * How does a node or a gateway stand: good, needs a look, bad, or too early to say? One table of thresholds, each
 * with its basis, and a clause that carries the figures.
 */

export type StandingWord = "good" | "look" | "bad" | "waiting";

export interface Judgement {
  readonly standing: StandingWord;
  readonly clause: string;
}

/** All: common practice, no source, except where another basis is named. */
export const THRESHOLDS = {
  /** Fewer expected counters than this, and a ratio says too little: 10 of 10 is 72 to 100 % (Wilson). */
  leastExpected: 10,
  /** Loss from which a node needs a look, and from which it is bad. */
  lookLoss: 0.05,
  badLoss: 0.2,
  /** Median margin over the demodulation floor below which a link is thin, and below which it is failing. */
  lookMarginDb: 5,
  badMarginDb: 1,
} as const;

export interface NodeEvidence {
  readonly expected: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
  /** Wilson interval of the delivery ratio; null when there is none. */
  readonly deliveryInterval95: readonly [number, number] | null;
  readonly marginMedianDb: number | null;
  readonly overdue: boolean;
  readonly silentForSeconds: number;
  readonly rhythmSeconds: number | null;
}

/** Judges loss on the air: what was missed while no gateway was within reach is the gateways' affair. */
export function judgeNode(evidence: NodeEvidence): Judgement {
  const { expected, missed, missedDuringOutage, marginMedianDb, overdue } = evidence;
  const onAir = missed - missedDuringOutage;
  const loss = expected > 0 ? onAir / expected : 0;
  const lossClause = `lost ${percent(loss)} on the air (${onAir} of ${expected})`;
  if (overdue) {
    const rhythm =
      evidence.rhythmSeconds === null ? "" : `, it sends about every ${span(evidence.rhythmSeconds)}`;
    return { standing: "look", clause: `silent for ${span(evidence.silentForSeconds)}${rhythm}` };
  }
  if (expected < THRESHOLDS.leastExpected) {
    return {
      standing: "waiting",
      clause: `too early to say: ${expected} of ${THRESHOLDS.leastExpected} counters`,
    };
  }
  if (loss >= THRESHOLDS.badLoss) return { standing: "bad", clause: lossClause };
  if (marginMedianDb !== null && marginMedianDb < THRESHOLDS.badMarginDb) {
    return { standing: "bad", clause: `median margin ${decibel(marginMedianDb)}, at the demodulation floor` };
  }
  if (loss >= THRESHOLDS.lookLoss) return { standing: "look", clause: lossClause };
  if (marginMedianDb !== null && marginMedianDb < THRESHOLDS.lookMarginDb) {
    return { standing: "look", clause: `median margin only ${decibel(marginMedianDb)}` };
  }
  const delivered = 1 - (expected > 0 ? missed / expected : 0);
  const outage = missedDuringOutage > 0 ? `, ${missedDuringOutage} missed while no gateway was in reach` : "";
  return { standing: "good", clause: `delivered ${percent(delivered)} of ${expected}${outage}` };
}

export interface GatewayEvidence {
  readonly isOut: boolean;
  readonly silentForSeconds: number;
  readonly outageSeconds: number;
  readonly outages: number;
  readonly restarts: number;
  readonly receptions: number;
  readonly keepaliveSeconds: number | null;
  readonly ackPercent: number | null;
  readonly crcBad: number;
}

export function judgeGateway(evidence: GatewayEvidence): Judgement {
  const { isOut, outages, restarts, receptions, keepaliveSeconds } = evidence;
  if (isOut) return { standing: "bad", clause: `out of reach for ${span(evidence.silentForSeconds)}` };
  if (outages > 0) {
    const times = outages === 1 ? "once" : `${outages} times`;
    return { standing: "look", clause: `was out of reach ${times}, ${span(evidence.outageSeconds)} in all` };
  }
  if (restarts > 0) {
    return {
      standing: "look",
      clause: `its counter began anew ${restarts === 1 ? "once" : `${restarts} times`}`,
    };
  }
  if (receptions === 0) return { standing: "waiting", clause: "alive, but heard no packet in this window" };
  if (keepaliveSeconds === null) {
    return { standing: "look", clause: "sends no keepalives: downlinks cannot reach it" };
  }
  return { standing: "good", clause: `in reach throughout, keepalive every ${span(keepaliveSeconds)}` };
}

/** "4 min", "2 h 10 min", "45 s". Thin spaces. */
export function span(seconds: number): string {
  const whole = Math.max(0, Math.round(seconds));
  if (whole < 90) return `${whole}\u2009s`;
  const minutes = Math.round(whole / 60);
  if (minutes < 120) return `${minutes}\u2009min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) {
    const rest = minutes % 60;
    return rest === 0 ? `${hours}\u2009h` : `${hours}\u2009h ${rest}\u2009min`;
  }
  return `${Math.round(hours / 24)}\u2009days`;
}

/** "2.4 %", "97 %": one decimal below ten. */
export function percent(ratio: number): string {
  const value = ratio * 100;
  // 99.96 must not print as 100 when something was lost.
  const digits = value === 100 || value === 0 ? 0 : value < 1 ? 2 : value < 10 || value > 99 ? 1 : 0;
  const rounded = value < 100 && value > 99.9 ? "99.9" : value.toFixed(digits);
  return `${rounded}\u2009%`;
}

export function decibel(db: number): string {
  return `${db < 0 ? "\u2212" : ""}${Math.abs(db).toFixed(1)}\u2009dB`;
}
