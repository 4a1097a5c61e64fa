/** How did each gateway's bring-up list come out? */
import type { BenchView } from "../../contract/bench.ts";
import { Mono, Sentence, State, Table } from "../parts.tsx";

export function Benches({ benches }: { readonly benches: readonly BenchView[] }) {
  if (benches.length === 0) return null;
  return (
    <section class="page">
      <h2>Bench lists</h2>
      {benches.map((bench) => (
        <div key={bench.eui}>
          <h3>
            {bench.name ?? "Unnamed"} <Mono text={bench.eui} /> <State state={bench.verdict} />
          </h3>
          <Sentence parts={bench.sentence} />
          <Table
            rows={bench.items}
            columns={[
              { title: "Check", of: (item) => item.title },
              { title: "State", of: (item) => <State state={item.state} /> },
              { title: "Figure", of: (item) => item.figure },
              {
                title: "Why, and what to do",
                kind: "words",
                of: (item) => (item.advice === null ? item.reason : `${item.reason} ${item.advice}`),
              },
            ]}
          />
        </div>
      ))}
    </section>
  );
}
