/** What does a person call it, and is it to go? One name changed in place, many from a list, a thing taken out. */
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import { deleteThing, getForgotten, putBenchRecord, putLabel, putSiteName, troubleOf } from "../state/api.ts";
import { useSending } from "../state/view-data.ts";
import { Button, Field, Form, LinkButton, Trouble, typed } from "./form.tsx";
import "./NameEdit.css";
import { counted, plural } from "../../../src/words/format.ts";
import { column, DataTable } from "./DataTable.tsx";
import { Fold } from "./page.tsx";

export interface NameEditProps {
  /** gateway-site: the site that a gateway belongs to; bench-serial: its serial number or work order. */
  readonly kind: "node" | "gateway" | "site" | "gateway-site" | "bench-serial";
  /** Node: its address; gateway: its EUI; site: nothing. */
  readonly id: string;
  readonly name: string | null;
  readonly onChanged: () => void;
}

function wordsOf(kind: NameEditProps["kind"], id: string): { thing: string; begin: string; again: string } {
  switch (kind) {
    case "gateway-site":
      return { thing: `the site of gateway ${id}`, begin: "put it into a site", again: "change" };
    case "bench-serial":
      return { thing: `the serial number or order of gateway ${id}`, begin: "note it", again: "change" };
    case "site":
      return { thing: "the site", begin: "give it a name", again: "rename" };
    default:
      return { thing: `${kind} ${id}`, begin: "give it a name", again: "rename" };
  }
}

/** A name with its "rename" button, and the field that takes its place. */
export function NameEdit({ kind, id, name, onChanged }: NameEditProps) {
  const [text, setText] = useState<string | null>(null);
  const { trouble, setTrouble, send } = useSending(() => {
    leave();
    onChanged();
  });
  const field = useRef<HTMLInputElement>(null);
  const button = useRef<HTMLButtonElement>(null);
  const editing = text !== null;
  const { thing, begin, again } = wordsOf(kind, id);
  // Before the next key: what is typed at once must not be lost.
  useLayoutEffect(() => {
    if (editing) field.current?.select();
  }, [editing]);
  const leave = () => {
    setText(null);
    setTrouble(null);
    requestAnimationFrame(() => button.current?.focus());
  };
  const keep = async () => {
    const wanted = (text ?? "").trim();
    const given = wanted === "" ? null : wanted;
    await send(
      kind === "site"
        ? putSiteName(given)
        : kind === "gateway-site"
          ? putLabel("gateway", id, { site: given })
          : kind === "bench-serial"
            ? putBenchRecord(id, { serial: given })
            : putLabel(kind, id, { name: given }),
    );
  };
  if (text === null)
    return (
      <LinkButton ref={button} class="link small screen-only" onClick={() => setText(name ?? "")}>
        {name === null ? begin : again}
        <span class="unseen"> {thing}</span>
      </LinkButton>
    );
  return (
    <Form class="name-edit" onSubmit={keep} onLeave={leave}>
      <input
        ref={field}
        type="text"
        maxLength={80}
        aria-label={`Name of ${thing}`}
        {...typed(text, setText)}
      />
      <button type="submit" class="plain">
        keep
      </button>
      <LinkButton onClick={leave}>cancel</LinkButton>
      <Trouble words={trouble} />
    </Form>
  );
}

// Take it out of the store? A button, then what will go, then the word that does it.

interface ForgetProps {
  readonly kind: "gateway" | "node";
  /** Node: its address; gateway: its EUI. */
  readonly id: string;
  readonly onForgotten: () => void;
}

/** "forget this gateway": asks the service what would go, and lets a person decide. */
export function Forget({ kind, id, onForgotten }: ForgetProps) {
  const [words, setWords] = useState<string | null>(null);
  const { trouble, setTrouble, send } = useSending(onForgotten);
  const ask = async () => {
    const answer = await getForgotten(kind, id);
    setTrouble(troubleOf(answer));
    if (answer.ok) setWords(answer.value.words);
  };
  if (words === null)
    return (
      <p class="screen-only">
        <LinkButton class="link small" onClick={() => void ask()}>
          forget this {kind}
        </LinkButton>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    );
  return (
    <fieldset class="notice screen-only" aria-label={`Forget ${kind} ${id}`}>
      <p>
        To forget {kind} <span class="mono">{id}</span> takes away {words}. This cannot be undone.
      </p>
      <p>
        <Button onClick={() => void send(deleteThing(kind, id))}>Forget it</Button>{" "}
        <LinkButton onClick={() => setWords(null)}>keep it</LinkButton>
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </p>
    </fieldset>
  );
}

// How are many nodes and gateways named at once? A list from a spreadsheet, looked at before it is kept.

interface NamedThing {
  readonly kind: "node" | "gateway";
  readonly id: string;
  readonly name: string;
  /** Of a gateway: the site that it belongs to; null: the list says none. */
  readonly site: string | null;
}

interface NameList {
  readonly named: readonly NamedThing[];
  /** Lines that were not understood, each with its number and what is wrong. */
  readonly faults: readonly string[];
}

