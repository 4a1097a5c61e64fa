/** How does one gateway stand on the bench? Its verdict in a word and a sentence, the list, its last datagrams. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { BenchView as Bench, BenchItem, BenchState } from "../../../../src/contract/bench.ts";
import { counted } from "../../../../src/words/format.ts";
import { clockTime, exactTime } from "../../format.ts";
import { Button, LinkButton } from "../../parts/form.tsx";
import { Age, Fold, Notices, Sentence, StandingMark, When } from "../../parts/page.tsx";
import { Forget, NameEdit } from "../../parts/ThingEdit.tsx";
import { linkTo } from "../../state/route.ts";
import { DownlinkTest } from "../relay/DownlinkTest.tsx";
import { BackToServer, BenchRecord, BenchTable, ExpectedPlan, useBenchTable } from "./BenchRecord.tsx";
import { ReceiverPart } from "./Receiver.tsx";
import { BENCH_STANDINGS, Check, ReferencePart } from "./Reference.tsx";
import "./BenchView.css";
import type { GatewayRow } from "../../../../src/contract/gateways.ts";
import type { ServiceStatus } from "../../../../src/contract/service.ts";
import { ServerToEnter } from "../../parts/ServerToEnter.tsx";
import "./BenchChoice.css";

export interface BenchViewProps {
  readonly bench: Bench;
  /** Null while it is not known. */
  readonly status: ServiceStatus | null;
  /** Called after the gateway was named. */
  readonly onChanged: () => void;
}

/** The bench of one gateway, fit to be printed. */
export function BenchView({ bench, status, onChanged }: BenchViewProps) {
  const { eui, name, source } = bench;
  return (
    <div class="bench">
      <p class="bench-verdict">
        <StandingMark standing={BENCH_STANDINGS[bench.verdict]} word={bench.verdict} />
      </p>
      <Sentence words={bench.sentence} />
      <Notices notices={bench.notices} />
      <p class="bench-who">
        <span>
          Gateway <span class="mono">{eui}</span>
        </span>
        {bench.expected === null ? null : <span class="bench-expected">must listen to {bench.expected}</span>}
        {source === null ? null : (
          <span>
            from <span class="mono">{source.replace(" ", " port ")}</span>
          </span>
        )}
        <span>
          last heard <When at={bench.lastHeard} />
        </span>
        <span class="screen-only">
          <NameEdit kind="gateway" id={eui} name={name} onChanged={onChanged} />
        </span>
        <BenchRecord bench={bench} onChanged={onChanged} />
      </p>
      <p class="bench-signed">
        {exactTime(Date.parse(bench.window.from))} to {exactTime(Date.parse(bench.window.to))}. Checked by:
      </p>
      <ExpectedPlan plans={bench.plans} />
      <p class="bench-acts screen-only">
        <Button class="plain first" onClick={() => print()}>
          Print
        </Button>
        <a href={linkTo("/bench")}>Another gateway</a>
      </p>
      <div class="bench-columns">
        <div>
          <Checks items={bench.items.filter(({ part }) => part === "gateway")} />
          <ReferencePart bench={bench} onChanged={onChanged} />
          <ReceiverPart eui={eui} />
          <DownlinkTest eui={eui} />
          <BackToServer eui={eui} status={status} />
          <Forget kind="gateway" id={eui} onForgotten={() => location.assign(linkTo("/site"))} />
        </div>
        <section class="bench-feed screen-only" aria-label="Last datagrams">
          <h2>Last datagrams</h2>
          {bench.feed.length === 0 ? <p class="quiet">None came in this window.</p> : null}
          <ol>
            {bench.feed.map((one) => (
              <li key={one.id}>
                <time class="quiet" dateTime={one.at}>
                  {clockTime(Date.parse(one.at))}
                </time>
                <span>{one.words}</span>
              </li>
            ))}
          </ol>
        </section>
      </div>
      <Fold title="Where the limits come from">
        <dl class="bench-basis">
          {bench.items.filter(isTold).map((item) => (
            <div key={item.id}>
              <dt>{item.title}</dt>
              <dd>{item.basis}</dd>
            </div>
          ))}
        </dl>
        <p>
          A check waits while too little came to tell. The verdict is that of the worst check; it waits only
          as long as nothing is wrong and keepalives, reports, radio, channel plan or channels are still open.
        </p>
      </Fold>
    </div>
  );
}

