/** How does the whole site stand, at a glance? Its score, what to do, what happened, the nodes that need a look. */
import type { GatewayEvent, GatewayRow } from "../../../src/contract/gateways.ts";
import type { SiteView as Site } from "../../../src/contract/site.ts";
import type { MarkRow } from "../../../src/contract/user-data.ts";
import { confidenceText } from "../../../src/words/causes.ts";
import { counted, duration, figure, percent } from "../../../src/words/format.ts";
import { gatewayTitle, shortEui, withShortEuis } from "../format.ts";
import { column, DataTable, figureField, RIGHT, textColumn } from "../parts/DataTable.tsx";
import { ExportLink } from "../parts/Export.tsx";
import { MarkList } from "../parts/MarkList.tsx";
import { PinMark } from "../parts/PinMark.tsx";
import { Figure, Fold, MoreGateways, Sentence, StandingMark, When } from "../parts/page.tsx";
import { SiteSummary, ToDo } from "../parts/SiteSummary.tsx";
import { NameEdit } from "../parts/ThingEdit.tsx";
import { currentSite, linkTo } from "../state/route.ts";
import type { Marks } from "../state/view-data.ts";
import { GatewayMore } from "./GatewayMore.tsx";
import { NodeTable } from "./NodeTable.tsx";
import { SiteScore } from "./site/SiteScore.tsx";
import "./SiteView.css";
import { Explained, Heading } from "../parts/Explain.tsx";

// What happened to a gateway as a whole: its radio, its level, its way to the listener; each with the next step.

/** Lines that are shown at once; the others are folded. */
const MAX_LINES = 3;

const TITLES: Readonly<Record<GatewayEvent["kind"], string>> = {
  "gateway-deaf": "Radio deaf",
  "gateway-weakened": "Hears all weaker",
  "gateway-strengthened": "Hears all stronger",
  "backhaul-loss": "Datagrams lost",
  "late-acknowledgements": "Acknowledgements late",
};

/** The events beneath a heartbeat, newest first; nothing where there are none. */
function GatewayEvents({ events }: { readonly events: readonly GatewayEvent[] }) {
  if (events.length === 0) return null;
  const more = events.slice(MAX_LINES);
  return (
    <>
      <Lines events={events.slice(0, MAX_LINES)} />
      {more.length === 0 ? null : (
        <Fold title={`${more.length} more events`}>
          <Lines events={more} />
        </Fold>
      )}
    </>
  );
}

function Lines({ events }: { readonly events: readonly GatewayEvent[] }) {
  return (
    <ul class="gateway-events">
      {events.map((event) => (
        <li key={`${event.kind} ${event.from}`}>
          <p>
            <strong>{TITLES[event.kind]}</strong>{" "}
            <span class="quiet">
              <When at={event.from} />, {duration((Date.parse(event.to) - Date.parse(event.from)) / 1000)}
              {event.open ? " so far" : ""}; {event.word}, {confidenceText(event.confidence)}
            </span>
          </p>
          <p>{withShortEuis(event.sentence)}</p>
          <p>
            <span class="quiet">Next:</span> {event.advice}
          </p>
        </li>
      ))}
    </ul>
  );
}

export interface SiteViewProps {
  readonly site: Site;
  readonly marks: Marks;
  readonly onChanged: () => void;
}

/** The site view; `onChanged` is called after a gateway was named. */
export function SiteView({ site, marks, onChanged }: SiteViewProps) {
  const subjects = site.gateways.map(({ eui, name }) => ({
    kind: "gateway" as const,
    id: eui,
    title: name ?? shortEui(eui),
  }));
  return (
    <>
      <Sentence words={site.sentence} />
      <Score site={site} marks={marks.rows} />
      <PinMark subjects={subjects} onPinned={marks.reload} />
      <ToDo toDo={site.toDo} />
      <SiteSummary standing={site.standing} events={site.events} />
      <h2>Nodes to check</h2>
      {site.attention.length === 0 ? (
        <p class="quiet">
          {site.nodeCount === 0
            ? "No node of your own was heard in this window."
            : `Nothing to check at ${counted(site.nodeCount, "node")} in this window.`}{" "}
          <a href={linkTo("/nodes")}>All nodes</a>
        </p>
      ) : (
        <>
          <NodeTable label="Nodes to check" rows={site.attention} />
          <p class="beneath">
            <a href={linkTo("/nodes")}>
              All {counted(site.nodeCount, "node")}
              {site.strangerCount === 0 ? "" : ` and ${counted(site.strangerCount, "stranger")}`}
            </a>
          </p>
        </>
      )}
      <Gateways gateways={site.gateways} onChanged={onChanged} />
      {site.gateways.length === 0 ? null : <ExportLink what="gateways" />}
      <MoreGateways more={site.moreGateways} />
      <Heading text="The air" />
      {site.air.length === 0 ? <p class="quiet">Nothing was heard on the air in this window.</p> : null}
      <ul class="air-lines">
        {site.air.map((line) => (
          <li key={line.gatewayEui}>
            <strong>{gatewayTitle(line)}</strong>
            <span>{line.words}</span>
          </li>
        ))}
      </ul>
      {site.air.length === 0 ? null : (
        <p class="beneath">
          <a href={linkTo("/air")}>Channels, noise and strangers</a> · <a href={linkTo("/plan")}>The plan</a>
        </p>
      )}
      {marks.rows.length === 0 ? null : <Heading text="Last marks" />}
      <MarkList marks={marks.rows} subjects={subjects} onChanged={marks.reload} />
      <p class="site-called small">
        This place is called “{site.siteName}”.{" "}
        {currentSite.value === null ? (
          <NameEdit kind="site" id="" name={site.siteName} onChanged={onChanged} />
        ) : null}
      </p>
      <Fold title="How these figures come about">
        <p>
          A heartbeat cell counts what arrived from the gateway in that stretch of time: receptions as height
          (square root, so that few stay visible), keepalives beneath the line against the interval that the
          gateway keeps, status reports as dots. A break means that nothing arrived for longer than three
          keepalives.
        </p>
        <p>
          A channel has a row where the noise that weak frames show stood 6&#8239;dB or more above its quiet
          level for ten minutes or longer. A node's row has its counters above and its margin beneath: the
          mean of the frames near that moment, each at its best gateway, over the demodulation floor.
        </p>
        <p>
          A node is to be checked when counters are missing, when it is silent for longer than its rhythm
          allows, or when its margin is small. Missed counters come from the frame counters themselves, not
          from a registration.
        </p>
      </Fold>
    </>
  );
}

