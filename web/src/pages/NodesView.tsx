/** Which nodes are heard here, one's own first, strangers folded beneath by network? */
import { useEffect } from "preact/hooks";
import type { NodeRow, NodesView as Nodes } from "../../../src/contract/nodes.ts";
import type { JoiningDevice, JoinsView } from "../../../src/contract/site.ts";
import { counted, figure } from "../../../src/words/format.ts";
import { type Column, column, DataTable, figureField, RIGHT, type Sorting } from "../parts/DataTable.tsx";
import { ExportLink } from "../parts/Export.tsx";
import { Button, Field } from "../parts/form.tsx";
import { Fold, Sentence, When } from "../parts/page.tsx";
import { NameMany } from "../parts/ThingEdit.tsx";
import { currentWindow, linkTo, route, setParams } from "../state/route.ts";
import { useViewData } from "../state/view-data.ts";
import { type Device, devicesOf, NodeTable } from "./NodeTable.tsx";
import "./NodesView.css";
import { Heading } from "../parts/Explain.tsx";

// Which devices ask to join in this window, and which are not let in? Beneath the nodes; nothing where none asks.

/** A live window is asked for again this often: devices ask to join every few seconds at the most. */
const REFRESH_MS = 5_000;

const COLUMNS: readonly Column<JoiningDevice>[] = [
  column("DevEUI", { sort: (row) => row.devEui }, (row) => <span class="mono">{row.devEui}</span>),
  column("Last request", { sort: (row) => row.lastHeard }, (row) => <When at={row.lastHeard} />),
  figureField("Requests", "requests", figure),
  column("Accepted", RIGHT, (row) => figure(row.accepted)),
  column("Too late", RIGHT, (row) => figure(row.late)),
  column("Unanswered", RIGHT, (row) => figure(row.unanswered)),
  column("Address after that", (row) =>
    row.devAddr === undefined ? (
      <span class="quiet">not known</span>
    ) : (
      <a class="mono" href={linkTo(`/nodes/${row.devAddr}/${row.life ?? 1}`)}>
        {row.devAddr}
      </a>
    ),
  ),
];

function JoiningDevices() {
  const choice = currentWindow.value;
  const { data, reload } = useViewData<JoinsView>({ path: "/api/joins" }, choice);
  useEffect(() => {
    if (choice.kind !== "live") return;
    const timer = setInterval(() => {
      if (!document.hidden) reload();
    }, REFRESH_MS);
    return () => clearInterval(timer);
  }, [choice.kind]);
  if (data === null || data.joins.length === 0) return null;
  return (
    <>
      <Heading text="Joining devices" />
      <p>{data.sentence.map(({ text }) => text).join("")}</p>
      <DataTable label="Joining devices" rows={data.joins} rowKey={(row) => row.devEui} columns={COLUMNS} />
    </>
  );
}

/** Rows whose name, address or network holds every word that was typed. */
export function filterNodes(rows: readonly NodeRow[], text: string): NodeRow[] {
  const words = text.toLowerCase().split(/\s+/).filter(Boolean);
  return rows.filter((row) => {
    const hay = `${row.name ?? ""} ${row.devAddr} ${row.network} ${row.standing}`.toLowerCase();
    return words.every((word) => hay.includes(word));
  });
}

const STANDINGS_SHOWN = [
  { key: "check", word: "to check", standings: ["bad", "look"] },
  { key: "waiting", word: "waiting", standings: ["waiting"] },
  { key: "good", word: "good", standings: ["good"] },
] as const;

