/** What a comparison rests on: its nodes, what else may have changed, how frames were read, who got them through. */
import type { TrialAnswer } from "../../../../src/contract/trials.ts";
import { CoverageTables, Distributions } from "./CoverageTables.tsx";
import { type Compared, Forest } from "./Forest.tsx";

export function RestsOn({ answer }: { answer: Compared & Pick<TrialAnswer, "reservations"> }) {
  return (
    <>
      {answer.nodes.length === 0 ? null : <Forest answer={answer} />}
      {answer.reservations.length === 0 ? null : (
        <ul class="reservations">
          {answer.reservations.map((line) => (
            <li key={line}>
              <span aria-hidden="true">▲</span> {line}
            </li>
          ))}
        </ul>
      )}
      {answer.snr.a.length === 0 ? null : <Distributions answer={answer} />}
      {answer.nodes.length === 0 ? null : <CoverageTables answer={answer} />}
    </>
  );
}
