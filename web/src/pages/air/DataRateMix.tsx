/** By which data rates is the air spent? Packets and airtime tell different stories: a slow frame lasts long. */
import type { DataRateShare } from "../../../../src/contract/air-gateway.ts";
import { PairBars } from "../../drawings/PairBars.tsx";
import { duration, figure, percent } from "../../format/format.ts";
import { DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";

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
        <DataTable
          label="Data rates"
          rows={inOrder}
          rowKey={(rate) => rate.name}
          columns={[
            { key: "rate", head: "Data rate", cell: (rate) => rate.name, sort: (rate) => rate.name },
            {
              key: "packets",
              head: "Packets",
              right: true,
              cell: (rate) => figure(rate.receptions),
              sort: (rate) => rate.receptions,
            },
            {
              key: "frames",
              head: "Frames",
              right: true,
              cell: (rate) => figure(rate.frames),
              sort: (rate) => rate.frames,
            },
            {
              key: "airtime",
              head: "Airtime",
              right: true,
              cell: (rate) => duration(rate.airtimeSeconds),
              sort: (rate) => rate.airtimeSeconds,
            },
          ]}
        />
      )}
    />
  );
}
