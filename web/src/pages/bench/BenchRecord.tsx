/**
 * What a person enters for a gateway on the bench: its serial number or work order, that it is signed off, the channel
 * plan that it must listen to, and the server that it goes back to.
 */
import { useEffect, useState } from "preact/hooks";
import type {
  BenchView as Bench,
  BenchRow,
  NamedPlan,
  BenchTable as Table,
} from "../../../../src/contract/bench.ts";
import type { ServiceStatus } from "../../../../src/contract/service.ts";
import { counted, NOTHING, withMoments } from "../../../../src/words/format.ts";
import { exactTime, momentTime } from "../../format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Button, Field, LinkButton } from "../../parts/form.tsx";
import { StandingMark } from "../../parts/page.tsx";
import { ConfigLines, forwarderLines, readServer } from "../../parts/ServerToEnter.tsx";
import { NameEdit } from "../../parts/ThingEdit.tsx";
import { putBenchRecord } from "../../state/api.ts";
import { serviceNowMs } from "../../state/clock.ts";
import { currentWindow, linkTo, route, setParams } from "../../state/route.ts";
import { useSending, useViewData } from "../../state/view-data.ts";
import { BENCH_STANDINGS } from "./Reference.tsx";
import "./ExpectedPlan.css";
import "./BenchTable.css";

export interface BenchRecordProps {
  readonly bench: Pick<Bench, "eui" | "serial" | "signedOff" | "verdict">;
  readonly onChanged: () => void;
}

/** Within the line that says which gateway it is; what is noted is printed, buttons are not. */
export function BenchRecord({ bench, onChanged }: BenchRecordProps) {
  const { eui, serial } = bench;
  return (
    <>
      <span class={serial === null ? "screen-only" : ""}>
        {serial === null ? "no serial number or order" : `serial or order ${serial}`}{" "}
        <NameEdit kind="bench-serial" id={eui} name={serial} onChanged={onChanged} />
      </span>
      <SigningOff bench={bench} onChanged={onChanged} />
    </>
  );
}

function SigningOff({ bench: { eui, signedOff, verdict }, onChanged }: BenchRecordProps) {
  const { trouble, send } = useSending(onChanged);
  const write = (moment: "now" | null) => void send(putBenchRecord(eui, { signedOff: moment }));
  const alert = trouble === null ? null : <span role="alert">✕ {trouble}</span>;
  if (signedOff === null)
    return (
      <span class="screen-only">
        <Button onClick={() => write("now")}>{SIGN[verdict]}</Button> {alert}
      </span>
    );
  return (
    <span>
      signed off {exactTime(Date.parse(signedOff))}{" "}
      <LinkButton class="link small screen-only" onClick={() => write(null)}>
        take the signing off back
      </LinkButton>{" "}
      {alert}
    </span>
  );
}

/** Nobody signs off unawares what did not pass. */
const SIGN: Readonly<Record<Bench["verdict"], string>> = {
  pass: "Sign off",
  warn: "Sign off with warnings",
  waiting: "Sign off with checks open",
  fail: "Sign off although a check fails",
};

// Which channel plan must the gateway listen to? The choice stands in the address bar, so that a link carries it.

export function ExpectedPlan({ plans }: { readonly plans: readonly NamedPlan[] }) {
  const asked = (route.value.params.get("expect") ?? "").trim().toLowerCase();
  const chosen = plans.find(({ label }) => label.toLowerCase() === asked)?.label ?? "";
  const regions = [...new Set(plans.map(({ region }) => region))];
  return (
    <Field name="Channel plan that it must listen to" class="bench-plan screen-only">
      <select value={chosen} onChange={(event) => setParams({ expect: event.currentTarget.value })}>
        <option value="">recognise it</option>
        {regions.map((region) => (
          <optgroup key={region ?? ""} label={region ?? "Your plans"}>
            {plans
              .filter((plan) => plan.region === region)
              .map(({ label, channels }) => (
                <option key={label} value={label}>
                  {label}: {channels}
                </option>
              ))}
          </optgroup>
        ))}
      </select>
    </Field>
  );
}

// What points a gateway back at its own server, once it is signed off here?