/** The list of nodes; filter and order live in the address bar. */
export function NodesView({ nodes, onChanged }: { nodes: Nodes; onChanged: () => void }) {
  const text = route.value.params.get("q") ?? "";
  const sort = route.value.params.get("sort");
  const show = STANDINGS_SHOWN.find(({ key }) => key === route.value.params.get("show")) ?? null;
  const sorting: Sorting | undefined =
    sort === null ? undefined : { key: sort.replace(/^-/, ""), down: sort.startsWith("-") };
  const onSort = (next: Sorting) => setParams({ sort: `${next.down ? "-" : ""}${next.key}` });
  const found = filterNodes(nodes.nodes, text);
  const ownFound = found.filter((row) => !row.stranger);
  const devices = devicesOf(ownFound);
  const isOf = ({ standings }: (typeof STANDINGS_SHOWN)[number], { row }: Device) =>
    standings.some((one) => one === row.standing);
  const shownAddresses = new Set(
    devices.filter((device) => show === null || isOf(show, device)).map(({ row }) => row.devAddr),
  );
  const own = ownFound.filter(({ devAddr }) => shownAddresses.has(devAddr));
  const strangers = found.filter((row) => row.stranger);
  const networks = [...new Set(strangers.map((row) => row.network))];
  const order = sorting === undefined ? { onSort } : { sorting, onSort };
  return (
    <>
      <Sentence words={nodes.sentence} />
      <div class="nodes-filter screen-only">
        <Field name="Filter by name, address, network or standing">
          <input
            type="search"
            value={text}
            spellcheck={false}
            onInput={(event) => setParams({ q: event.currentTarget.value })}
          />
        </Field>
        <fieldset class="nodes-standings" aria-label="Nodes by standing">
          {STANDINGS_SHOWN.map((one) => {
            const count = devices.filter((device) => isOf(one, device)).length;
            const isOn = show?.key === one.key;
            if (count === 0 && !isOn) return null;
            return (
              <Button
                key={one.key}
                aria-pressed={isOn}
                onClick={() => setParams({ show: isOn ? null : one.key })}
              >
                {figure(count)} {one.word}
              </Button>
            );
          })}
        </fieldset>
        {text === "" && show === null ? null : (
          <p role="status" class="small quiet">
            {counted(shownAddresses.size + deviceCount(strangers), "node")} of{" "}
            {figure(deviceCount(nodes.nodes))} shown
          </p>
        )}
      </div>
      {own.length === 0 ? (
        <p class="quiet">
          {nodes.nodes.length === 0
            ? "No node was heard in this window. Choose a longer one above, or wait: a node appears with its first frame."
            : text === "" && show === null
              ? "No node of your own was heard in this window."
              : "No node of your own fits the filter."}
        </p>
      ) : (
        <NodeTable label="Your nodes" rows={own} {...order} />
      )}
      {nodes.nodes.length === 0 ? null : <ExportLink what="nodes" />}
      <p class="beneath">
        <a href={linkTo("/plan")}>Where they stand: the plan</a>
      </p>
      <JoiningDevices />
      {networks.length === 0 ? null : <Heading text="Strangers" />}
      {networks.map((network) => {
        const rows = strangers.filter((row) => row.network === network);
        return (
          <Fold key={network} title={`${network}: ${counted(rows.length, "node")}`} open={text !== ""}>
            <NodeTable label={`Strangers of ${network}`} rows={rows} {...order} />
          </Fold>
        );
      })}
      <NameMany onChanged={onChanged} />
      <Fold title="How these figures come about">
        {nodes.homeAssumed ? (
          <p>
            You have not marked your nodes. Mastlog assumes that those of{" "}
            {nodes.homeNetworks.join(", ") || "no network"} are yours. Open a node and mark it as “mine” or “a
            stranger's” to settle it.
          </p>
        ) : null}
        <p>
          Delivery is heard counters over expected ones (last − first + 1) in one counter life, with the
          Wilson 95 % interval drawn on 0 to 100 %. Rhythm is the median interval of one counter step. Margin
          is SNR over the demodulation floor of the spreading factor, best gateway of each frame, median.
        </p>
        <p>
          A trend is shown only where it is significant (Mann–Kendall); its size is the Theil–Sen slope over
          the span of the window. A silence at the end of the window is not counted as loss. A fall is shown
          instead of a trend where the level of the best gateway fell by 6 dB or more and has stayed low for
          an hour or longer to the last frame (both limits are chosen); where a gateway that hears the node
          was out for a third of that time, none is shown. Before the newest two days it is sought in medians
          of hours.
        </p>
      </Fold>
    </>
  );
}

/** A device counts once, however many counter lives are listed. */
function deviceCount(rows: readonly NodeRow[]): number {
  return new Set(rows.map(({ devAddr }) => devAddr)).size;
}
