/** How did each gateway do: reachable, alive, by its own account? */
import type { AirView } from "../contract/air.ts";
import type { BenchItem, BenchView } from "../contract/bench.ts";
import type { GatewayRow } from "../contract/gateways.ts";
import { busiestCell } from "../drawings/air-map.ts";
import { figure, megahertz, percent, signedWithUnit, withMoments, withUnit } from "../words/format.ts";
import { AirDrawing } from "./Drawing.tsx";
import type { Clock } from "./parts.tsx";
import { GatewayTitle, Mono, Sentence, State, Table } from "./parts.tsx";

export function Gateways({
  gateways,
  clock,
}: {
  readonly gateways: readonly GatewayRow[];
  readonly clock: Clock;
}) {
  return (
    <section>
      <h2>Gateways</h2>
      {gateways.length === 0 ? <p>No gateway was heard in this window.</p> : null}
      {gateways.map((gateway) => (
        <Gateway key={gateway.eui} gateway={gateway} clock={clock} />
      ))}
    </section>
  );
}

const MAX_OUTAGES = 12;

function Gateway({ gateway, clock }: { readonly gateway: GatewayRow; readonly clock: Clock }) {
  const { outages, restartTimes, events } = gateway;
  return (
    <div class="keep gateway">
      <h3>
        <GatewayTitle name={gateway.name} eui={gateway.eui} />
      </h3>
      <p>
        <State state={gateway.standing} />: {gateway.clause}.
      </p>
      <dl>
        <dt>Receptions</dt>
        <dd>
          {figure(gateway.receptions)}, of them {figure(gateway.crcBad)} with a failed CRC;{" "}
          {figure(gateway.datagrams)} datagrams
        </dd>
        <dt>Keepalive</dt>
        <dd>
          {gateway.keepaliveSeconds === null
            ? "not known"
            : `every ${withUnit(gateway.keepaliveSeconds, 0, "s")}`}
        </dd>
        <dt>Plan</dt>
        <dd>
          {gateway.region.reason}
          {gateway.region.contradictions.map((words) => ` ${words}`)}
        </dd>
        <dt>Counter clock</dt>
        <dd>
          {gateway.clockDriftPpm === null
            ? "drift not known"
            : `${signedWithUnit(gateway.clockDriftPpm, 2, "ppm")} against this machine`}
        </dd>
        <dt>Unreachable</dt>
        <dd>{gateway.outagesKnown ? outageWords(outages, clock) : NO_INTERVAL}</dd>
        {events.length === 0 ? null : (
          <>
            <dt>Events</dt>
            <dd>
              {events.slice(0, MAX_OUTAGES).map(({ kind, from, to, sentence, word, advice }) => (
                <p key={`${kind} ${from}`}>
                  {clock.stretch(from, to)} ({word}): {sentence} Next: {advice}
                </p>
              ))}
            </dd>
          </>
        )}
        <dt>Restarted</dt>
        <dd>
          {restartTimes.length === 0
            ? "never"
            : restartTimes
                .slice(0, MAX_OUTAGES)
                .map((at) => clock.moment(at))
                .join("; ")}
          {restartTimes.length > MAX_OUTAGES ? ` and ${restartTimes.length - MAX_OUTAGES} more times` : ""}
        </dd>
      </dl>
    </div>
  );
}

/** Without keepalives or reports a silence may be one of the air. */
const NO_INTERVAL = "not known: it sends neither keepalives nor reports";

function outageWords(outages: GatewayRow["outages"], clock: Clock): string {
  if (outages.length === 0) return "never";
  const shown = outages.slice(0, MAX_OUTAGES).map(({ from, to }) => clock.stretch(from, to));
  const more = outages.length > MAX_OUTAGES ? ` and ${outages.length - MAX_OUTAGES} more times` : "";
  return `${shown.join("; ")}${more}`;
}

// How did each gateway's bring-up list come out?

export function Benches({
  benches,
  clock,
}: {
  readonly benches: readonly BenchView[];
  readonly clock: Clock;
}) {
  if (benches.length === 0) return null;
  return (
    <section>
      <h2>Bench lists</h2>
      {benches.map((bench) => (
        <div key={bench.eui} class="bench">
          <h3>
            <GatewayTitle name={bench.name} eui={bench.eui} /> <State state={bench.verdict} />
          </h3>
          <Sentence parts={bench.sentence} />
          <GatewayChecks items={bench.items.filter(({ part }) => part === "gateway")} clock={clock} />
          <AgainstReference bench={bench} clock={clock} />
        </div>
      ))}
    </section>
  );
}

/** What did not pass in full; what passed by name. */
function GatewayChecks({ items, clock }: Pick<ChecksProps, "items" | "clock">) {
  const passed = items.filter(({ state }) => state === "pass");
  const others = items.filter(({ state }) => state !== "pass");
  return (
    <>
      {others.length === 0 ? null : <Checks items={others} clock={clock} />}
      {passed.length === 0 ? null : (
        <p>
          <State state="pass" />: {passed.map(({ title }) => title).join(", ")}.
        </p>
      )}
    </>
  );
}

