/** What does a neighbour's network do to you? Its airtime, its growth by week, and what it costs each own node. */
import type {
  NoiseAtGateway,
  NoiseSource,
  StrangerCost,
  StrangerNetwork,
  StrangersView,
} from "../../../../src/contract/others-on-air.ts";
import {
  counted,
  dbm,
  duration,
  figure,
  listed,
  megahertz,
  percent,
  signedDb,
  withUnit,
} from "../../../../src/words/format.ts";
import { gatewayTitle, momentTime, withShortEuis } from "../../format.ts";
import {
  type Column,
  column,
  DataTable,
  figureColumn,
  figureField,
  RIGHT,
  textColumn,
  textField,
  WIDE_ONLY,
} from "../../parts/DataTable.tsx";
import { Explained, Heading } from "../../parts/Explain.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Fold, When } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { currentWindow } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import { nodeColumn } from "./AirTables.tsx";

const NETWORKS: readonly Column<StrangerNetwork>[] = [
  textField("Network", "network"),
  figureField("Nodes", "nodes", figure, WIDE_ONLY),
  figureField("Frames", "frames", figure, WIDE_ONLY),
  figureField("Airtime", "airtimeSeconds", duration),
  figureField("of all nodes", "share", percent),
  column("Growth", { sort: (row) => row.growth.sharePerWeek }, ({ growth }) =>
    growth.verdict === "not enough" ? <span class="quiet">{growth.words}</span> : growth.words,
  ),
];

const NODES: readonly Column<StrangerCost>[] = [
  nodeColumn("Your node"),
  textColumn("Heard at", (row) => gatewayTitle(row), WIDE_ONLY),
  figureColumn(
    "Lost, ALOHA",
    (row) => row.collisions.aloha,
    (aloha) => percent(aloha, 2),
  ),
  column(
    "with capture",
    { right: true, sort: (row) => row.collisions.captureTheory },
    ({ collisions: { captureTheory, captureMeasured } }) =>
      captureTheory === null || captureMeasured === null ? (
        <span class="quiet">too few levels</span>
      ) : (
        <span class="nowrap">{between(captureTheory, captureMeasured)}</span>
      ),
  ),
  column("Most to", { wideOnly: true, sort: (row) => row.worstNetwork }, (row) => row.worstNetwork ?? "–"),
];

function between(a: number, b: number): string {
  const [low, high] = [a, b].sort((x, y) => x - y).map((share) => percent(share, 2));
  return low === high ? `${low}` : `${low} to ${high}`;
}

/** Asked for once a window: weeks take a moment to sum, and the next frames change them little. */
export function Strangers() {
  const loaded = useViewData<StrangersView>({ path: "/api/strangers" }, currentWindow.value);
  return (
    <section class="strangers" aria-label="What strangers cost you">
      <Heading text="What strangers cost you" />
      <Gate loaded={loaded} part>
        {(view) => <CostText view={view} />}
      </Gate>
    </section>
  );
}

/** Shown with two decimals of a percent: less is nothing. */
const SMALLEST_COST = 0.0001;

/** Nodes that lose something by strangers; the others in a sentence. */
function CostTable({ nodes }: { nodes: readonly StrangerCost[] }) {
  const rows = nodes.filter(({ collisions }) => collisions.aloha >= SMALLEST_COST);
  const others = nodes.length - rows.length;
  return (
    <>
      {rows.length === 0 ? null : (
        <DataTable
          label="What strangers cost your nodes"
          columns={NODES}
          rows={rows}
          rowKey={(row) => row.devAddr}
        />
      )}
      {others === 0 ? null : (
        <p class="quiet beneath">
          {counted(others, rows.length === 0 ? "node" : "other node")}: below {percent(SMALLEST_COST, 2)}{" "}
          each.
        </p>
      )}
    </>
  );
}

