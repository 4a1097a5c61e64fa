/** Whose keys are available? Names only: keys can be taken in and removed here, and are never shown. */
import { useRef, useState } from "preact/hooks";
import type { KeyRow, KeysView } from "../../../src/contract/user-data.ts";
import { counted } from "../../../src/words/format.ts";
import { type Column, column, DataTable } from "../parts/DataTable.tsx";
import { Button, Form, LinkButton } from "../parts/form.tsx";
import { deleteKeys, problemWords, putKeys } from "../state/api.ts";
import { useViewData } from "../state/view-data.ts";
import "./KeysSection.css";

// How do keys get in? From a file that is chosen, or from its text. The text goes from the field into one request
// and is cleared from the page at once: it enters no state, address, storage or log.

/** The service takes no longer file. */
const MAX_OCTETS = 1_000_000;
const EXAMPLE = '{"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": "…", "appSKey": "…"}]}';

export interface KeysIntakeProps {
  /** For how many nodes keys were added. */
  readonly onTaken: (taken: number) => void;
  readonly onRefused: (words: string) => void;
}

/** File button and text field. */
function KeysIntake({ onTaken, onRefused }: KeysIntakeProps) {
  const [busy, setBusy] = useState(false);
  const input = useRef<HTMLInputElement>(null);
  const field = useRef<HTMLTextAreaElement>(null);

  const take = async (text: string) => {
    setBusy(true);
    const answer = await putKeys(text);
    setBusy(false);
    if (answer.ok) onTaken(answer.value.taken);
    else onRefused(problemWords(answer.problem));
  };
  const takeFile = async (file: File | undefined) => {
    if (file === undefined) return;
    // Any file could be chosen by mistake; one that can be no key file is not even read.
    if (file.size > MAX_OCTETS) {
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
        <Button disabled={busy} onClick={() => input.current?.click()}>
          choose a key file
        </Button>
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
      <Form autocomplete="off" onSubmit={takeText}>
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
          add the keys
        </button>
      </Form>
    </>
  );
}

/** The section: caution, list, and the way in. */
export function KeysSection() {
  const loaded = useViewData<KeysView>({ path: "/api/keys" }, null);
  const [said, setSaid] = useState<{ words: string; bad: boolean } | null>(null);
  const heading = useRef<HTMLHeadingElement>(null);
  const keys = loaded.data?.keys ?? null;
  const remove = async (row: KeyRow) => {
    const answer = await deleteKeys(row.id);
    if (answer.ok) {
      setSaid({ words: `✓ The keys of ${row.id} were removed.`, bad: false });
      // The button that had the focus is gone with its row.
      heading.current?.focus();
      loaded.reload();
    } else setSaid({ words: `✕ ${problemWords(answer.problem)}`, bad: true });
  };
  return (
    <section aria-label="Keys" class="keys">
      <h2 ref={heading} tabIndex={-1}>
        Keys
      </h2>
      <p class="quiet">
        Nothing here needs keys. With them Mastlog proves whose frames it hears, and reads what is encrypted.
      </p>
      <p>Keys stay on this machine, in the store file; they appear in no export, report, log or answer.</p>
      {loaded.problem === null ? null : (
        <p class="notice notice-bad" role="alert">
          ✕ {problemWords(loaded.problem)} <LinkButton onClick={loaded.reload}>ask again</LinkButton>
        </p>
      )}
      {keys === null ? null : (
        <DataTable
          label={`Keys stored for ${counted(keys.length, "node")}`}
          none="No keys are stored."
          columns={columns(remove)}
          rows={keys}
          rowKey={(row) => `${row.id} ${row.origin} ${row.devAddr} ${row.held.join()} ${row.note}`}
        />
      )}
      <p class={said?.bad === true ? "keys-bad" : ""} role="status">
        {said?.words}
      </p>
      <KeysIntake
        onTaken={(taken) => {
          setSaid({ words: `✓ Keys of ${counted(taken, "node")} were added.`, bad: false });
          loaded.reload();
        }}
        onRefused={(words) => setSaid({ words: `✕ ${words}`, bad: true })}
      />
    </section>
  );
}

function columns(remove: (row: KeyRow) => Promise<void>): readonly Column<KeyRow>[] {
  return [
    column("Node", { sort: (row) => row.id }, (row) => (
      <>
        <span class="mono">{row.devAddr ?? row.devEui}</span>
        {row.devAddr === null || row.devEui === null ? null : (
          <span class="keys-more quiet small mono">{row.devEui}</span>
        )}
        {row.note === null ? null : <span class="keys-more quiet small">{row.note}</span>}
      </>
    )),
    column("Holds", (row) => <span class="mono">{row.held.join(", ")}</span>),
    column("From", { wideOnly: true, sort: (row) => row.origin }, (row) =>
      row.origin === "join" ? "a join that was followed" : "a key file",
    ),
    column("Remove", (row) => <Remove row={row} remove={remove} />),
  ];
}

/** Asks once more: what is removed must be taken in anew from its file. */
function Remove({ row, remove }: { row: KeyRow; remove: (row: KeyRow) => Promise<void> }) {
  const [asking, setAsking] = useState(false);
  const first = useRef<HTMLButtonElement>(null);
  const second = useRef<HTMLButtonElement>(null);
  // The focus goes with the question, and back when the keys are kept.
  const ask = (now: boolean) => {
    setAsking(now);
    requestAnimationFrame(() => (now ? second : first).current?.focus());
  };
  const whose = <span class="unseen"> the keys of {row.id}</span>;
  if (!asking)
    return (
      <LinkButton ref={first} onClick={() => ask(true)}>
        remove{whose}
      </LinkButton>
    );
  return (
    <span class="keys-ask">
      <Button ref={second} onClick={() => void remove(row)}>
        yes, remove{whose}
      </Button>{" "}
      <LinkButton onClick={() => ask(false)}>keep{whose}</LinkButton>
    </span>
  );
}