/** Kept in this browser: the next gateway mostly goes to the same server. */
const KEPT = "mastlog server";

function keptServer(): string {
  try {
    return localStorage.getItem(KEPT) ?? "";
  } catch {
    return "";
  }
}

function keep(text: string): void {
  try {
    localStorage.setItem(KEPT, text);
  } catch {
    // A browser that keeps nothing asks again.
  }
}

/** The server that datagrams are relayed to is the gateway's own: no other has to be named. */
function relayedTo(status: ServiceStatus | null): string {
  const [server] = status?.passage?.upstreams ?? [];
  if (server === undefined) return "";
  return `${server.host.includes(":") ? `[${server.host}]` : server.host}:${server.port}`;
}

/** The lines for the server that a person names. */
export function BackToServer({ eui, status }: { eui: string; status: ServiceStatus | null }) {
  const [text, setText] = useState<string | null>(null);
  const named = text ?? (relayedTo(status) || keptServer());
  const server = named.trim() === "" ? null : readServer(named);
  return (
    <section class="bench-back screen-only" aria-label="Back to its server">
      <h2>When it is signed off: back to its server</h2>
      <p>
        Name the network server. Enter these lines at the gateway, restart its forwarder, and see that its
        keepalives stop here.
      </p>
      <Field name="Server and port">
        <input
          type="text"
          value={named}
          placeholder="ns.example:1700"
          spellcheck={false}
          autocomplete="off"
          aria-invalid={server !== null && !server.ok}
          aria-describedby="bench-back-hint"
          onInput={(event) => {
            setText(event.currentTarget.value);
            keep(event.currentTarget.value);
          }}
        />
      </Field>
      <p class="small quiet" id="bench-back-hint" role={server !== null && !server.ok ? "alert" : undefined}>
        {server !== null && !server.ok ? server.sentence : "Without a port: 1700, up and down."}
      </p>
      {server?.ok === true ? (
        <ConfigLines
          label="Lines that point the gateway at its server"
          text={forwarderLines({ address: server.address, port: server.port, gatewayEui: eui })}
        />
      ) : null}
    </section>
  );
}

// How do all gateways on the bench stand? A line each: verdict, first fault, what was noted, and whether it is signed off.

/** A live bench is judged anew so often: every gateway of it at once. Chosen. */
const AGAIN_MS = 15_000;

/** All gateways of the bench: null while they are not known, and whether they are being asked for the first time. */
export function useBenchTable(): { readonly bench: Table | null; readonly isAsked: boolean } {
  const { data, state, reload } = useViewData<Table>({ path: "/api/bench" }, currentWindow.value);
  const isLive = currentWindow.value.kind === "live";
  useEffect(() => {
    if (!isLive) return;
    const timer = setInterval(reload, AGAIN_MS);
    return () => clearInterval(timer);
  }, [isLive]);
  return { bench: data, isAsked: data === null && state === "loading" };
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
        <Button onClick={() => print()}>Print</Button>
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
  column("Gateway", { sort: ({ eui, name }) => name ?? eui }, ({ eui, name }) => (
    <a href={linkTo(`/bench/${eui}`)}>
      {name === null ? "" : `${name}, `}
      <span class="mono">{eui}</span>
    </a>
  )),
  column("Verdict", ({ verdict }) => <StandingMark standing={BENCH_STANDINGS[verdict]} word={verdict} />),
  column("First fault", ({ fault }) =>
    fault === null ? (
      NOTHING
    ) : (
      <div>
        {fault.title}
        <span class="quiet small bench-why"> {withMoments(fault.reason, (ms) => exactTime(ms))}</span>
      </div>
    ),
  ),
  column(
    "Passed",
    RIGHT,
    ({ passed, failed, warned, waiting }) => `${passed} of ${passed + failed + warned + waiting}`,
  ),
  column("Serial or order", { sort: ({ serial }) => serial }, ({ serial }) => serial ?? NOTHING),
  column("Signed off", { sort: ({ signedOff }) => signedOff }, ({ signedOff }) =>
    signedOff === null ? NOTHING : momentTime(Date.parse(signedOff), serviceNowMs()),
  ),
];
