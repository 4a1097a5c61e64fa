/** Why is it taken for that? The finding's sentence, what speaks for and against it, and what would settle it. */
import { useState } from "preact/hooks";
import type { Evidence, Finding, ReceptionsLink } from "../../../../src/contract/gaps.ts";
import { percent, THIN } from "../../format/format.ts";
import { ReceptionTable } from "../../parts/ReceptionTable.tsx";
import { useReceptions } from "../../state/receptions.ts";
import { causeWords, confidenceWords } from "./gap-words.ts";

/** The service writes thin spaces before units; here a line must not end at them. */
const unbroken = (text: string) => text.replaceAll("\u2009", THIN);

/** A finding in words. */
export function FindingWords({ finding }: { finding: Finding }) {
  const { evidence, against, alternatives, recordNext } = finding;
  return (
    <div class="finding">
      <p class="finding-sentence">
        {unbroken(finding.sentence)}{" "}
        <span class="quiet">
          {causeWords(finding.cause)}
          {finding.cause === "unexplained" ? "" : `, ${confidenceWords(finding)}`}.
        </span>
      </p>
      <div class="finding-sides">
        <Side title="Speaks for it" none="Nothing speaks for a cause." for={true} sentences={evidence} />
        <Side title="Speaks against it" none="Nothing speaks against it." for={false} sentences={against} />
      </div>
      {alternatives.length === 0 ? null : (
        <p>
          <span class="quiet">Next in question:</span>{" "}
          {alternatives
            .map(({ cause, confidence }) => `${causeWords(cause)} (${percent(confidence, 0)})`)
            .join(", ")}
        </p>
      )}
      {recordNext.length === 0 ? null : (
        <>
          <h3>What to record next</h3>
          <ul class="finding-next">
            {recordNext.map((words) => (
              <li key={words}>{unbroken(words)}</li>
            ))}
          </ul>
        </>
      )}
    </div>
  );
}

interface SideProps {
  readonly title: string;
  readonly none: string;
  readonly for: boolean;
  readonly sentences: readonly Evidence[];
}

function Side({ title, none, for: isFor, sentences }: SideProps) {
  return (
    <section aria-label={title}>
      <h3>{title}</h3>
      {sentences.length === 0 ? (
        <p class="quiet">{none}</p>
      ) : (
        <ul class={isFor ? "evidence evidence-for" : "evidence evidence-against"}>
          {sentences.map((one) => (
            <Said key={`${one.lane} ${one.sentence}`} evidence={one} />
          ))}
        </ul>
      )}
    </section>
  );
}

function Said({ evidence }: { evidence: Evidence }) {
  const [shown, setShown] = useState(false);
  const { receptionsQuery, sentence } = evidence;
  return (
    <li>
      {unbroken(sentence)}{" "}
      {receptionsQuery === null ? null : (
        <button
          type="button"
          class="link small screen-only"
          aria-expanded={shown}
          onClick={() => setShown(!shown)}
        >
          {shown ? "fold the receptions" : "its receptions"}
          <span class="unseen"> for: {sentence}</span>
        </button>
      )}
      {shown && receptionsQuery !== null ? <Beneath asked={receptionsQuery} /> : null}
    </li>
  );
}

/** The receptions that a sentence rests on. */
function Beneath({ asked }: { asked: ReceptionsLink }) {
  const { devAddr, life, gateway, from, to } = asked;
  const list = useReceptions({ devAddr, life, gatewayEui: gateway, from, to }, 0);
  return (
    <div class="evidence-beneath">
      {list.loading && list.rows.length === 0 ? <p class="quiet small">○ asking</p> : null}
      <ReceptionTable
        list={list}
        withNode={devAddr === null}
        none="No reception lies there: that nothing was heard is what the sentence says."
      />
    </div>
  );
}
