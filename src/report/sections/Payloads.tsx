/** What did the nodes' newest frames hold? Only in a report that was asked for it. */

import type { Window } from "../../contract/common.ts";
import type { Clock } from "../format.ts";
import { Mono, Table } from "../parts.tsx";
import type { ReportPayload } from "../report-data.ts";

/** `payloads` null: not asked for, and nothing is shown. */
export function Payloads({
  payloads,
  within,
  clock,
}: {
  readonly payloads: readonly ReportPayload[] | null;
  readonly within: Window;
  readonly clock: Clock;
}) {
  if (payloads === null) return null;
  const isFirst = (row: ReportPayload) => {
    const before = payloads[payloads.indexOf(row) - 1];
    return before === undefined || before.devAddr !== row.devAddr || before.life !== row.life;
  };
  return (
    <section class="page">
      <h2>Payloads</h2>
      <p class="caution">
        This report was asked for what the frames hold. That belongs to the nodes’ owners; where keys were at
        hand it stands here in clear. Pass it on to nobody who should not read it. Keys themselves are never
        in a report.
      </p>
      {payloads.length === 0 ? (
        <p>No frame of an own node was heard in this window.</p>
      ) : (
        <Table
          caption="The newest frames of each own node"
          rows={payloads}
          columns={[
            {
              title: "Node",
              kind: "words",
              of: (row) => (isFirst(row) ? <NodeTitle row={row} /> : null),
            },
            {
              title: "Heard",
              of: ({ at }) => <span class="nobreak">{clock.near(at, within.from, within.to)}</span>,
            },
            { title: "Counter", kind: "number", of: ({ counter }) => (counter === null ? "–" : counter) },
            { title: "Port", kind: "number", of: ({ port }) => (port === null ? "–" : port) },
            { title: "Frame as it was sent", kind: "words", of: ({ hex }) => <Hex text={hex} /> },
            {
              title: "Payload in clear",
              kind: "words",
              of: ({ clearHex, clearText }) =>
                clearHex === null ? (
                  "no key at hand"
                ) : (
                  <>
                    <Hex text={clearHex} />
                    {clearText === null ? null : <> “{clearText}”</>}
                  </>
                ),
            },
          ]}
        />
      )}
    </section>
  );
}

function NodeTitle({ row: { devAddr, life, name } }: { readonly row: ReportPayload }) {
  return (
    <>
      {name === null ? null : <>{name} </>}
      <Mono text={`${devAddr}/${life}`} />
    </>
  );
}

/** Octets in pairs, so that a long frame breaks into lines. */
function Hex({ text }: { readonly text: string }) {
  return <span class="octets">{text.replace(/(..)(?=.)/g, "$1 ")}</span>;
}
