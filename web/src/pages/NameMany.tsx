/** How are many nodes and gateways named at once? A list from a spreadsheet, looked at before it is kept. */
import { useState } from "preact/hooks";
import { counted, plural } from "../../../src/words/format.ts";
import { type NamedThing, readNameList } from "../format/name-list.ts";
import { DataTable } from "../parts/DataTable.tsx";
import { Fold } from "../parts/page.tsx";
import { putLabel } from "../state/api.ts";

/** The fold with its field; `onChanged` is called after names were kept. */
export function NameMany({ onChanged }: { onChanged: () => void }) {
  const [text, setText] = useState("");
  const [said, setSaid] = useState<string | null>(null);
  const { named, faults } = readNameList(text);
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
      <label>
        <span class="small quiet">Lines, such as 01F2A117,Frost probe row 17</span>
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
      </label>
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
          <DataTable
            label="Names to keep"
            rows={named}
            rowKey={({ id }) => id}
            columns={[
              { key: "id", head: "Identifier", cell: ({ id }) => <span class="mono">{id}</span> },
              { key: "kind", head: "Kind", cell: ({ kind }) => kind },
              { key: "name", head: "Name", cell: ({ name }) => name },
              ...(named.some(({ site }) => site !== null)
                ? [{ key: "site", head: "Site", cell: ({ site }: NamedThing) => site ?? "" }]
                : []),
            ]}
          />
          <p class="beneath">
            <button type="button" class="plain first" onClick={() => void keep()}>
              keep {counted(named.length, "name")}
            </button>
          </p>
        </>
      )}
      {said === null ? null : <p role="status">{said}</p>}
    </Fold>
  );
}
