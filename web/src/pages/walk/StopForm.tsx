/** Where do you stand now? Names the place and pins the stop; it ends when the next one is pinned. */
import { useState } from "preact/hooks";
import { postMark } from "../../state/api.ts";
import { readPlace } from "./place-words.ts";

/** The form; the phone's own position is taken where the browser gives it. */
export function StopForm({ devAddr, onPinned }: { devAddr: string; onPinned: () => void }) {
  const [name, setName] = useState("");
  const [place, setPlace] = useState("");
  const [said, setSaid] = useState<string | null>(null);
  const pin = async () => {
    const read = readPlace(place);
    if (name.trim() === "") return setSaid("✕ Name the place.");
    if (!read.ok) return setSaid(`✕ ${read.sentence}`);
    const answer = await postMark({ text: name.trim(), kind: "stop", devAddr, position: read.position });
    if (!answer.ok) return setSaid(`✕ ${answer.problem.sentence} ${answer.problem.remedy}`);
    setSaid(`${name.trim()} is pinned; stay until some frames have come.`);
    setName("");
    setPlace("");
    onPinned();
  };
  const locate = () => {
    setSaid("○ asking for the position");
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        setPlace(`${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`);
        setSaid(`Good to about ${Math.round(coords.accuracy)} m, as this device says.`);
      },
      () => setSaid("✕ This device gave no position; type it, or leave it out."),
      { enableHighAccuracy: true, timeout: 20_000 },
    );
  };
  // Browsers give a position to pages of this machine or over HTTPS only.
  const canLocate = typeof isSecureContext !== "undefined" && isSecureContext && "geolocation" in navigator;
  return (
    <form
      class="pin-form screen-only"
      onSubmit={(event) => {
        event.preventDefault();
        void pin();
      }}
    >
      <label class="pin-text">
        <span class="small quiet">I stand at</span>
        <input
          type="text"
          maxLength={200}
          placeholder="cold store 1, north door"
          value={name}
          onInput={(event) => setName(event.currentTarget.value)}
        />
      </label>
      <label>
        <span class="small quiet">Position, if you like</span>
        <input
          type="text"
          placeholder="51.5001, −0.2501 or 12 m, −40 m"
          spellcheck={false}
          value={place}
          onInput={(event) => setPlace(event.currentTarget.value)}
        />
      </label>
      {canLocate ? (
        <button type="button" class="link" onClick={locate}>
          this device's position
        </button>
      ) : null}
      <button type="submit" class="plain first">
        here, now
      </button>
      {said === null ? null : <span role={said.startsWith("✕") ? "alert" : "status"}>{said}</span>}
    </form>
  );
}