function Score({ site, marks }: { site: Site; marks: readonly MarkRow[] }) {
  const { gateways, score, attention } = site;
  const well = gateways.filter((gateway) => gateway.standing === "good").length;
  const outages = gateways.reduce((sum, gateway) => sum + gateway.outages.length, 0);
  const parts = [
    `${figure(well)} of ${counted(gateways.length, "gateway")} good`,
    counted(outages, "outage"),
    ...(score.noise.length === 0 ? [] : [`${counted(score.noise.length, "channel")} loud for some time`]),
    `${counted(attention.length, "node")} to check`,
  ];
  const caption =
    gateways.length === 0 ? "No gateway sent anything in this window" : `One time axis: ${parts.join(", ")}`;
  return (
    <Figure
      wide
      caption={caption}
      legend={
        <>
          <span>bar: receptions, square-root scale; open top: wrong CRC</span>
          <span>
            beneath: <Explained text="keepalives" />, <Explained text="status reports" /> as dots
          </span>
          <span>
            torn: <Explained text="unreachable" />
          </span>
          <span>
            ▲ <Explained text="restart" />
          </span>
          <span>
            tick: heard; notch: <Explained text="missed" />, hollow if not on the air
          </span>
          <span>
            stem: <Explained text="margin" /> over the floor
          </span>
          <span>column: an event</span>
          <span>bar at the foot: recorded</span>
          {marks.length === 0 ? null : (
            <span>
              dashed rule: a <Explained text="mark" />
            </span>
          )}
        </>
      }
      drawing={
        gateways.length + attention.length === 0 ? null : (
          <SiteScore site={site} marks={marks} label={caption} />
        )
      }
      table={() => (
        <DataTable<GatewayRow>
          label="Gateways"
          rows={gateways}
          rowKey={(row) => row.eui}
          columns={[
            textColumn("Gateway", (row: GatewayRow) => row.name ?? row.eui),
            column("EUI", (row) => <span class="mono">{row.eui}</span>),
            column("Last heard", (row) => <When at={row.lastHeard} />),
            figureField("Receptions", "receptions", figure),
            column("CRC failed", RIGHT, (row) =>
              percent(row.receptions === 0 ? null : row.crcBad / row.receptions),
            ),
            column("Keepalive", RIGHT, (row) => duration(row.keepaliveSeconds)),
            column("Outages", RIGHT, (row) => figure(row.outages.length)),
            column("Events", RIGHT, (row) => figure(row.events.length)),
            column("Restarts", RIGHT, (row) => figure(row.restarts)),
            column("Channel plan", (row) => row.region.name ?? "not recognised"),
          ]}
        />
      )}
    />
  );
}

/** Each gateway in a line with what belongs to it: check list, name, events, and what else is known. */
function Gateways({ gateways, onChanged }: Pick<Site, "gateways"> & Pick<SiteViewProps, "onChanged">) {
  if (gateways.length === 0) return null;
  return (
    <>
      <h2>Gateways</h2>
      {gateways.map((gateway) => (
        <div key={gateway.eui} class="beat">
          <div class="beat-head">
            <strong>{gateway.name ?? <span class="mono">{gateway.eui}</span>}</strong>
            <StandingMark standing={gateway.standing} />
            <span>{gateway.clause}</span>
            <a href={linkTo(`/bench/${gateway.eui}`)}>
              check list<span class="unseen"> of {gateway.name ?? gateway.eui}</span>
            </a>
            <NameEdit kind="gateway" id={gateway.eui} name={gateway.name} onChanged={onChanged} />
          </div>
          <GatewayEvents events={gateway.events} />
          <GatewayMore gateway={gateway} onChanged={onChanged} />
        </div>
      ))}
    </>
  );
}
