/** "From now on this gateway stands here": the form that says it, changes it, or takes it back. */
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import type { PlacementRow } from "../../../../src/contract/trials.ts";
import type { MarkRow } from "../../../../src/contract/user-data.ts";
import { exactTime } from "../../format.ts";
import {
  type Answer,
  deletePlacement,
  deletePlacementPhoto,
  postPlacement,
  problemWords,
  putPlacement,
  putPlacementPhoto,
} from "../../state/api.ts";
import { serviceNowMs } from "../../state/clock.ts";
import { currentWindow } from "../../state/route.ts";
import { readMoment } from "../../state/window.ts";

/**
 * How does a phone's photo become small enough to keep? Drawn anew at most 1,600 px wide or high and written as JPEG: that
 * also turns it the right way up, and leaves behind what the camera wrote of place and owner.
 */
const MAX_PX = 1_600;
const QUALITY = 0.82;

/** The smaller picture as a canvas, fit to be shown; null: the browser cannot read it. */
async function readPhoto(file: Blob): Promise<HTMLCanvasElement | null> {
  const bitmap = await createImageBitmap(file).catch(() => null);
  if (bitmap === null) return null;
  const scale = Math.min(1, MAX_PX / Math.max(bitmap.width, bitmap.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(bitmap.width * scale));
  canvas.height = Math.max(1, Math.round(bitmap.height * scale));
  canvas.getContext("2d")?.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  bitmap.close();
  return canvas;
}

/** Its octets as JPEG; null: the browser cannot write it. */
function photoOctets(canvas: HTMLCanvasElement): Promise<Blob | null> {
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
}

// A photo of the place, if wished: the one that is kept, or the one that will be.

/** keep: as it is; none: take it away; else the new one. */
type PhotoChange = "keep" | "none" | HTMLCanvasElement;

interface PhotoFieldProps {
  /** Path of the photo that is kept; null: none. */
  readonly kept: string | null;
  readonly change: PhotoChange;
  readonly onChange: (change: PhotoChange) => void;
  readonly onTrouble: (sentence: string) => void;
}

function PhotoField({ kept, change, onChange, onTrouble }: PhotoFieldProps) {
  const [busy, setBusy] = useState(false);
  const take = async (file: File | undefined) => {
    if (file === undefined) return;
    setBusy(true);
    const photo = await readPhoto(file);
    setBusy(false);
    if (photo === null) onTrouble("This browser cannot read that picture; choose a JPEG or PNG.");
    else onChange(photo);
  };
  const shown = change === "keep" ? kept : null;
  return (
    <div class="photo-field">
      <label>
        <span class="small quiet">Photo, if you like</span>
        <input
          type="file"
          accept="image/jpeg,image/png,image/webp,image/heic"
          disabled={busy}
          onChange={(event) => void take(event.currentTarget.files?.[0])}
        />
      </label>
      {shown === null ? null : <img src={shown} alt="The place as it was kept" />}
      {typeof change === "string" ? null : <Preview photo={change} />}
      {shown === null && typeof change === "string" ? null : (
        <button type="button" class="link" onClick={() => onChange("none")}>
          no photo
        </button>
      )}
    </div>
  );
}

/** The picture itself: an address of it would be none of this service's. */
function Preview({ photo }: { readonly photo: HTMLCanvasElement }) {
  const frame = useRef<HTMLSpanElement>(null);
  useEffect(() => frame.current?.replaceChildren(photo), [photo]);
  return <span ref={frame} role="img" aria-label="The photo chosen" />;
}

/** A gateway, or one of its antennas: EUI or EUI/antenna. */
export interface Receiver {
  readonly id: string;
  readonly title: string;
}

interface FormProps {
  /** null: a new one. */
  readonly placement: PlacementRow | null;
  readonly receivers: readonly Receiver[];
  /** What people noted: any of them may be when it was moved. */
  readonly marks: readonly MarkRow[];
  /** The mark that a new placement begins at; null: none was chosen. */
  readonly at: MarkRow | null;
  readonly onLeave: () => void;
  readonly onDone: () => void;
}

type Field = "name" | "when" | "height" | "gain" | "loss" | "direction" | "note";

export function PlacementForm({ placement, receivers, marks, at, onLeave, onDone }: FormProps) {
  const fixed = currentWindow.value.kind === "fixed";
  const text = (value: number | null | undefined) =>
    value === null || value === undefined ? "" : String(value);
  const known = placement?.from ?? at?.at ?? null;
  const begin = known === null ? (fixed ? "" : "now") : exactTime(Date.parse(known));
  const [said, setSaid] = useState<Record<Field, string>>({
    name: placement?.name ?? "",
    when: begin,
    height: text(placement?.heightM),
    gain: text(placement?.antennaGainDbi),
    loss: text(placement?.cableLossDb),
    direction: placement?.direction ?? "",
    note: placement?.note ?? at?.text ?? "",
  });
  const [receiver, setReceiver] = useState(
    receivers.find(({ id }) => id === at?.gatewayEui)?.id ?? receivers[0]?.id ?? "",
  );
  // Words tell a moment to the second; what was not touched, or taken from a mark, stays exact.
  const [exact, setExact] = useState({ words: begin, ms: known === null ? null : Date.parse(known) });
  const [photo, setPhoto] = useState<PhotoChange>("keep");
  const [trouble, setTrouble] = useState<string | null>(null);
  const first = useRef<HTMLInputElement>(null);
  useLayoutEffect(() => first.current?.focus(), []);
  const settle = (answer: Answer<unknown>) => {
    if (answer.ok) onDone();
    else setTrouble(problemWords(answer.problem));
  };
  const keep = async () => {
    const choice = currentWindow.value;
    const nowMs = serviceNowMs();
    const read =
      exact.ms !== null && said.when === exact.words
        ? { ok: true as const, ms: exact.ms }
        : readMoment(said.when, nowMs, choice.kind === "fixed" ? choice.fromMs : nowMs);
    if (said.name.trim() === "") return setTrouble("Give the place a name.");
    if (!read.ok) return setTrouble(read.sentence);
    const figures = {
      heightM: number(said.height),
      antennaGainDbi: number(said.gain),
      cableLossDb: number(said.loss),
    };
    if (Object.values(figures).some((value) => Number.isNaN(value)))
      return setTrouble("Height, gain and loss are figures, or empty.");
    const facts = {
      name: said.name.trim(),
      from: new Date(read.ms).toISOString(),
      ...figures,
      direction: said.direction.trim() === "" ? null : said.direction.trim(),
      note: said.note.trim() === "" ? null : said.note.trim(),
    };
    const [gatewayEui = "", antenna] = receiver.split("/");
    if (placement !== null) {
      const answer = await putPlacement(placement.id, facts);
      return settle(answer.ok ? await keepPhoto(placement.id, photo) : answer);
    }
    const answer = await postPlacement({
      ...facts,
      gatewayEui,
      antenna: antenna === undefined ? null : Number(antenna),
    });
    settle(answer.ok ? await keepPhoto(answer.value.id, photo) : answer);
  };
  const field = (name: Field) => ({
    value: said[name],
    onInput: (event: { currentTarget: HTMLInputElement }) =>
      setSaid({ ...said, [name]: event.currentTarget.value }),
  });
  return (
    <form
      class="placement-form screen-only"
      aria-label={placement === null ? "A new placement" : `Placement ${placement.name}`}
      onSubmit={(event) => {
        event.preventDefault();
        void keep();
      }}
      onKeyDown={(event) => {
        if (event.key === "Escape") onLeave();
      }}
    >
      <label class="wide">
        <span class="small quiet">Name of the place</span>
        <input ref={first} type="text" maxLength={60} placeholder="north parapet" {...field("name")} />
      </label>
      {placement === null ? (
        <label>
          <span class="small quiet">Gateway or antenna</span>
          <select value={receiver} onChange={(event) => setReceiver(event.currentTarget.value)}>
            {receivers.map(({ id, title }) => (
              <option key={id} value={id}>
                {title}
              </option>
            ))}
          </select>
        </label>
      ) : null}
      <label>
        <span class="small quiet">Stands there from</span>
        <input type="text" placeholder="now, 14:02, yesterday 9:30" spellcheck={false} {...field("when")} />
      </label>
      {marks.length === 0 ? null : (
        <label>
          <span class="small quiet">or from a mark</span>
          <select
            value=""
            onChange={(event) => {
              const mark = marks.find(({ id }) => String(id) === event.currentTarget.value);
              if (mark === undefined) return;
              const ms = Date.parse(mark.at);
              setExact({ words: exactTime(ms), ms });
              setSaid({ ...said, when: exactTime(ms) });
            }}
          >
            <option value="">choose one</option>
            {marks.map(({ id, at: moment, text: words }) => (
              <option key={id} value={String(id)}>
                {exactTime(Date.parse(moment))} {words}
              </option>
            ))}
          </select>
        </label>
      )}
      <label>
        <span class="small quiet">Height, m</span>
        <input type="text" inputMode="decimal" size={7} {...field("height")} />
      </label>
      <label>
        <span class="small quiet">Antenna gain, dBi</span>
        <input type="text" inputMode="decimal" size={7} {...field("gain")} />
      </label>
      <label>
        <span class="small quiet">Cable loss, dB</span>
        <input type="text" inputMode="decimal" size={7} {...field("loss")} />
      </label>
      <label>
        <span class="small quiet">Direction</span>
        <input type="text" maxLength={60} placeholder="225°, south-west" {...field("direction")} />
      </label>
      <label class="wide">
        <span class="small quiet">Note</span>
        <input type="text" maxLength={500} {...field("note")} />
      </label>
      <PhotoField kept={placement?.photo ?? null} change={photo} onChange={setPhoto} onTrouble={setTrouble} />
      <button type="submit" class="plain first">
        {placement === null ? "Save the placement" : "Keep"}
      </button>
      <button type="button" class="link" onClick={onLeave}>
        cancel
      </button>
      {placement === null ? null : (
        <button type="button" class="link" onClick={() => void deletePlacement(placement.id).then(settle)}>
          remove it
        </button>
      )}
      {trouble === null ? null : <span role="alert">✕ {trouble}</span>}
    </form>
  );
}

const DONE: Answer<unknown> = { ok: true, value: null };

async function keepPhoto(id: number, change: PhotoChange): Promise<Answer<unknown>> {
  if (change === "keep") return DONE;
  if (change === "none") return deletePlacementPhoto(id);
  const octets = await photoOctets(change);
  return octets === null ? DONE : putPlacementPhoto(id, octets);
}

/** A decimal comma is a decimal point; an empty field says nothing. */
function number(text: string): number | null {
  const plain = text.trim().replace(",", ".").replace("\u2212", "-");
  return plain === "" ? null : Number(plain);
}
