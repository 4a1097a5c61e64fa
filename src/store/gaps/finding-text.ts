/** How is a finding kept? As the JSON that an answer hands on: in the contract's form, but for the judged figures in columns. */
import type { FindingEvidence, GapJudgement } from "../../model/finding.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import { isoTime } from "../../model/window.ts";

interface OfNode {
  readonly devAddr: number;
  readonly life: number;
}

/** The words of a finding: sentence, evidence with links, alternatives, what to record next. */
export function findingText(gap: OfNode, judgement: GapJudgement): string {
  const { sentence, evidence, against, alternatives, recordNext } = judgement;
  return JSON.stringify({
    sentence,
    evidence: evidence.map((one) => evidenceOf(gap, one)),
    against: against.map((one) => evidenceOf(gap, one)),
    alternatives: alternatives.map(({ cause, confidence }) => ({
      cause,
      confidence: thousandth(confidence),
    })),
    recordNext,
  });
}

function evidenceOf(
  { devAddr, life }: OfNode,
  { sentence, lane, restsOn, weight }: FindingEvidence,
): unknown {
  return {
    sentence,
    lane,
    receptionsQuery:
      restsOn === null
        ? null
        : {
            devAddr: restsOn.ofNode ? formatDevAddr(devAddr) : null,
            life: restsOn.ofNode ? life : null,
            gateway: restsOn.gatewayEui,
            from: isoTime(restsOn.fromUs),
            to: isoTime(restsOn.toUs),
          },
    weight: Math.round(weight * 100) / 100,
  };
}

function thousandth(value: number): number {
  return Math.round(value * 1000) / 1000;
}
