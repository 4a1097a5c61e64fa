/** What do the frames that both sides heard say by themselves? For comparison: the floor has chosen them. */
import type { TrialAnswer } from "../../contract/trials.ts";
import type { Reading } from "../../diagnosis/trials/evidence.ts";
import { chooseSignalPowerSource, type SignalPowerSource, signalPowerDbm } from "../../radio/signal-power.ts";
import { hodgesLehmann, signedRank } from "../../statistics/signed-rank.ts";
import { intervalOf, NOTHING } from "./trial-groups.ts";

/** `differences`: of their SNR, a minus b, dB. */
export function commonFrames(
  common: readonly { readonly a: Reading | null; readonly b: Reading | null }[],
  differences: readonly number[],
): TrialAnswer["commonFrames"] {
  const readings = common.flatMap(({ a, b }) => (a === null || b === null ? [] : [{ a, b }]));
  const source: SignalPowerSource = chooseSignalPowerSource(readings.flatMap(({ a, b }) => [a, b]));
  const powers = readings.flatMap(({ a, b }) => {
    const one = signalPowerDbm(a, source);
    const other = signalPowerDbm(b, source);
    return one === null || other === null ? [] : [one - other];
  });
  return {
    count: readings.length,
    snrDifferenceDb: shift(differences),
    signedRankP: signedRank(differences).p,
    powerDifferenceDb: shift(powers),
    powerSource: source,
  };
}

function shift(differences: readonly number[]): TrialAnswer["snrDifferenceDb"] {
  const { estimate, low, high } = hodgesLehmann(differences);
  if (estimate === null) return NOTHING;
  if (low === null || high === null) return { ...NOTHING, estimate };
  return intervalOf({ estimate, low, high });
}
