/** Who got which frames through? By node, by data rate, by channel. */
import type { TrialAnswer } from "../../../../src/contract/trials.ts";
import { decibel, figure, NOTHING, percent, plural, THIN } from "../../../../src/words/format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Figure, Fold } from "../../parts/page.tsx";
import { type Compared, DELIVERY_COLUMN, Forest, intervalWords, LEVEL, LEVEL_COLUMN } from "./Forest.tsx";

type NodeRow = TrialAnswer["nodes"][number];
type GroupRow = Omit<TrialAnswer["channels"][number], "label">;

export function CoverageTables({ answer }: { answer: Compared }) {
  return (
    <>
      <h2>Who got the frames through</h2>
      <DataTable<NodeRow>
        label="Coverage by node"
        wrapHeads
        rows={answer.nodes}
        rowKey={({ devAddr }) => devAddr}
        columns={[
          column(
            "Node",
            { sort: ({ name, devAddr }) => name ?? devAddr },
            ({ name, devAddr }) => name ?? <span class="mono nowrap">{devAddr}</span>,
          ),
          ...shared(answer),
        ]}
      />
      <p class="small quiet">{lostWords(answer)}</p>
      <Fold title="By data rate and by channel">
        <Groups answer={answer} head="Data rate" rows={answer.spreadingFactors} />
        <Groups answer={answer} head="Channel" rows={answer.channels} />
        {answer.paired ? (
          <p class="small quiet">
            What neither side heard has no channel: by channel, delivery is that of frames heard by somebody.
          </p>
        ) : null}
      </Fold>
    </>
  );
}

function Groups({ answer, head, rows }: { answer: Compared; head: string; rows: TrialAnswer["channels"] }) {
  return (
    <DataTable<TrialAnswer["channels"][number]>
      label={`By ${head.toLowerCase()}`}
      wrapHeads
      rows={rows}
      rowKey={({ label }) => label}
      none={`Nothing to tell by ${head.toLowerCase()}.`}
      columns={[column(head, ({ label }) => <span class="nowrap">{label}</span>), ...shared(answer)]}
    />
  );
}

function shared({ a, b, paired }: Compared): Column<GroupRow>[] {
  const ratio = (side: "a" | "b") => (row: GroupRow) =>
    row[side].expected === 0
      ? NOTHING
      : `${percent(row[side].deliveryRatio)} of ${figure(row[side].expected)}`;
  const alone = { right: true, wideOnly: true } as const;
  const only: Column<GroupRow>[] = paired
    ? [
        column(`Only ${a.name}`, { ...alone, key: "onlyA" }, ({ pairs }) => figure(pairs?.onlyA)),
        column(`Only ${b.name}`, { ...alone, key: "onlyB" }, ({ pairs }) => figure(pairs?.onlyB)),
        column("Neither", alone, ({ pairs }) => figure(pairs?.neither)),
      ]
    : [];
  return [
    column(a.name, { key: "a", right: true, sort: ({ a: side }) => side.deliveryRatio }, ratio("a")),
    column(b.name, { key: "b", right: true, sort: ({ b: side }) => side.deliveryRatio }, ratio("b")),
    ...only,
    DELIVERY_COLUMN,
    LEVEL_COLUMN,
  ];
}

function lostWords({ delivery, a, b, commonFrames }: Compared): string {
  const { pairs, mcnemarP, designEffect } = delivery;
  if (pairs === null)
    return `Frames that follow one another resemble each other: ${figure(designEffect, 1)} are worth one.`;
  const p =
    mcnemarP === null ? "" : ` (McNemar's test: p ${mcnemarP < 0.001 ? "below 0.001" : figure(mcnemarP, 3)})`;
  const common =
    commonFrames === null || commonFrames.snrDifferenceDb.estimate === null
      ? ""
      : ` On the ${figure(commonFrames.count)} frames that both heard, taken as they are, the level differs by ${intervalWords(commonFrames.snrDifferenceDb, LEVEL)}${THIN}dB: the floor lets a weak place hear only its lucky frames.`;
  return `${plural(pairs.onlyA, "frame")} came through at ${a.name} alone, ${figure(pairs.onlyB)} at ${b.name} alone, ${figure(pairs.neither)} at neither${p}. ${figure(designEffect, 1)} frames are worth one independent frame.${common}`;
}

