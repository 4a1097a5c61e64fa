/** How are many nodes and gateways named at once? A list from a spreadsheet, looked at before it is kept. */
import { useState } from "preact/hooks";
import { counted, plural } from "../../../src/words/format.ts";
import { column, DataTable } from "../parts/DataTable.tsx";
import { Button, Field } from "../parts/form.tsx";
import { Fold } from "../parts/page.tsx";
import { putLabel } from "../state/api.ts";

// Which names does a list hold: lines of an identifier and a name, as a spreadsheet saves them?

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
