/**
 * How do keys get in? From a file that is chosen, or from its text. The text goes from the field into one request
 * and is cleared from the page at once: it enters no state, address, storage or log.
 */
import { useRef, useState } from "preact/hooks";
import { putKeys } from "../state/api.ts";

/** The service takes no longer file. */
const MOST_OCTETS = 1_000_000;
const EXAMPLE = '{"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": "…", "appSKey": "…"}]}';

export interface KeysIntakeProps {
  /** For how many nodes keys were taken in. */
  readonly onTaken: (taken: number) => void;
  readonly onRefused: (words: string) => void;
}

/** File button and text field. */
export function KeysIntake({ onTaken, onRefused }: KeysIntakeProps) {
  const [busy, setBusy] = useState(false);
  const input = useRef<HTMLInputElement>(null);
  const field = useRef<HTMLTextAreaElement>(null);

  const take = async (text: string) => {
    setBusy(true);
    const answer = await putKeys(text);
    setBusy(false);
    if (answer.ok) onTaken(answer.value.taken);
    else onRefused(`${answer.problem.sentence} ${answer.problem.remedy}`);
  };
  const takeFile = async (file: File | undefined) => {
    if (file === undefined) return;
    // Any file could be chosen by mistake; one that can be no key file is not even read.
    if (file.size > MOST_OCTETS) {
      onRefused("This file is larger than a key file may be. Choose the one that holds the keys alone.");
      return;
    }
    const text = await file.text().catch(() => null);
    if (text === null) onRefused("The file could not be read. See whether it is still there.");
    else await take(text);
  };
  const takeText = () => {
    const text = field.current?.value.trim() ?? "";
    if (field.current !== null) field.current.value = "";
    if (text === "") onRefused("The field is empty. Paste the text of a key file.");
    else void take(text);
  };

  return (
    <>
      <p>
        <button type="button" class="plain" disabled={busy} onClick={() => input.current?.click()}>
          choose a key file
        </button>
      </p>
      <input
        ref={input}
        type="file"
        accept=".json,application/json,text/plain"
        hidden
        aria-label="Key file"
        onChange={(event) => {
          void takeFile(event.currentTarget.files?.[0]);
          event.currentTarget.value = "";
        }}
      />
      <form
        autocomplete="off"
        onSubmit={(event) => {
          event.preventDefault();
          takeText();
        }}
      >
        <label class="keys-text">
          <span>or paste its text; the field is emptied at once</span>
          <textarea
            ref={field}
            rows={4}
            class="mono"
            autocomplete="off"
            autocapitalize="off"
            spellcheck={false}
            placeholder={EXAMPLE}
          />
        </label>
        <button type="submit" class="plain" disabled={busy}>
          take in the keys
        </button>
      </form>
    </>
  );
}
