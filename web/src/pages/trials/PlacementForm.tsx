/** "From now on this gateway stands here": the form that says it, changes it, or takes it back. */
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import type { PlacementRow } from "../../../../src/contract/trials.ts";
import type { MarkRow } from "../../../../src/contract/user-data.ts";
import { exactTime } from "../../format.ts";
import { Field, Form, LinkButton, Trouble, typedNumber } from "../../parts/form.tsx";
import { typedMoment } from "../../parts/PinMark.tsx";
import {
  type Answer,
  deletePlacement,
  deletePlacementPhoto,
  postPlacement,
  putPlacement,
  putPlacementPhoto,
} from "../../state/api.ts";
import { currentWindow } from "../../state/route.ts";
import { useSending } from "../../state/view-data.ts";

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
      <Field name="Photo, if you like">
        <input
          type="file"
          accept="image/jpeg,image/png,image/webp,image/heic"
          disabled={busy}
          onChange={(event) => void take(event.currentTarget.files?.[0])}
        />
      </Field>
      {shown === null ? null : <img src={shown} alt="The place as it was kept" />}
      {typeof change === "string" ? null : <Preview photo={change} />}
      {shown === null && typeof change === "string" ? null : (
        <LinkButton onClick={() => onChange("none")}>no photo</LinkButton>
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

type Entry = "name" | "when" | "height" | "gain" | "loss" | "direction" | "note";

export function PlacementForm({ placement, receivers, marks, at, onLeave, onDone }: FormProps) {
  const fixed = currentWindow.value.kind === "fixed";
  const text = (value: number | null | undefined) =>
    value === null || value === undefined ? "" : String(value);
  const known = placement?.from ?? at?.at ?? null;
  const begin = known === null ? (fixed ? "" : "now") : exactTime(Date.parse(known));
  const [said, setSaid] = useState<Record<Entry, string>>({
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
  const { trouble, setTrouble, send } = useSending(onDone);
  const first = useRef<HTMLInputElement>(null);
  useLayoutEffect(() => first.current?.focus(), []);
  const keep = async () => {
    const read = typedMoment(said.when, exact);
    if (said.name.trim() === "") return setTrouble("Give the place a name.");
    if (!read.ok) return setTrouble(read.sentence);
    const figures = {
      heightM: typedNumber(said.height),
      antennaGainDbi: typedNumber(said.gain),
      cableLossDb: typedNumber(said.loss),
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
    const whose = { gatewayEui, antenna: antenna === undefined ? null : Number(antenna) };
    const write = async () => {
      if (placement === null) {
        const answer = await postPlacement({ ...facts, ...whose });
        return answer.ok ? keepPhoto(answer.value.id, photo) : answer;
      }
      const answer = await putPlacement(placement.id, facts);
      return answer.ok ? keepPhoto(placement.id, photo) : answer;
    };
    await send(write());
  };
  const field = (name: Entry) => ({
    value: said[name],
    onInput: (event: { currentTarget: HTMLInputElement }) =>
      setSaid({ ...said, [name]: event.currentTarget.value }),
  });
  return (
    <Form
      class="placement-form screen-only"
      aria-label={placement === null ? "A new placement" : `Placement ${placement.name}`}
      onSubmit={keep}
      onLeave={onLeave}
    >
      <Field name="Name of the place" class="wide">
        <input ref={first} type="text" maxLength={60} placeholder="north parapet" {...field("name")} />
      </Field>
      {placement === null ? (
        <Field name="Gateway or antenna">
          <select value={receiver} onChange={(event) => setReceiver(event.currentTarget.value)}>
            {receivers.map(({ id, title }) => (
              <option key={id} value={id}>
                {title}
              </option>
            ))}
          </select>
        </Field>
      ) : null}
      <Field name="Stands there from">
        <input type="text" placeholder="now, 14:02, yesterday 9:30" spellcheck={false} {...field("when")} />
      </Field>
      {marks.length === 0 ? null : (
        <Field name="or from a mark">
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
        </Field>
      )}
      <Field name="Height, m">
        <input type="text" inputMode="decimal" size={7} {...field("height")} />
      </Field>
      <Field name="Antenna gain, dBi">
        <input type="text" inputMode="decimal" size={7} {...field("gain")} />
      </Field>
      <Field name="Cable loss, dB">
        <input type="text" inputMode="decimal" size={7} {...field("loss")} />
      </Field>
      <Field name="Direction">
        <input type="text" maxLength={60} placeholder="225°, south-west" {...field("direction")} />
      </Field>
      <Field name="Note" class="wide">
        <input type="text" maxLength={500} {...field("note")} />
      </Field>
      <PhotoField kept={placement?.photo ?? null} change={photo} onChange={setPhoto} onTrouble={setTrouble} />
      <button type="submit" class="plain first">
        {placement === null ? "Save the placement" : "Keep"}
      </button>
      <LinkButton onClick={onLeave}>cancel</LinkButton>
      {placement === null ? null : (
        <LinkButton onClick={() => void send(deletePlacement(placement.id))}>remove it</LinkButton>
      )}
      <Trouble words={trouble} />
    </Form>
  );
}

const DONE: Answer<unknown> = { ok: true, value: null };

async function keepPhoto(id: number, change: PhotoChange): Promise<Answer<unknown>> {
  if (change === "keep") return DONE;
  if (change === "none") return deletePlacementPhoto(id);
  const octets = await photoOctets(change);
  return octets === null ? DONE : putPlacementPhoto(id, octets);
}
