/** How many frames should others spoil, at the load that was heard? The expectation, and what it rests on. */
import type { AirGateway, CollisionRow } from "../../../../src/contract/air-gateway.ts";
import { figure, megahertz, percent, withUnit } from "../../format/format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { Fold } from "../../parts/Fold.tsx";

const ROWS: readonly Column<CollisionRow>[] = [
  {
    key: "channel",
    head: "Channel",
    right: true,
    sort: (row) => row.frequencyHz,
    cell: (row) => megahertz(row.frequencyHz),
  },
  { key: "rate", head: "Data rate", sort: (row) => row.dataRate, cell: (row) => row.dataRate },
  {
    key: "frames",
    head: "Packets",
    right: true,
    wideOnly: true,
    sort: (row) => row.frames,
    cell: (row) => figure(row.frames),
  },
  {
    key: "load",
    head: "Offered load",
    right: true,
    wideOnly: true,
    sort: (row) => row.offeredLoad,
    cell: (row) => withUnit(row.offeredLoad, 4, "E"),
  },
  {
    key: "aloha",
    head: "ALOHA",
    right: true,
    sort: (row) => row.aloha,
    cell: (row) => percent(row.aloha, 2),
  },
  {
    key: "capture",
    head: "with capture",
    right: true,
    sort: (row) => row.captureTheory,
    cell: ({ captureTheory, captureMeasured }) =>
      captureTheory === null || captureMeasured === null ? (
        <span class="quiet">too few levels</span>
      ) : (
        <span class="nowrap">
          {percent(Math.min(captureTheory, captureMeasured), 2)} to{" "}
          {percent(Math.max(captureTheory, captureMeasured), 2)}
        </span>
      ),
  },
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
          sorting={{ key: "aloha", down: true }}
        />
      </Fold>
    </>
  );
}
