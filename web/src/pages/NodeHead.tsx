/** Which node is this, what is it called, and whose is it? */
import { useState } from "preact/hooks";
import type { KeyFigures, NodeRow } from "../../../src/contract/nodes.ts";
import { IntervalBar } from "../drawings/IntervalBar.tsx";
import { duration, percent, percentInterval } from "../format/format.ts";
import { keyFigureWords } from "../format/key-words.ts";
import { NameEdit } from "../parts/NameEdit.tsx";
import { StandingMark } from "../parts/StandingMark.tsx";
import { When } from "../parts/When.tsx";
import { putLabel } from "../state/api.ts";
import { linkTo } from "../state/route.ts";

export interface NodeHeadProps {
  readonly row: NodeRow;
  readonly keys: KeyFigures;
  readonly onChanged: () => void;
}

/** The lines above a node's sentence. */
export function NodeHead({ row, keys, onChanged }: NodeHeadProps) {
  return (
    <>
      <div class="node-head">
        <strong>{row.name ?? <span class="mono">{row.devAddr}</span>}</strong>
        {row.name === null ? null : <span class="mono quiet">{row.devAddr}</span>}
        <span class="quiet">
          life {row.life} · {row.network}
        </span>
        <StandingMark standing={row.standing} />
        <NameEdit kind="node" id={row.devAddr} name={row.name} onChanged={onChanged} />
        <Whose row={row} onChanged={onChanged} />
      </div>
      <p class="node-head small quiet">
        <span>
          last heard <When at={row.lastHeard} />
        </span>
        <span>rhythm {duration(row.rhythmSeconds)}</span>
        <span>
          delivery {percent(row.deliveryRatio)}{" "}
          <IntervalBar ratio={row.deliveryRatio} interval={row.deliveryInterval95} />{" "}
          {percentInterval(row.deliveryInterval95)}
        </span>
        <span>SNR trend: {row.snrTrend.words}</span>
      </p>
      <p class="node-head small quiet">
        {keys.invalid + keys.replays > 0 ? <StandingMark standing="look" /> : null}
        <span>{keyFigureWords(keys)}</span>
        <a class="screen-only" href={linkTo("/captures")}>
          {keys.held ? "keys at hand" : "take in keys"}
        </a>
      </p>
    </>
  );
}

function Whose({ row, onChanged }: { row: NodeRow; onChanged: () => void }) {
  const [trouble, setTrouble] = useState<string | null>(null);
  const say = async (own: boolean) => {
    const answer = await putLabel("node", row.devAddr, { own });
    setTrouble(answer.ok ? null : `${answer.problem.sentence} ${answer.problem.remedy}`);
    if (answer.ok) onChanged();
  };
  return (
    <>
      <fieldset class="node-whose screen-only" aria-label="Whose node is it?">
        <button type="button" aria-pressed={!row.stranger} onClick={() => void say(true)}>
          mine
        </button>
        <button type="button" aria-pressed={row.stranger} onClick={() => void say(false)}>
          a stranger's
        </button>
      </fieldset>
      {trouble === null ? null : <span role="alert">✕ {trouble}</span>}
    </>
  );
}