function AgainstReference({ bench, clock }: { readonly bench: BenchView; readonly clock: Clock }) {
  const items = bench.items.filter(({ part }) => part === "reference");
  const { reference } = bench;
  if (reference === null || items.length === 0) return null;
  const byChannel = new Map<string, BenchItem[]>();
  for (const item of items)
    if (item.channel !== null) byChannel.set(item.channel, [...(byChannel.get(item.channel) ?? []), item]);
  return (
    <div class="keep">
      <Checks
        clock={clock}
        items={items.filter(({ channel }) => channel === null)}
        caption={`Against the reference ${reference.name ?? reference.eui}: within ${reference.maxOffsetDb}\u202FdB of level, at most ${reference.maxLossPoints} points more lost`}
      />
      {byChannel.size === 0 ? null : <Channels byChannel={byChannel} />}
    </div>
  );
}

/** One row a channel: what was shown in full for all together is shown in figures for each. */
function Channels({ byChannel }: { readonly byChannel: ReadonlyMap<string, readonly BenchItem[]> }) {
  const cell = (items: readonly BenchItem[], unit: string) => {
    const item = items.find((one) => one.unit === unit);
    return item === undefined ? (
      "–"
    ) : (
      <>
        <State state={item.state} /> {item.figure}
      </>
    );
  };
  return (
    <Table
      keep
      rows={[...byChannel]}
      columns={[
        { title: "Channel", of: ([channel]) => channel },
        { title: "Level against the reference", of: ([, items]) => cell(items, "dB") },
        { title: "More lost than by it", of: ([, items]) => cell(items, "points") },
      ]}
    />
  );
}

interface ChecksProps {
  readonly items: BenchView["items"];
  readonly clock: Clock;
  readonly caption?: string;
}

function Checks({ items, clock, caption }: ChecksProps) {
  return (
    <Table
      {...(caption === undefined ? {} : { caption })}
      rows={items}
      columns={[
        { title: "Check", of: (item) => item.title },
        { title: "State", of: (item) => <State state={item.state} /> },
        { title: "Figure", of: (item) => item.figure },
        {
          title: "Why, and what to do",
          kind: "words",
          of: ({ reason, advice }) => {
            const shown = withMoments(reason, (ms) => clock.moment(new Date(ms).toISOString()));
            return advice === null ? shown : `${shown} ${advice}`;
          },
        },
      ]}
    />
  );
}

// What filled the channels?

const MAX_TALKERS = 5;

export function Air({ view, clock }: { readonly view: AirView; readonly clock: Clock }) {
  const busiest = [...view.maps].sort((a, b) => busiestCell(b) - busiestCell(a))[0];
  const several = new Set(view.channels.map(({ gatewayEui }) => gatewayEui)).size > 1;
  return (
    <section>
      <h2>Air</h2>
      <Sentence parts={view.sentence} />
      {busiest === undefined ? null : <AirDrawing map={busiest} clock={clock} />}
      {view.channels.length === 0 ? null : (
        <Table
          caption="Channels. Busy: share of the window in which something was heard (union of receptions). Load: sum of airtime over the window."
          rows={view.channels}
          columns={[
            ...(several
              ? [
                  {
                    title: "Gateway",
                    of: (row: AirView["channels"][number]) => row.gatewayName ?? row.gatewayEui,
                  },
                ]
              : []),
            { title: "Channel", kind: "number", of: (row) => megahertz(row.frequencyHz) },
            { title: "Receptions", kind: "number", of: (row) => figure(row.receptions) },
            { title: "Busy", kind: "number", of: (row) => percent(row.utilisation, 2) },
            { title: "Load", kind: "number", of: (row) => percent(row.offeredLoad, 2) },
            {
              title: "CRC failed",
              kind: "number",
              of: (row) => percent(row.crcBadRatio),
            },
            { title: "Noise floor", kind: "number", of: (row) => withUnit(row.noiseFloorDbm, 1, "dBm") },
            {
              title: "Strangers’ airtime",
              kind: "number",
              of: (row) =>
                row.airtimeSeconds === 0 ? "–" : percent(row.strangerAirtimeSeconds / row.airtimeSeconds),
            },
          ]}
        />
      )}
      {view.talkers.length === 0 ? null : (
        <Table
          caption="Nodes with most airtime, as heard (a lower bound: what was not heard is missing)."
          rows={view.talkers.slice(0, MAX_TALKERS)}
          columns={[
            {
              title: "Node",
              of: (row) => (
                <>
                  {row.name === null ? null : <>{row.name} </>}
                  <Mono text={row.devAddr} />
                </>
              ),
            },
            { title: "Whose", of: (row) => (row.stranger ? `stranger, ${row.network}` : "own") },
            { title: "Frames", kind: "number", of: (row) => figure(row.frames) },
            { title: "Airtime", kind: "number", of: (row) => withUnit(row.airtimeSeconds, 1, "s") },
            { title: "Busiest hour", kind: "number", of: (row) => percent(row.busiestHourDuty, 2) },
          ]}
        />
      )}
      <p class="caution">{view.caution}</p>
    </section>
  );
}
