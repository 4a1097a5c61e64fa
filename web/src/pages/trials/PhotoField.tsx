/** A photo of the place, if wished: the one that is kept, or the one that will be. */
import { useEffect, useRef, useState } from "preact/hooks";
import { readPhoto } from "../../state/photo.ts";

/** keep: as it is; none: take it away; else the new one. */
export type PhotoChange = "keep" | "none" | HTMLCanvasElement;

interface PhotoFieldProps {
  /** Path of the photo that is kept; null: none. */
  readonly kept: string | null;
  readonly change: PhotoChange;
  readonly onChange: (change: PhotoChange) => void;
  readonly onTrouble: (sentence: string) => void;
}

export function PhotoField({ kept, change, onChange, onTrouble }: PhotoFieldProps) {
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
