/**
 * Frame bytes: what does each octet mean? Hex in rows of 16, fields underlined in turn with two inks, the tree
 * beside it; hover or focus on one lights the other.
 */
import { useMemo, useState } from "preact/hooks";
import type { FrameView } from "../../../src/contract/nodes.ts";
import { CopyButton } from "./CopyButton.tsx";
import { type FlatField, flattenFields, octetsOf, ownersOf } from "./frame-fields.ts";
import "./FrameBytes.css";

const PER_ROW = 16;

/** The octets of a frame and what they mean. */
export function FrameBytes({ frame }: { frame: FrameView }) {
  const octets = useMemo(() => octetsOf(frame.hex), [frame.hex]);
  const flat = useMemo(() => flattenFields(frame.fields), [frame.fields]);
  const owners = useMemo(() => ownersOf(flat, octets.length), [flat, octets]);
  const [lit, setLit] = useState<number | null>(null);
  const [cursor, setCursor] = useState(0);
  const rows = Array.from({ length: Math.ceil(octets.length / PER_ROW) }, (_, row) => row * PER_ROW);
  const field = lit === null ? undefined : flat[lit]?.field;
  const covers = (at: number) => field !== undefined && at >= field.at && at < field.at + field.size;
  const ink = inkOf(flat);
  // A pointer that leaves one field does not darken another that has the focus.
  const dark = (index: number) => setLit((before) => (before === index ? null : before));
  const walk = (event: KeyboardEvent) => {
    const step = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -PER_ROW, ArrowDown: PER_ROW }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    const next = Math.min(octets.length - 1, Math.max(0, cursor + step));
    setCursor(next);
    setLit(owners[next] ?? null);
  };
  return (
    <div class="frame-bytes">
      <div>
        <div
          class="hex mono"
          role="slider"
          tabIndex={0}
          aria-label="Octets of the frame. Arrows walk."
          aria-valuemin={0}
          aria-valuemax={Math.max(0, octets.length - 1)}
          aria-valuenow={cursor}
          aria-valuetext={`octet ${cursor}: ${octets[cursor] ?? ""}${field === undefined ? "" : `, ${field.name} ${field.value}`}`}
          onKeyDown={walk}
          onMouseLeave={() => setLit(null)}
          onBlur={() => setLit(null)}
        >
          {rows.map((start) => (
            <div key={start} class="hex-row">
              <span class="hex-at">{start.toString(16).toUpperCase().padStart(2, "0")}</span>
              {octets.slice(start, start + PER_ROW).map((octet, offset) => {
                const at = start + offset;
                const owner = owners[at] ?? -1;
                const classes = ["octet", `octet-${ink[owner] ?? "none"}`, covers(at) ? "lit" : ""];
                return (
                  // biome-ignore lint/a11y/useKeyWithClickEvents: the keyboard walks the row of octets as a whole
                  // biome-ignore lint/a11y/noStaticElementInteractions: as above
                  <span
                    key={at}
                    class={classes.join(" ")}
                    onMouseEnter={() => setLit(owner < 0 ? null : owner)}
                    onClick={() => setCursor(at)}
                  >
                    {octet}
                  </span>
                );
              })}
            </div>
          ))}
        </div>
        <div class="frame-copy screen-only">
          <CopyButton words="copy hex" text={() => frame.hex} />
          <CopyButton words="copy base64" text={() => frame.base64} />
          <CopyButton words="copy JSON" text={() => JSON.stringify(frame, null, 2)} />
        </div>
      </div>
      <Tree flat={flat} lit={lit} onLight={setLit} onDark={dark} ink={ink} />
    </div>
  );
}

interface TreeProps {
  readonly flat: readonly FlatField[];
  readonly lit: number | null;
  readonly onLight: (index: number) => void;
  readonly onDark: (index: number) => void;
  readonly ink: readonly string[];
}

function Tree({ flat, lit, onLight, onDark, ink }: TreeProps) {
  return (
    <ul class="fields">
      {flat.map(({ index, depth, field }) => (
        <li key={index} class={`field field-depth-${Math.min(depth, 4)}`}>
          <button
            type="button"
            class={lit === index ? "field-row lit" : "field-row"}
            aria-pressed={lit === index}
            onMouseEnter={() => onLight(index)}
            onMouseLeave={() => onDark(index)}
            onFocus={() => onLight(index)}
            onBlur={() => onDark(index)}
          >
            <span class={`field-name octet-${ink[index] ?? "none"}`}>{field.name}</span>
            <span class="mono field-value">{field.value}</span>
            {field.note === undefined ? null : <span class="field-note quiet small">{field.note}</span>}
          </button>
        </li>
      ))}
    </ul>
  );
}

/** Leaves take the two inks in turn; a parent has none of its own. */
function inkOf(flat: readonly FlatField[]): string[] {
  let turn = 0;
  return flat.map(({ leaf }) => {
    if (!leaf) return "none";
    turn += 1;
    return turn % 2 === 1 ? "a" : "b";
  });
}
