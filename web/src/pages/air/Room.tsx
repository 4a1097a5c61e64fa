/** How many more nodes fit, and which faster data rate frees airtime? Calculated from what was heard, asked for once a window. */
import type { CapacityLoad, CapacityView, DataRateChange } from "../../../../src/contract/capacity.ts";
import { duration, figure, megahertz, percent, percentInterval } from "../../../../src/words/format.ts";
import { isShareReached, RoomCurve } from "../../drawings/curves.tsx";
import { type Column, column, DataTable, figureField, RIGHT } from "../../parts/DataTable.tsx";
import { LinkButton } from "../../parts/form.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Figure, Fold, PhonePart, When } from "../../parts/page.tsx";
import { currentWindow, linkTo, route } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import "./Room.css";
import { Heading } from "../../parts/Explain.tsx";

const SHARES = ["0.9", "0.95", "0.99"];
const USUAL_SHARE = "0.95";

/** The share to keep, as the address has it. */
export function chosenShare(): string {
  const asked = route.value.params.get("share") ?? USUAL_SHARE;
  const share = Number(asked);
  return share >= 0.5 && share <= 0.999 ? asked : USUAL_SHARE;
}

/** The section of the Air page. */
export function Room() {
  const share = chosenShare();
  const loaded = useViewData<CapacityView>(
    { path: `/api/capacity?share=${encodeURIComponent(share)}`, subject: "capacity" },
    currentWindow.value,
  );
  const gateway = route.value.params.get("gateway");
  return (
    <section class="room" aria-label="Room for more nodes">
      <Heading text="Room for more nodes" />
      <nav class="gateway-choice screen-only" aria-label="Share to keep">
        <span class="quiet">until delivery falls below</span>
        {SHARES.map((one) => (
          <a
            key={one}
            href={linkTo("/air", { share: one, ...(gateway === null ? {} : { gateway }) })}
            aria-current={one === share ? "true" : undefined}
          >
            {percent(Number(one), 0)}
          </a>
        ))}
      </nav>
      <Gate loaded={loaded} part>
        {(view) => <RoomText view={view} again={loaded.reload} />}
      </Gate>
    </section>
  );
}

function RoomText({ view, again }: { readonly view: CapacityView; readonly again: () => void }) {
  const { sentence, busiest, changes, changeSentence, downlinks, limits } = view;
  const text = sentence.map((part) => part.text).join("");
  return (
    <>
      <p class="room-words">{text}</p>
      {busiest === null || view.verdict !== "room" ? null : (
        <p class="room-words quiet">
          {busiest.words} That was from <When at={busiest.from} />.
        </p>
      )}
      {view.mean === null ? null : (
        <Figure
          wide
          caption={
            view.verdict === "full"
              ? "Delivery as nodes are added: below the share already"
              : `Delivery as nodes are added: ${percent(view.share)} is ${isShareReached(view) ? "" : "not "}reached with ${figure(view.mean.moreNodes)} more`
          }
          legend={<span>hatched: the interval; dashed: the share to keep</span>}
          drawing={<RoomCurve view={view} label={text} />}
          table={() => (
            <DataTable
              label="Delivery as nodes are added"
              columns={POINT_COLUMNS}
              rows={view.curve}
              rowKey={({ moreNodes }) => String(moreNodes)}
            />
          )}
        />
      )}
      {downlinks.map(({ gatewayEui, sentence: said }) => (
        <p class="room-words" key={gatewayEui}>
          {said}
        </p>
      ))}
      <p class="room-words">{changeSentence}</p>
      {changes.length === 0 ? null : (
        <PhonePart title="Faster data rates">
          <DataTable
            label="Faster data rates"
            columns={[NODE_COLUMN, ...CHANGE_COLUMNS]}
            rows={changes}
            rowKey={({ devAddr }) => devAddr}
            cards
          />
        </PhonePart>
      )}
      <p class="small quiet">
        From {figure(view.counters)} counters of {figure(view.nodes)} of your nodes over{" "}
        {duration(view.recordedSeconds)}.{" "}
        <LinkButton class="link screen-only" onClick={again}>
          calculate again
        </LinkButton>
      </p>
      <Fold title="Load by channel and data rate, and what this leaves out">
        <DataTable
          label="Load by channel and data rate"
          columns={LOAD_COLUMNS}
          rows={view.load}
          rowKey={({ frequencyHz, dataRate }) => `${frequencyHz}/${dataRate}`}
          none="Nothing of LoRa was heard in this window."
        />
        <ul class="room-limits">
          {limits.map((limit) => (
            <li key={limit}>{limit}</li>
          ))}
        </ul>
      </Fold>
    </>
  );
}

const POINT_COLUMNS: readonly Column<CapacityView["curve"][number]>[] = [
  column("More nodes", RIGHT, ({ moreNodes }) => figure(moreNodes)),
  column("Delivery", RIGHT, ({ delivery }) => percent(delivery)),
  column("Interval", RIGHT, ({ interval95 }) => percentInterval(interval95)),
];

const NODE_COLUMN: Column<DataRateChange> = column(
  "Node",
  { sort: ({ devAddr, name }) => name ?? devAddr },
  ({ devAddr, name, life }) => (
    <a href={linkTo(`/nodes/${devAddr}/${life}`)}>{name ?? <span class="mono">{devAddr}</span>}</a>
  ),
);

/** What a faster data rate frees and costs, without the node: its own page has them too. */
export const CHANGE_COLUMNS: readonly Column<DataRateChange>[] = [
  column(
    "Step",
    { sort: ({ fromSpreadingFactor, toSpreadingFactor }) => fromSpreadingFactor - toSpreadingFactor },
    ({ fromSpreadingFactor, toSpreadingFactor }) => `SF${fromSpreadingFactor} to SF${toSpreadingFactor}`,
  ),
  figureField("Airtime saved a day", "freedSecondsADay", duration),
  figureField("Of yours", "freedShare", percent),
  column("Delivery now", RIGHT, ({ delivery }) => percent(delivery)),
  column(
    "Then",
    { right: true, sort: ({ wouldBe }) => wouldBe },
    ({ wouldBe, interval95 }) => `${percent(wouldBe)} (${percentInterval(interval95)})`,
  ),
  column("Share kept", ({ keeps }) => (keeps ? "✓ yes" : "not surely")),
];

const LOAD_COLUMNS: readonly Column<CapacityLoad>[] = [
  column("Channel", RIGHT, ({ frequencyHz }) => megahertz(frequencyHz)),
  column("Data rate", ({ dataRate }) => dataRate),
  column("Yours", RIGHT, ({ ownErlang }) => percent(ownErlang, 2)),
  column("At the busiest", RIGHT, (row) => percent(row.ownBusiestErlang, 2)),
  column("Strangers' heard", RIGHT, ({ strangerErlang }) => percent(strangerErlang, 2)),
  column("Then", RIGHT, (row) => percent(row.strangerBusiestErlang, 2)),
];