/** As the service takes it. */
const MAX_NAME = 80;

/**
 * Reads CSV with comma, semicolon or tab: first column a device address (8 hexadecimal digits) or a gateway's identifier
 * (16), second a name, third of a gateway its site, if any. A first line without an identifier is a heading. Later lines of one identifier win.
 */
export function readNameList(text: string): NameList {
  const named = new Map<string, NamedThing>();
  const faults: string[] = [];
  text.split(/\r?\n/).forEach((line, index) => {
    if (line.trim() === "") return;
    const [first = "", second = "", third = ""] = fieldsOf(line);
    const id = first.replace(/[\s:.-]/g, "").toUpperCase();
    const kind = /^[0-9A-F]{8}$/.test(id) ? "node" : /^[0-9A-F]{16}$/.test(id) ? "gateway" : null;
    const name = second.trim();
    const site = third.trim();
    if (kind === null) {
      if (index > 0)
        faults.push(`Line ${index + 1}: “${first.slice(0, 24)}” has neither 8 nor 16 hexadecimal digits.`);
    } else if (name === "") faults.push(`Line ${index + 1}: ${id} has no name.`);
    else if (name.length > MAX_NAME)
      faults.push(`Line ${index + 1}: the name of ${id} is longer than ${MAX_NAME} characters.`);
    else if (site.length > MAX_NAME)
      faults.push(`Line ${index + 1}: the site of ${id} is longer than ${MAX_NAME} characters.`);
    else named.set(id, { kind, id, name, site: kind === "gateway" && site !== "" ? site : null });
  });
  return { named: [...named.values()], faults };
}

/** The fields of a line, quotes taken off (RFC 4180, one line a record). */
function fieldsOf(line: string): string[] {
  const separator = ["\t", ";", ","].find((one) => line.includes(one)) ?? ",";
  const fields: string[] = [];
  let field = "";
  let quoted = false;
  for (let at = 0; at < line.length; at += 1) {
    const sign = line[at] ?? "";
    if (sign === '"' && quoted && line[at + 1] === '"') {
      field += sign;
      at += 1;
    } else if (sign === '"') quoted = !quoted;
    else if (sign === separator && !quoted) {
      fields.push(field);
      field = "";
    } else field += sign;
  }
  return [...fields, field];
}

/** The fold with its field; `onChanged` is called after names were kept. */
export function NameMany({ onChanged }: { onChanged: () => void }) {
  const [text, setText] = useState("");
  const [said, setSaid] = useState<string | null>(null);
  const { named, faults } = readNameList(text);
  const hasSites = named.some(({ site }) => site !== null);
  const keep = async () => {
    let kept = 0;
    for (const { kind, id, name, site } of named) {
      const answer = await putLabel(kind, id, { name, ...(site === null ? {} : { site }) });
      if (!answer.ok) {
        setSaid(`✕ ${plural(kept, "name")} kept, then ${id}: ${answer.problem.sentence}`);
        onChanged();
        return;
      }
      kept += 1;
      setSaid(`○ ${kept} of ${plural(named.length, "name")}`);
    }
    setSaid(`✓ ${plural(kept, "name")} kept.`);
    setText("");
    onChanged();
  };
  return (
    <Fold title="Name many at once">
      <p>
        Paste lines or choose a CSV file: an address (8 hexadecimal digits) or a gateway's identifier (16),
        then the name, and after a gateway's name its site if you run several. Nothing is kept before you have
        seen the list.
      </p>
      <Field name="Lines, such as 01F2A117,Frost probe row 17">
        <textarea
          class="name-many mono"
          rows={4}
          spellcheck={false}
          value={text}
          onInput={(event) => {
            setText(event.currentTarget.value);
            setSaid(null);
          }}
        />
      </Field>
      <p>
        <label>
          <span class="small quiet">or a file </span>
          <input
            type="file"
            accept=".csv,.txt,text/csv,text/plain"
            onChange={(event) => {
              const [file] = event.currentTarget.files ?? [];
              void file?.text().then(setText);
              event.currentTarget.value = "";
            }}
          />
        </label>
      </p>
      {faults.map((fault) => (
        <p key={fault} role="alert">
          ▲ {fault}
        </p>
      ))}
      {named.length === 0 ? null : (
        <>
          <DataTable<NamedThing>
            label="Names to keep"
            rows={named}
            rowKey={({ id }) => id}
            columns={[
              column("Identifier", ({ id }) => <span class="mono">{id}</span>),
              column("Kind", ({ kind }) => kind),
              column("Name", ({ name }) => name),
              ...(hasSites ? [column<NamedThing>("Site", ({ site }) => site ?? "")] : []),
            ]}
          />
          <p class="beneath">
            <Button class="plain first" onClick={() => void keep()}>
              keep {counted(named.length, "name")}
            </Button>
          </p>
        </>
      )}
      {said === null ? null : <p role="status">{said}</p>}
    </Fold>
  );
}
