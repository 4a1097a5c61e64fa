/** Whose is the air? One's own nodes beside strangers, by the network that their addresses name. */
import type { AirNetwork } from "../../../../src/contract/air-gateway.ts";
import { PairBars } from "../../drawings/PairBars.tsx";
import { duration, figure, percent } from "../../format/format.ts";
import { DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";
import { linkTo } from "../../state/route.ts";

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
          <DataTable
            label="Networks"
            rows={networks}
            rowKey={title}
            columns={[
              { key: "network", head: "Network", cell: title, sort: title },
              { key: "nodes", head: "Nodes", right: true, cell: (one) => figure(one.nodes) },
              { key: "packets", head: "Packets", right: true, cell: (one) => figure(one.receptions) },
              { key: "frames", head: "Frames", right: true, cell: (one) => figure(one.frames) },
              { key: "airtime", head: "Airtime", right: true, cell: (one) => duration(one.airtimeSeconds) },
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
