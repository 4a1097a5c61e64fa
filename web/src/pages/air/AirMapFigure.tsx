/** The air map of one gateway with its finding, its legend and its table. */
import type { AirMap } from "../../../../src/contract/air.ts";
import { AirMapDrawing, ShadeScale } from "../../drawings/AirMapDrawing.tsx";
import { busiestCell, MANY_BROKEN, noiseRange } from "../../drawings/air-cells.ts";
import { scaleTop } from "../../drawings/cividis.ts";
import { dbm, duration, gatewayTitle, megahertz, percent } from "../../format/format.ts";
import { DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";

export function AirMapFigure({ map }: { map: AirMap }) {
  const most = busiestCell(map);
  const row = map.utilisation.findIndex((shares) => shares.includes(most));
  const name = gatewayTitle(map);
  const cell = duration(map.cellSeconds);
  const caption =
    most === 0
      ? `${name}: no channel was in use`
      : `${name}: at its busiest, ${megahertz(map.frequenciesHz[row])} was in use for ${percent(most)} of ${cell}`;
  const range = noiseRange(map);
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <ShadeScale top={scaleTop(most)} />
          <span>hatched: the strangers' part</span>
          <span>cross: {percent(MANY_BROKEN, 0)} or more arrived broken</span>
          {range === null ? (
            <span>noise floor: too few weak frames</span>
          ) : (
            <span>
              line beneath: noise floor, {dbm(range.low)} to {dbm(range.high)}
            </span>
          )}
          <span>a cell is {cell} wide, several together on a narrow screen</span>
          {map.lastCellSeconds < map.cellSeconds ? (
            <span>the last one has lasted {duration(Math.round(map.lastCellSeconds))}</span>
          ) : null}
        </>
      }
      drawing={<AirMapDrawing map={map} label={caption} />}
      table={() => <MapTable map={map} name={name} cell={cell} />}
    />
  );
}

function MapTable({ map, name, cell }: { map: AirMap; name: string; cell: string }) {
  const rows = map.frequenciesHz.map((frequencyHz, index) => {
    const own = total(map.ownLoad[index]);
    const foreign = total(map.strangerLoad[index]);
    const noise = (map.noise.dbm[index] ?? []).filter((level) => level !== null);
    return {
      frequencyHz,
      shares: map.utilisation[index] ?? [],
      broken: (map.crcBadRatio[index] ?? []).filter((ratio) => (ratio ?? 0) >= MANY_BROKEN).length,
      foreign: own + foreign === 0 ? null : foreign / (own + foreign),
      noise: noise.length === 0 ? null : ([Math.min(...noise), Math.max(...noise)] as const),
    };
  });
  return (
    <DataTable
      label={`Air map of ${name}`}
      rows={rows}
      rowKey={(one) => String(one.frequencyHz)}
      columns={[
        { key: "channel", head: "Channel", right: true, cell: (one) => megahertz(one.frequencyHz) },
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
        {
          key: "broken",
          head: "Cells crossed",
          right: true,
          cell: (one) => String(one.broken),
          sort: (one) => one.broken,
        },
        {
          key: "foreign",
          head: "Strangers' part",
          right: true,
          cell: (one) => percent(one.foreign, 0),
          sort: (one) => one.foreign,
        },
        {
          key: "noise",
          head: "Noise floor",
          right: true,
          cell: (one) => (one.noise === null ? "–" : `${dbm(one.noise[0])} to ${dbm(one.noise[1])}`),
        },
      ]}
    />
  );
}

function total(loads: readonly (number | null)[] | undefined): number {
  return (loads ?? []).reduce<number>((sum, load) => sum + (load ?? 0), 0);
}
