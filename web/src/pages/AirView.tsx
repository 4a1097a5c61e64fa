/** What fills the channels? The air map, the channels, the data rates, the busiest talkers. */
import type { AirView as Air, AirMap } from "../../../src/contract/air.ts";
import { AirMapDrawing, busiestCell, MANY_BROKEN, ShadeScale } from "../drawings/AirMapDrawing.tsx";
import { scaleTop } from "../drawings/cividis.ts";
import { duration, gatewayTitle, megahertz, percent } from "../format/format.ts";
import { DataTable } from "../parts/DataTable.tsx";
import { Figure } from "../parts/Figure.tsx";
import { Fold } from "../parts/Fold.tsx";
import { Sentence } from "../parts/Sentence.tsx";
import { linkTo } from "../state/route.ts";
import { AirTables } from "./AirTables.tsx";
import "./AirView.css";

/** The air view. */
export function AirView({ air }: { air: Air }) {
  const empty = air.channels.length === 0;
  return (
    <>
      <Sentence words={air.sentence} />
      {empty ? (
        <p class="quiet beneath">
          Nothing was heard on any channel in this window. Choose a longer one above, or see on{" "}
          <a href={linkTo("/site")}>Site</a> whether the gateways are alive.
        </p>
      ) : null}
      {air.maps.map((map) => (
        <MapFigure key={map.gatewayEui} map={map} />
      ))}
      {empty ? null : (
        <>
          <AirTables air={air} />
          <p class="notice beneath">▲ {air.caution}</p>
        </>
      )}
      <Fold title="How these figures come about">
        <p>
          In use: the union of busy intervals over the window, as this gateway heard them; frames that it did
          not hear are not in it. Offered load is the sum of airtime over the window, in Erlang, and may
          exceed what is in use. CRC-failed frames count for the air and never for a node.
        </p>
        <p>
          The noise floor is a low quantile of the noise estimated from frames at SNR ≤ 0 dB; the count of
          such frames stands beside it. Airtime of a talker is what was heard of it: a lower bound.
        </p>
      </Fold>
    </>
  );
}

function MapFigure({ map }: { map: AirMap }) {
  const most = busiestCell(map);
  const row = map.utilisation.findIndex((shares) => shares.includes(most));
  const name = gatewayTitle(map);
  const where = megahertz(map.frequenciesHz[row]);
  const cell = duration(map.cellSeconds);
  const caption =
    most === 0
      ? `${name}: no channel was in use`
      : `${name}: at its busiest, ${where} was in use for ${percent(most)} of ${cell}`;
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <ShadeScale top={scaleTop(most)} />
          <span>struck through: {percent(MANY_BROKEN, 0)} or more arrived broken</span>
          <span>a cell is {cell} wide</span>
        </>
      }
      drawing={<AirMapDrawing map={map} label={caption} />}
      table={() => (
        <DataTable
          label={`Air map of ${name}`}
          rows={map.frequenciesHz.map((frequencyHz, index) => ({
            frequencyHz,
            shares: map.utilisation[index] ?? [],
          }))}
          rowKey={(one) => String(one.frequencyHz)}
          columns={[
            { key: "channel", head: "Channel", right: true, cell: (one) => megahertz(one.frequencyHz) },
            {
              key: "mean",
              head: "Mean in use",
              right: true,
              cell: (one) => percent(mean(one.shares), 2),
              sort: (one) => mean(one.shares),
            },
            {
              key: "most",
              head: `Busiest ${cell}`,
              right: true,
              cell: (one) => percent(Math.max(0, ...one.shares), 2),
              sort: (one) => Math.max(0, ...one.shares),
            },
            {
              key: "busy",
              head: "Cells in use",
              right: true,
              cell: (one) => `${one.shares.filter((share) => share > 0).length} of ${one.shares.length}`,
            },
          ]}
        />
      )}
    />
  );
}

function mean(values: readonly number[]): number | null {
  return values.length === 0 ? null : values.reduce((sum, value) => sum + value, 0) / values.length;
}