/** Checks that fail first, then those that warn and those still open; what passed is folded on screen, and printed. */
function Checks({ items }: { readonly items: readonly BenchItem[] }) {
  const [isOpen, setOpen] = useState(false);
  const of = (state: BenchState) => items.filter((item) => item.state === state);
  const first = [...of("fail"), ...of("warn"), ...of("waiting")];
  const passed = of("pass");
  return (
    <>
      {first.length === 0 ? null : (
        <ol class="bench-list" aria-label="Faults and warnings">
          {first.map((item) => (
            <Check key={item.id} item={item} />
          ))}
        </ol>
      )}
      {passed.length === 0 ? null : (
        <>
          <p class="bench-passed screen-only">
            <StandingMark standing="good" word={`${counted(passed.length, "check")} passed`} />
            <LinkButton aria-expanded={isOpen} onClick={() => setOpen(!isOpen)}>
              {isOpen ? "hide them" : "show them"}
            </LinkButton>
          </p>
          <ol
            class={`bench-list bench-list-passed ${isOpen ? "" : "bench-folded"}`}
            aria-label="Checks that passed"
          >
            {passed.map((item) => (
              <Check key={item.id} item={item} />
            ))}
          </ol>
        </>
      )}
    </>
  );
}

/** The limits against a reference are the same for all channels and shown once. */
function isTold({ part, channel }: Bench["items"][number]): boolean {
  return part === "gateway" || channel === null;
}

// Which gateway is on the bench? Those that were heard, and what to enter at one that has yet to come.

export interface BenchChoiceProps {
  readonly gateways: readonly GatewayRow[];
  /** Null while it is not known. */
  readonly status: ServiceStatus | null;
}

/** The bench before a gateway was chosen. The first gateway that comes while the page waits opens by itself. */
export function BenchChoice({ gateways, status }: BenchChoiceProps) {
  const waited = useRef(false);
  const only = gateways.length === 1 ? (gateways[0]?.eui ?? null) : null;
  useEffect(() => {
    if (gateways.length === 0) waited.current = true;
    else if (waited.current && only !== null) location.replace(linkTo(`/bench/${only}`));
  }, [gateways.length, only]);
  return (
    <>
      <h1 class="sentence">
        {gateways.length === 0
          ? "Waiting for a gateway: its check list opens as soon as it sends."
          : `${counted(gateways.length, "gateway")} sent something in this window: choose one for its check list, or point another one here.`}
      </h1>
      <Notices notices={status?.notices ?? []} />
      {gateways.length < 2 ? (
        <>
          <Choice gateways={gateways} />
          <NextOnBench gateways={gateways} status={status} />
        </>
      ) : (
        <AllOnBench gateways={gateways} status={status} />
      )}
    </>
  );
}

/** Several gateways as one table; while they are judged, the list of them. What is beneath must not move away then. */
function AllOnBench({ gateways, status }: BenchChoiceProps) {
  const { bench, isAsked } = useBenchTable();
  return (
    <>
      {bench === null ? <Choice gateways={gateways} /> : <BenchTable bench={bench} />}
      {isAsked ? null : <NextOnBench gateways={gateways} status={status} />}
    </>
  );
}

/** What to enter at a gateway that has yet to come, and whether anything arrives. */
function NextOnBench({ gateways, status }: BenchChoiceProps) {
  return (
    <div class="screen-only">
      <h2>{gateways.length === 0 ? "Point it here" : "Another gateway"}</h2>
      {status === null ? null : (
        <>
          <ServerToEnter status={status} />
          <p class="beneath" role="status">
            {status.arrived.datagrams === 0 ? (
              <>
                <StandingMark standing="waiting" /> Nothing has arrived on the port since the service started{" "}
                <Age at={status.startedAt} />.
              </>
            ) : (
              <>
                <StandingMark standing="good" word="arriving" />{" "}
                {counted(status.arrived.datagrams, "datagram")} arrived, the last{" "}
                <Age at={status.arrived.lastAt} />.
              </>
            )}
          </p>
        </>
      )}
    </div>
  );
}

function Choice({ gateways }: Pick<BenchChoiceProps, "gateways">) {
  if (gateways.length === 0) return null;
  return (
    <ul class="bench-choice">
      {[...gateways].sort(newestFirst).map((gateway) => (
        <li key={gateway.eui}>
          <a href={linkTo(`/bench/${gateway.eui}`)}>
            {gateway.name === null ? "" : `${gateway.name}, `}
            <span class="mono">{gateway.eui}</span>
          </a>
          <StandingMark standing={gateway.standing} />
          <span>{gateway.clause}</span>
          <span class="quiet">
            first heard <Age at={gateway.firstHeard} />
          </span>
        </li>
      ))}
    </ul>
  );
}

function newestFirst(a: GatewayRow, b: GatewayRow): number {
  return Date.parse(b.firstHeard) - Date.parse(a.firstHeard);
}
