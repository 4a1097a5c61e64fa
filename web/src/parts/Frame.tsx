/** What is in this frame, and who heard it? Opened in place: what is known, bytes, fields, receptions. */
import { useMemo, useState } from "preact/hooks";
import type { FieldView, FrameView, ReceptionRow } from "../../../src/contract/nodes.ts";
import { LinkButton } from "./form.tsx";
import { CopyButton, Fact, Facts, StandingMark } from "./page.tsx";
import "./FrameBytes.css";
import { counted, dbm, decibel, figure, megahertz } from "../../../src/words/format.ts";
import { exactTime, gatewayTitle } from "../format.ts";
import { useViewData } from "../state/view-data.ts";
import { type Column, column, DataTable, RIGHT, WIDE_ONLY } from "./DataTable.tsx";
import { Failed } from "./Gate.tsx";
import "./FrameOpened.css";
import { Explained } from "./Explain.tsx";

// Which field does an octet belong to? The finest one that covers it: the tree's leaves, in order of place.

interface FlatField {
  readonly index: number;
  readonly depth: number;
  readonly field: FieldView;
  readonly leaf: boolean;
}

/** The tree as a list, parents before their parts. */
export function flattenFields(fields: readonly FieldView[], depth = 0, start = 0): FlatField[] {
  const flat: FlatField[] = [];
  for (const field of fields) {
    const children = field.children ?? [];
    flat.push({ index: start + flat.length, depth, field, leaf: children.length === 0 });
    flat.push(...flattenFields(children, depth + 1, start + flat.length));
  }
  return flat;
}

/** For each octet of a frame of `size` octets: the index of its finest field, or −1. */
export function ownersOf(flat: readonly FlatField[], size: number): number[] {
  const owners: number[] = Array.from({ length: size }, () => -1);
  // Parents come first, so that their parts overwrite them.
  for (const { index, field } of flat)
    for (let at = Math.max(0, field.at); at < Math.min(size, field.at + field.size); at += 1)
      owners[at] = index;
  return owners;
}

/** "40", "1F", … from a hex string; an odd digit at the end is kept as it is. */
export function octetsOf(hex: string): string[] {
  return hex.match(/.{1,2}/g) ?? [];
}

// Frame bytes: what does each octet mean? Hex in rows of 16, fields underlined in turn with two inks, the tree
// beside it; hover or focus on one lights the other.

const PER_ROW = 16;

/** The octets of a frame and what they mean. */
function FrameBytes({ frame }: { frame: FrameView }) {
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
          aria-label="Octets of the frame. Arrow keys move."
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

// What is known of a frame beyond its octets: who signed it, its whole counter, its commands, its payload in clear?

const MIC_STANDING = { proved: "good", invalid: "bad", unknown: "waiting" } as const;

/** The facts above the octets. What is encrypted is said to be encrypted. */
function FrameFacts({ frame }: { frame: FrameView }) {
  return (
    <Facts>
      <Fact name="MIC">
        <StandingMark standing={MIC_STANDING[frame.mic]} word={frame.micWords} />
      </Fact>
      {frame.counter === null ? null : (
        <Fact name="Counter">
          {figure(frame.counter)}{" "}
          <span class="quiet small">
            32 bits, {frame.mic === "proved" ? "proved by the MIC" : "reconstructed from the 16 on air"}
          </span>
        </Fact>
      )}
      <Commands frame={frame} />
      <Payload frame={frame} />
    </Facts>
  );
}

function Commands({ frame }: { frame: FrameView }) {
  const { commands, commandsAre } = frame;
  if (commands.length === 0 && commandsAre === null) return null;
  return (
    <Fact name="MAC commands">
      {commands.length === 0 ? (
        <span class="quiet">{commandsAre === "encrypted" ? "encrypted" : "none that can be read"}</span>
      ) : (
        <ul>
          {commands.map((command, index) => (
            <li key={`${command.name} ${index}`}>
              {command.name}
              {command.words === "" ? "" : `: ${command.words}`}
            </li>
          ))}
        </ul>
      )}
      {commandsAre === null || commands.length === 0 ? null : <span class="quiet small">{commandsAre}</span>}
    </Fact>
  );
}

function Payload({ frame }: { frame: FrameView }) {
  const { decryptedHex, decryptedText } = frame;
  if (decryptedHex !== null)
    return (
      <Fact name="Payload">
        {decryptedText === null || decryptedText === "" ? null : <p class="frame-text">“{decryptedText}”</p>}
        <span class="mono">{decryptedHex.replace(/..(?=.)/g, "$& ")}</span>{" "}
        <span class="quiet small">decrypted, {counted(decryptedHex.length / 2, "octet")}</span>{" "}
        <span class="screen-only">
          <CopyButton words="copy decrypted hex" text={() => decryptedHex} />
        </span>
      </Fact>
    );
  const closed = flattenFields(frame.fields).find(({ field }) => field.note?.includes("encrypted") === true);
  if (closed === undefined || closed.field.name === "FOpts") return null;
  return (
    <Fact name="Payload">
      <span class="quiet">encrypted, {counted(closed.field.size, "octet")}; no key available opens it</span>
    </Fact>
  );
}

const COLUMNS: readonly Column<ReceptionRow>[] = [
  column("Gateway", gatewayTitle),
  column("Antenna", { wideOnly: true, right: true }, (row) => row.antenna),
  column("Channel", { wideOnly: true, right: true }, (row) => megahertz(row.frequencyHz)),
  column("Data rate", WIDE_ONLY, (row) => row.dataRate),
  column("RSSI", RIGHT, (row) => dbm(row.rssiDbm)),
  column("SNR", RIGHT, (row) => decibel(row.snrDb)),
  column("Margin", RIGHT, (row) => decibel(row.marginDb)),
];

/** Asks for frame `id` and shows it; `onClose` puts it away. */
export function FrameOpened({ id, onClose }: { id: number; onClose: () => void }) {
  const loaded = useViewData<FrameView>({ path: `/api/frames/${id}` }, null);
  return (
    <section class="frame-opened" aria-label={`Frame ${id}`}>
      {loaded.data === null ? (
        loaded.problem === null ? (
          <p class="quiet" role="status">
            ○ Opening the frame
          </p>
        ) : (
          <Failed problem={loaded.problem} again={loaded.reload} part />
        )
      ) : (
        <Opened frame={loaded.data} />
      )}
      <LinkButton class="link small screen-only" onClick={onClose}>
        close the frame
      </LinkButton>
    </section>
  );
}

function Opened({ frame }: { frame: FrameView }) {
  return (
    <>
      <h2 class="frame-title">
        Frame of {exactTime(Date.parse(frame.at), true)}, {frame.hex.length / 2} octets
      </h2>
      {frame.fault === null ? null : <p class="frame-fault">✕ {frame.fault}</p>}
      <FrameFacts frame={frame} />
      <h3 class="beneath">
        <Explained text="Octets" />
      </h3>
      <FrameBytes frame={frame} />
      <DataTable
        label="Who heard this frame"
        columns={COLUMNS}
        rows={frame.receptions}
        rowKey={(row) => String(row.id)}
      />
    </>
  );
}
