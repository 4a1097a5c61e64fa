/** Take it out of the store? A button, then what will go, then the word that does it. */
import { useState } from "preact/hooks";
import { deleteThing, getForgotten, troubleOf } from "../state/api.ts";

export interface ForgetProps {
  readonly kind: "gateway" | "node";
  /** Node: its address; gateway: its EUI. */
  readonly id: string;
  readonly onForgotten: () => void;
}

/** "forget this gateway": asks the service what would go, and lets a person decide. */
export function Forget({ kind, id, onForgotten }: ForgetProps) {
  const [words, setWords] = useState<string | null>(null);
  const [trouble, setTrouble] = useState<string | null>(null);
  const ask = async () => {
    const answer = await getForgotten(kind, id);
    setTrouble(troubleOf(answer));
    if (answer.ok) setWords(answer.value.words);
  };
  const forget = async () => {
    const answer = await deleteThing(kind, id);
    setTrouble(troubleOf(answer));
    if (answer.ok) onForgotten();
  };
  if (words === null)
    return (
      <p class="screen-only">
        <button type="button" class="link small" onClick={() => void ask()}>
          forget this {kind}
        </button>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    );
  return (
    <fieldset class="notice screen-only" aria-label={`Forget ${kind} ${id}`}>
      <p>
        To forget {kind} <span class="mono">{id}</span> takes away {words}. There is no way back.
      </p>
      <p>
        <button type="button" class="plain" onClick={() => void forget()}>
          Forget it
        </button>{" "}
        <button type="button" class="link" onClick={() => setWords(null)}>
          keep it
        </button>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    </fieldset>
  );
}
