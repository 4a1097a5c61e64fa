/** How does a person say where a thing stands? A few fields beneath its name; what is left empty is not known. */
import { useState } from "preact/hooks";
import type { PositionChange, PositionRow } from "../../../../src/contract/user-data.ts";
import { deletePosition, putPosition, problemWords } from "../../state/api.ts";
import "./PositionEdit.css";

export interface PositionEditProps {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly title: string;
  readonly position: PositionRow | null;
  readonly onChanged: () => void;
  readonly onClose: () => void;
}

type Field = Exclude<keyof PositionChange, never>;

const FIELDS: readonly { field: Field; label: string; only?: "gateway" | "node" }[] = [
  { field: "latitudeDeg", label: "Latitude °" },
  { field: "longitudeDeg", label: "Longitude °" },
  { field: "eastM", label: "East m" },
  { field: "northM", label: "North m" },
  { field: "heightM", label: "Height m" },
  { field: "eirpDbm", label: "EIRP dBm", only: "node" },
  { field: "antennaGainDbi", label: "Gain dBi", only: "gateway" },
];

/** The fields, beneath the row that they are about; `onClose` is called when they are done with. */
export function PositionEdit({ kind, id, title, position, onChanged, onClose }: PositionEditProps) {
  const [trouble, setTrouble] = useState<string | null>(null);
  const said = position !== null && position.from !== "gps";
  const finish = (answer: Awaited<ReturnType<typeof putPosition>>) => {
    if (!answer.ok) {
      setTrouble(problemWords(answer.problem));
      return;
    }
    onClose();
    onChanged();
  };
  const keep = async (form: HTMLFormElement) => {
    const change: Record<string, number> = {};
    for (const { field, label } of FIELDS) {
      const text = String(new FormData(form).get(field) ?? "")
        .trim()
        .replace("\u2212", "-")
        .replace(",", ".");
      if (text === "") continue;
      const value = Number(text);
      if (!Number.isFinite(value)) {
        setTrouble(`${label}: “${text}” is no figure.`);
        return;
      }
      change[field] = value;
    }
    finish(await putPosition(kind, id, change));
  };
  return (
    <form
      class="position-edit"
      onSubmit={(event) => {
        event.preventDefault();
        void keep(event.currentTarget);
      }}
      onKeyDown={(event) => {
        if (event.key === "Escape") onClose();
      }}
    >
      <p class="small quiet">
        In degrees, or in metres from a point of your choice; leave empty what you do not know.
      </p>
      <div class="position-fields">
        {FIELDS.filter(({ only }) => only === undefined || only === kind).map(({ field, label }) => (
          <label key={field}>
            <span class="small quiet">{label}</span>
            <input
              type="text"
              inputMode="decimal"
              name={field}
              defaultValue={said || position?.[field] !== null ? String(position?.[field] ?? "") : ""}
              aria-label={`${label} of ${title}`}
            />
          </label>
        ))}
      </div>
      <p class="position-buttons">
        <button type="submit" class="plain">
          keep
        </button>
        {said ? (
          <button
            type="button"
            class="link"
            onClick={() => void deletePosition(kind, id).then((answer) => finish(answer))}
          >
            take it back
          </button>
        ) : null}
        <button type="button" class="link" onClick={onClose}>
          leave as it was
        </button>
      </p>
      {trouble === null ? null : <p role="alert">✕ {trouble}</p>}
    </form>
  );
}
