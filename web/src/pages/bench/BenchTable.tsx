/** How do all gateways on the bench stand? A line each: verdict, first fault, what was noted, and whether it is signed off. */
import { useEffect } from "preact/hooks";
import type { BenchRow, BenchTable as Table } from "../../../../src/contract/bench.ts";
import { counted, NOTHING, withMoments } from "../../../../src/words/format.ts";
import { exactTime, momentTime } from "../../format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { StandingMark } from "../../parts/page.tsx";
import { serviceNowMs } from "../../state/clock.ts";
import { currentWindow, linkTo } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import { BENCH_STANDINGS } from "./Reference.tsx";
import "./BenchTable.css";

/** A live bench is judged anew so often: every gateway of it at once. Chosen. */
const AGAIN_MS = 15_000;

/** All gateways of the bench; null while they are not known. */
export function useBenchTable(): Table | null {
  const { data, reload } = useViewData<Table>(
    { topic: null, path: "/api/bench", key: null },
    currentWindow.value,
  );
  const isLive = currentWindow.value.kind === "live";
  useEffect(() => {
    if (!isLive) return;
    const timer = setInterval(reload, AGAIN_MS);
    return () => clearInterval(timer);
  }, [isLive]);
  return data;
}

export function BenchTable({ bench }: { readonly bench: Table }) {
  const { gateways, gone, leftOut } = bench;
  const rest = [
    ...(gone === 0 ? [] : [`${counted(gone, "gateway")} signed off and gone from the bench.`]),
    ...(leftOut === 0 ? [] : [`${counted(leftOut, "gateway")} heard longest ago left out.`]),
  ];
  return (
    <section class="bench-table">
      <p class="bench-acts screen-only">
        <button type="button" class="plain" onClick={() => print()}>
          Print
        </button>
      </p>
      <p class="bench-signed">
        {exactTime(Date.parse(bench.window.from))} to {exactTime(Date.parse(bench.window.to))}. Checked by:
      </p>
      <DataTable<BenchRow>
        label="Gateways on the bench"
        rows={gateways}
        rowKey={({ eui }) => eui}
        columns={COLUMNS}
        cards
      />
      {rest.length === 0 ? null : <p class="small quiet">{rest.join(" ")}</p>}
    </section>
  );
}

const COLUMNS: readonly Column<BenchRow>[] = [
  {
    key: "gateway",
    head: "Gateway",
    sort: ({ eui, name }) => name ?? eui,
    cell: ({ eui, name }) => (
      <a href={linkTo(`/bench/${eui}`)}>
        {name === null ? "" : `${name}, `}
        <span class="mono">{eui}</span>
      </a>
    ),
  },
  {
    key: "verdict",
    head: "Verdict",
    cell: ({ verdict }) => <StandingMark standing={BENCH_STANDINGS[verdict]} word={verdict} />,
  },
  {
    key: "fault",
    head: "First fault",
    cell: ({ fault }) =>
      fault === null ? (
        NOTHING
      ) : (
        <div>
          {fault.title}
          <span class="quiet small bench-why"> {withMoments(fault.reason, (ms) => exactTime(ms))}</span>
        </div>
      ),
  },
  {
    key: "checks",
    head: "Passed",
    right: true,
    cell: ({ passed, failed, warned, waiting }) => `${passed} of ${passed + failed + warned + waiting}`,
  },
  {
    key: "serial",
    head: "Serial or order",
    sort: ({ serial }) => serial,
    cell: ({ serial }) => serial ?? NOTHING,
  },
  {
    key: "signed",
    head: "Signed off",
    sort: ({ signedOff }) => signedOff,
    cell: ({ signedOff }) =>
      signedOff === null ? NOTHING : momentTime(Date.parse(signedOff), serviceNowMs()),
  },
];
