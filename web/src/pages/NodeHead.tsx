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
  /** What a person said: one's own, a stranger's, or nothing. */
  readonly ownSaid: boolean | null;
  readonly onChanged: () => void;
}

/** The lines above a node's sentence. */
export function NodeHead({ row, keys, ownSaid, onChanged }: NodeHeadProps) {
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
        <Whose row={row} ownSaid={ownSaid} onChanged={onChanged} />
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
        <a class="screen-only" href={linkTo(`/walk/${row.devAddr}`)}>
          walk test with this node
        </a>
      </p>
    </>
  );
}

function Whose({ row, ownSaid, onChanged }: Omit<NodeHeadProps, "keys">) {
  const [trouble, setTrouble] = useState<string | null>(null);
  const say = async (own: boolean | null) => {
    const answer = await putLabel("node", row.devAddr, { own });
    setTrouble(answer.ok ? null : `${answer.problem.sentence} ${answer.problem.remedy}`);
    if (answer.ok) onChanged();
  };
  return (
    <>
      <fieldset class="node-whose screen-only" aria-label="Whose node is it?">
        <button type="button" aria-pressed={ownSaid === true} onClick={() => void say(true)}>
          mine
        </button>
        <button type="button" aria-pressed={ownSaid === false} onClick={() => void say(false)}>
          a stranger's
        </button>
        <button type="button" aria-pressed={ownSaid === null} onClick={() => void say(null)}>
          not said
        </button>
      </fieldset>
      {ownSaid === null ? (
        <span class="small quiet">taken for {row.stranger ? "a stranger's" : "yours"} by its network</span>
      ) : null}
      {trouble === null ? null : <span role="alert">✕ {trouble}</span>}
    </>
  );
}