function CostText({ view }: { view: StrangersView }) {
  const { sentence, networks, nodes, weeksAt, caution } = view;
  const rows = networks.flatMap(({ network, weeks }) => weeks.map((week) => ({ network, ...week })));
  return (
    <>
      <p>{sentence}</p>
      {networks.length === 0 ? null : (
        <DataTable
          label="Neighbours' networks"
          columns={NETWORKS}
          rows={networks}
          rowKey={(row) => row.network}
          cards
        />
      )}
      {networks.length === 0 || nodes.length === 0 ? null : (
        <>
          <h3 class="beneath">
            <Explained text="Collisions with them to expect" />
          </h3>
          <CostTable nodes={nodes} />
        </>
      )}
      {rows.length === 0 || weeksAt === null ? null : (
        <Fold title="Week by week">
          <p class="quiet">
            As heard by {gatewayTitle(weeksAt)} alone, so that a new gateway does not look like growth. A week
            counts from four days recorded for three quarters or more; the interval is 95&#8239;% from its
            days.
          </p>
          <DataTable<(typeof rows)[number]>
            label="Strangers by week"
            rows={rows}
            rowKey={(row) => `${row.network} ${row.from}`}
            columns={[
              column("Network", (row) => row.network),
              column("Week from", (row) => <When at={row.from} />),
              column("Days", RIGHT, (row) => figure(row.days)),
              column("Airtime a day", RIGHT, ({ secondsPerDay, interval95 }) =>
                secondsPerDay === null || interval95 === null ? (
                  <span class="quiet">recorded too little</span>
                ) : (
                  <span class="nowrap">
                    {withUnit(secondsPerDay, 1, "s")} ({figure(interval95[0], 1)} to{" "}
                    {figure(interval95[1], 1)})
                  </span>
                ),
              ),
            ]}
          />
        </Fold>
      )}
      <p class="quiet small beneath">{caution}</p>
    </>
  );
}

// Which noise stood out, how did it behave, and at which gateway was it strongest?

const STATUS: Readonly<Record<NoiseAtGateway["status"], string>> = {
  raised: "louder",
  "not raised": "not louder",
  drowned: "heard next to nothing",
  "too few": "too few frames",
};

const GATEWAYS: readonly Column<NoiseAtGateway>[] = [
  textColumn("Gateway", (row) => gatewayTitle(row)),
  column("Meanwhile", (row) => STATUS[row.status]),
  column("Rise", { right: true, sort: (row) => row.riseDb }, ({ riseDb, riseInterval95 }) =>
    riseDb === null || riseInterval95 === null ? (
      "–"
    ) : (
      <span class="nowrap">
        {signedDb(riseDb)}{" "}
        <span class="quiet">
          ({figure(riseInterval95[0], 1)} to {figure(riseInterval95[1], 1)})
        </span>
      </span>
    ),
  ),
  column("The noise itself", { right: true, sort: (row) => row.receivedDbm }, ({ receivedDbm, status }) => (
    <span class="nowrap">
      {status === "drowned" && receivedDbm !== null ? "at least " : ""}
      {dbm(receivedDbm)}
    </span>
  )),
  figureField("Frames", "samples", figure, WIDE_ONLY),
];

export function NoiseSources({ sources }: { sources: readonly NoiseSource[] }) {
  if (sources.length === 0)
    return (
      <p class="quiet">
        No noise stood out: no channel was 6&#8239;dB louder for ten minutes or in regular pulses, as far as
        weak frames show.
      </p>
    );
  return (
    <>
      <ul class="airtime-findings">
        {sources.map((source) => (
          <li key={`${source.kind} ${source.from} ${source.frequenciesHz.join(" ")}`}>
            <OneSource source={source} />
          </li>
        ))}
      </ul>
      <p class="quiet small">
        Compared is the power of the noise alone, its channel's quiet level taken off, in the same time on the
        same channels. The interval is 95&#8239;%; it allows for antennas and receivers that differ by
        1.5&#8239;dB from one gateway to the next.
      </p>
    </>
  );
}

function OneSource({ source }: { source: NoiseSource }) {
  const { words, place, walk, from, to, kind, beginSeen, frequenciesHz, loudestHours, gateways } = source;
  const since = momentTime(Date.parse(from), now.value);
  return (
    <>
      <strong>{withShortEuis(words)}</strong> {withShortEuis(place.words)}
      {walk === null ? null : <> {withShortEuis(walk.words)}</>}
      <Fold title="Gateway by gateway">
        <p class="quiet">
          {kind === "standing" ? "Seen" : beginSeen ? "Since" : "Since before"} {since}
          {kind === "standing" ? " and before" : ""}, until {momentTime(Date.parse(to), now.value)};{" "}
          {listed(frequenciesHz.map(megahertz))}.{" "}
          {loudestHours.length === 0 || kind === "pulsed"
            ? ""
            : `Loudest hours of the day (UTC): ${listed(loudestHours.map(({ hour, medianDbm }) => `${hour}\u202Fh ${withUnit(medianDbm, 1, "dBm")}`))}.`}
        </p>
        <DataTable
          label="The noise at each gateway"
          columns={GATEWAYS}
          rows={gateways}
          rowKey={(row) => row.gatewayEui}
          sorting={{ key: "The noise itself", down: true }}
          cards
        />
      </Fold>
    </>
  );
}
