/** What did people note in the window? */
import type { MarksView } from "../../contract/marks.ts";
import { type Clock, count } from "../format.ts";
import { Table } from "../parts.tsx";

const MOST_MARKS = 100;

export function Marks({ view, clock }: { readonly view: MarksView; readonly clock: Clock }) {
  // Stops of a walk are told with the walk.
  const notes = view.marks.filter(({ kind }) => kind === "note");
  if (notes.length === 0) return null;
  const left = notes.length - MOST_MARKS;
  return (
    <section>
      <h2>Marks</h2>
      <Table
        rows={notes.slice(0, MOST_MARKS).reverse()}
        columns={[
          {
            title: "When",
            of: ({ at, until }) => (until === null ? clock.moment(at) : clock.stretch(at, until)),
          },
          {
            title: "About",
            of: (mark) => mark.gatewayName ?? mark.gatewayEui ?? mark.nodeName ?? mark.devAddr ?? "the site",
          },
          { title: "Note", kind: "words", of: ({ text }) => text },
        ]}
      />
      {left > 0 || view.cut ? (
        <p class="quiet">{left > 0 ? `${count(left)} or more older ones` : "Older ones"} are left out.</p>
      ) : null}
    </section>
  );
}