// How were the frames read on either side? Counts by SNR, one side above the line, the other below it.

const HEIGHT = 60;
/** Above and below the highest bar. */
const MARGIN = 4;
const TICK_STEP_DB = 5;

/** Multiples of five decibels from one level to another. */
function roundTicksWithin(fromDb: number, toDb: number): number[] {
  const first = Math.ceil(fromDb / TICK_STEP_DB);
  const count = Math.max(0, Math.floor(toDb / TICK_STEP_DB) - first + 1);
  return Array.from({ length: count }, (_, i) => (first + i) * TICK_STEP_DB);
}

export function Distributions({ answer }: { answer: Compared }) {
  const { snr, a, b, delivery } = answer;
  const bins = Math.max(snr.a.length, snr.b.length);
  const most = Math.max(1, ...snr.a, ...snr.b);
  const bar = (count: number) => (count / most) * HEIGHT;
  const at = (bin: number) => snr.fromDb + bin * snr.binDb;
  const ticks = roundTicksWithin(snr.fromDb, at(bins));
  return (
    <Figure
      caption={`Frames heard: ${a.name} at a median of ${decibel(delivery.a.medianSnrDb)}, ${b.name} at ${decibel(delivery.b.medianSnrDb)}; what was missed stands in neither.`}
      legend={
        <>
          <span>
            <span class="side-a" aria-hidden="true">
              ■
            </span>{" "}
            {a.name}, above
          </span>
          <span>
            <span class="side-b" aria-hidden="true">
              ■
            </span>{" "}
            {b.name}, below
          </span>
          <span>
            SNR in dB, in steps of {figure(snr.binDb)}; most in one step: {figure(most)} frames
          </span>
        </>
      }
      drawing={
        <div class="distributions">
          <svg
            viewBox={`0 ${-MARGIN} ${bins * 10} ${2 * (HEIGHT + MARGIN) + 2}`}
            preserveAspectRatio="none"
            aria-hidden="true"
          >
            {Array.from({ length: bins }, (_, bin) => {
              const up = bar(snr.a[bin] ?? 0);
              const down = bar(snr.b[bin] ?? 0);
              return (
                <g key={at(bin)}>
                  <rect class="bar-a" x={bin * 10 + 1} y={HEIGHT - up} width="8" height={up} />
                  <rect class="bar-b" x={bin * 10 + 1} y={HEIGHT + 2} width="8" height={down} />
                </g>
              );
            })}
            <rect class="bar-line" x="0" y={HEIGHT + 0.5} width={bins * 10} height="1" />
          </svg>
          <p class="distribution-axis small quiet" aria-hidden="true">
            {ticks.map((tick) => (
              <span
                key={tick}
                class="distribution-tick"
                style={{ left: `${(100 * (tick - snr.fromDb)) / (bins * snr.binDb)}%` }}
              >
                {figure(tick)}
              </span>
            ))}
          </p>
        </div>
      }
      table={() => (
        <DataTable<number>
          label="Frames by SNR"
          rows={Array.from({ length: bins }, (_, bin) => bin)}
          rowKey={(bin) => String(bin)}
          columns={[
            column("SNR from", RIGHT, (bin) => decibel(at(bin))),
            column(a.name, { key: "a", right: true }, (bin) => figure(snr.a[bin] ?? 0)),
            column(b.name, { key: "b", right: true }, (bin) => figure(snr.b[bin] ?? 0)),
          ]}
        />
      )}
    />
  );
}

// What a comparison rests on: its nodes, what else may have changed, how frames were read, who got them through.

export function RestsOn({ answer }: { answer: Compared & Pick<TrialAnswer, "reservations"> }) {
  return (
    <>
      {answer.nodes.length === 0 ? null : <Forest answer={answer} />}
      {answer.reservations.length === 0 ? null : (
        <ul class="reservations">
          {answer.reservations.map((line) => (
            <li key={line}>
              <span aria-hidden="true">▲</span> {line}
            </li>
          ))}
        </ul>
      )}
      {answer.snr.a.length === 0 ? null : <Distributions answer={answer} />}
      {answer.nodes.length === 0 ? null : <CoverageTables answer={answer} />}
    </>
  );
}
