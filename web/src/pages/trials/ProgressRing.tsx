/** How far is a trial from being settled? A ring that fills, and the frames that are still needed in words. */
import type { TrialAnswer } from "../../../../src/contract/trials.ts";
import { percent, unbroken } from "../../format/format.ts";

const RADIUS = 34;
const ROUND = 2 * Math.PI * RADIUS;

export function ProgressRing({ answer }: { answer: TrialAnswer }) {
  const { progress, neededWords, framesStillNeeded } = answer;
  const words = <p class="trial-needed">{unbroken(sentenceOf(neededWords))}</p>;
  // An empty ring would promise that it fills with time.
  if (framesStillNeeded === null) return <div class="trial-progress">{words}</div>;
  const share = Math.min(1, Math.max(0, progress));
  return (
    <div class="trial-progress">
      <svg viewBox="0 0 80 80" role="img" aria-label={`${percent(share, 0)} of the frames that it takes`}>
        <circle class="ring-ground" cx="40" cy="40" r={RADIUS} />
        <circle
          class="ring-done"
          cx="40"
          cy="40"
          r={RADIUS}
          stroke-dasharray={`${(share * ROUND).toFixed(1)} ${ROUND.toFixed(1)}`}
          transform="rotate(-90 40 40)"
        />
        <text x="40" y="45" text-anchor="middle">
          {percent(share, 0)}
        </text>
      </svg>
      {words}
    </div>
  );
}

function sentenceOf(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
