/** Who talks most? Nodes and strangers by the airtime that was heard of them. */
import type {
  AirGateway,
  AirNetwork,
  AirView,
  CollisionRow,
  DataRateShare,
} from "../../../../src/contract/air.ts";
import { duration, figure, megahertz, percent, withUnit } from "../../../../src/words/format.ts";
import { PairBars } from "../../drawings/bars.tsx";
import {
  type Column,
  column,
  DataTable,
  figureField,
  RIGHT,
  textColumn,
  textField,
  WIDE_ONLY,
} from "../../parts/DataTable.tsx";
import { Figure, Fold } from "../../parts/page.tsx";
import { linkTo } from "../../state/route.ts";

/** A node by its name, else its address, with a link to it in the list of nodes. */
export function nodeColumn(head: string): Column<{ readonly devAddr: string; readonly name: string | null }> {
  return column(head, { sort: ({ name, devAddr }) => name ?? devAddr }, ({ name, devAddr }) => (
    <a href={linkTo("/nodes", { q: devAddr })}>{name ?? <span class="mono">{devAddr}</span>}</a>
  ));
}

type Talker = AirView["talkers"][number];

const TALKERS: readonly Column<Talker>[] = [
  nodeColumn("Node"),
  column("Whose", WIDE_ONLY, (row) => (row.stranger ? `a stranger's, ${row.network}` : "yours")),
  figureField("Frames", "frames", figure, WIDE_ONLY),
  figureField("Airtime heard", "airtimeSeconds", duration),
  figureField("of all nodes", "share", (share) => percent(share, 0), WIDE_ONLY),
  figureField("Fullest hour", "busiestHourDuty", (busiestHourDuty) => percent(busiestHourDuty, 2)),
];

export function TalkerTable({ talkers }: { talkers: readonly Talker[] }) {
  return (
    <DataTable
      label="Nodes with most airtime"
      none="No node was heard in this window."
      columns={TALKERS}
      rows={talkers}
      rowKey={(row) => row.devAddr}
    />
  );
}

// By which data rates is the air spent? Packets and airtime tell different stories: a slow frame lasts long.

export function DataRateMix({ rates, name }: { rates: readonly DataRateShare[]; name: string }) {
  const airtime = rates.reduce((sum, rate) => sum + rate.airtimeSeconds, 0);
  const packets = rates.reduce((sum, rate) => sum + rate.receptions, 0);
  const longest = [...rates].sort((a, b) => b.airtimeSeconds - a.airtimeSeconds)[0];
  if (longest === undefined || airtime === 0 || packets === 0)
    return <p class="quiet">No data rate was reported in this window.</p>;
  const caption = `${name}: ${longest.name} took ${percent(longest.airtimeSeconds / airtime, 0)} of the airtime with ${percent(longest.receptions / packets, 0)} of the packets`;
  const inOrder = [...rates].sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
  return (
    <Figure
      caption={caption}
      drawing={
        <PairBars
          label={caption}
          full="of the airtime"
          hollow="of the packets"
          rows={inOrder.map((rate) => ({
            label: rate.name,
            full: rate.airtimeSeconds / airtime,
            hollow: rate.receptions / packets,
          }))}
        />
      }
      table={() => (
        <DataTable<DataRateShare>
          label="Data rates"
          rows={inOrder}
          rowKey={(rate) => rate.name}
          columns={[
            textField("Data rate", "name"),
            figureField("Packets", "receptions", figure),
            figureField("Frames", "frames", figure),
            figureField("Airtime", "airtimeSeconds", duration),
          ]}
        />
      )}
    />
  );
}

// Whose is the air? One's own nodes beside strangers, by the network that their addresses name.

function title({ network, stranger }: AirNetwork): string {
  if (network === null) return "names no node";
  return stranger === true ? network : `own, ${network}`;
}

export function Owners({ networks, name }: { networks: readonly AirNetwork[]; name: string | null }) {
  const airtime = networks.reduce((sum, one) => sum + one.airtimeSeconds, 0);
  const packets = networks.reduce((sum, one) => sum + one.receptions, 0);
  if (airtime === 0 || packets === 0) return <p class="quiet">Nothing was heard in this window.</p>;
  const foreign = networks.filter(({ stranger }) => stranger === true);
  const share = foreign.reduce((sum, one) => sum + one.airtimeSeconds, 0) / airtime;
  const where = name === null ? "" : `${name}: `;
  const caption =
    foreign.length === 0
      ? `${where}no stranger was heard`
      : `${where}strangers of ${foreign.length === 1 ? "one network" : `${foreign.length} networks`} took ${percent(share, 0)} of the airtime`;
  return (
    <>
      <Figure
        caption={caption}
        drawing={
          <PairBars
            label={caption}
            full="of the airtime (hatched: strangers)"
            hollow="of the packets"
            rows={networks.map((one) => ({
              label: title(one),
              full: one.airtimeSeconds / airtime,
              hollow: one.receptions / packets,
              hatched: one.stranger === true,
            }))}
          />
        }
        table={() => (
          <DataTable<AirNetwork>
            label="Networks"
            rows={networks}
            rowKey={title}
            columns={[
              textColumn("Network", title),
              column("Nodes", RIGHT, (one) => figure(one.nodes)),
              column("Packets", RIGHT, (one) => figure(one.receptions)),
              column("Frames", RIGHT, (one) => figure(one.frames)),
              column("Airtime", RIGHT, (one) => duration(one.airtimeSeconds)),
            ]}
          />
        )}
      />
      <p class="quiet small">
        Which nodes are yours is said on <a href={linkTo("/nodes")}>Nodes</a>. Packets with a wrong CRC and
        join requests name no node.
      </p>
    </>
  );
}

// How many frames should others spoil, at the load that was heard? The expectation, and what it rests on.

const ROWS: readonly Column<CollisionRow>[] = [
  figureField("Channel", "frequencyHz", megahertz),
  textField("Data rate", "dataRate"),
  figureField("Packets", "frames", figure, WIDE_ONLY),
  figureField("Offered load", "offeredLoad", (offeredLoad) => withUnit(offeredLoad, 4, "E"), WIDE_ONLY),
  figureField("ALOHA", "aloha", (aloha) => percent(aloha, 2)),
  column(
    "with capture",
    { right: true, sort: (row) => row.captureTheory },
    ({ captureTheory, captureMeasured }) =>
      captureTheory === null || captureMeasured === null ? (
        <span class="quiet">too few levels</span>
      ) : (
        <span class="nowrap">
          {percent(Math.min(captureTheory, captureMeasured), 2)} to{" "}
          {percent(Math.max(captureTheory, captureMeasured), 2)}
        </span>
      ),
  ),
];

export function Collisions({ gateway }: { gateway: AirGateway }) {
  return (
    <>
      <p>{gateway.collisionWords}</p>
      <Fold title="By channel and data rate, with what is assumed">
        <p>
          Frames are taken to start at random: nodes with equal rhythms do much worse for hours on end. The
          load is what was heard; what was not heard is missing. Any overlap counts, one interferer at a time.
          Without capture only frames of one data rate disturb each other (ALOHA for mixed lengths). With
          capture a frame survives what is weaker by a published ratio, other spreading factors included: 6 dB
          at equal ones after Goursaud and Gorce (2015), 1 dB after Croce and others (2018), drawn from the
          levels heard here.
        </p>
        <DataTable
          label="Collisions to expect"
          columns={ROWS}
          rows={gateway.collisions}
          rowKey={(row) => `${row.frequencyHz} ${row.dataRate}`}
          sorting={{ key: "ALOHA", down: true }}
        />
      </Fold>
    </>
  );
}
