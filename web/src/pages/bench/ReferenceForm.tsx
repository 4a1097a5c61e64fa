/** Which gateway is known to be good, and how far may another one depart from it? */
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import type { BenchView as Bench } from "../../../../src/contract/bench.ts";
import { putBenchReference } from "../../state/api.ts";

/** Offered until the technician says otherwise; the command's own are the same. */
const DEFAULT_OFFSET_DB = 3;
const DEFAULT_LOSS_POINTS = 2;

export interface ReferenceFormProps {
  readonly bench: Bench;
  readonly onLeave: () => void;
  readonly onDone: () => void;
}

export function ReferenceForm({ bench, onLeave, onDone }: ReferenceFormProps) {
  const { reference, others, eui, name } = bench;
  const [chosen, setChosen] = useState(reference?.eui ?? others[0]?.eui ?? eui);
  const [offset, setOffset] = useState(String(reference?.maxOffsetDb ?? DEFAULT_OFFSET_DB));
  const [loss, setLoss] = useState(String(reference?.maxLossPoints ?? DEFAULT_LOSS_POINTS));
  const [trouble, setTrouble] = useState<string | null>(null);
  const first = useRef<HTMLSelectElement>(null);
  useLayoutEffect(() => first.current?.focus(), []);
  const keep = async () => {
    const maxOffsetDb = figure(offset);
    const maxLossPoints = figure(loss);
    if (!(maxOffsetDb > 0 && maxOffsetDb <= 60)) return setTrouble("The level's limit is above 0 to 60 dB.");
    if (!(maxLossPoints >= 0 && maxLossPoints <= 100))
      return setTrouble("The loss's limit is 0 to 100 points.");
    const answer = await putBenchReference({ eui: chosen, maxOffsetDb, maxLossPoints });
    if (answer.ok) onDone();
    else setTrouble(`${answer.problem.sentence} ${answer.problem.remedy}`);
  };
  // Heard or not, what was set stays to be chosen.
  const choices = [...others, { eui, name }];
  if (reference !== null && !choices.some((one) => one.eui === reference.eui)) choices.unshift(reference);
  return (
    <form
      class="reference-form screen-only"
      aria-label="Reference of the bench"
      onSubmit={(event) => {
        event.preventDefault();
        void keep();
      }}
      onKeyDown={(event) => {
        if (event.key === "Escape") onLeave();
      }}
    >
      <label>
        <span class="small quiet">Known good gateway</span>
        <select ref={first} value={chosen} onChange={(event) => setChosen(event.currentTarget.value)}>
          {choices.map((one) => (
            <option key={one.eui} value={one.eui}>
              {one.name === null ? one.eui : `${one.name}, ${one.eui}`}
              {one.eui === eui ? " (this one)" : ""}
            </option>
          ))}
        </select>
      </label>
      <label>
        <span class="small quiet">Level may differ by, dB</span>
        <input
          type="text"
          inputMode="decimal"
          size={6}
          value={offset}
          onInput={(event) => setOffset(event.currentTarget.value)}
        />
      </label>
      <label>
        <span class="small quiet">May lose more frames, points</span>
        <input
          type="text"
          inputMode="decimal"
          size={6}
          value={loss}
          onInput={(event) => setLoss(event.currentTarget.value)}
        />
      </label>
      <button type="submit" class="plain first">
        Measure against it
      </button>
      <button type="button" class="link" onClick={onLeave}>
        leave it
      </button>
      {trouble === null ? null : <span role="alert">✕ {trouble}</span>}
    </form>
  );
}

/** A decimal comma is a decimal point; nothing is no figure. */
function figure(text: string): number {
  const plain = text.trim().replace(",", ".");
  return plain === "" ? Number.NaN : Number(plain);
}
