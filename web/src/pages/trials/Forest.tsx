/** Do all nodes agree? A row a node with its difference and interval, all of them together last, zero as a rule. */
import type { Interval, TrialAnswer } from "../../../../src/contract/trials.ts";
import { counted, figure, NOTHING, percent, signedDb, THIN } from "../../../../src/words/format.ts";
import { DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/page.tsx";

// How are differences written on the page?

export function decibels(value: number): string {
  return signedDb(value);
}

/** A share of frames as points: +4.1 points. */
export function points(value: number): string {
  const text = figure(value * 100, 1);
  return `${value > 0 && text !== "0.0" ? "+" : ""}${text}${THIN}points`;
}

/** "+2.9 dB (2.3 to 3.4)"; "–" where there is nothing to say. */
export function intervalWords({ estimate, low, high }: Interval, of: (value: number) => string): string {
  if (estimate === null) return NOTHING;
  const bare = (value: number) => of(value).replace(/^\+/, "").split(THIN)[0] ?? "";
  return low === null || high === null ? of(estimate) : `${of(estimate)} (${bare(low)} to ${bare(high)})`;
}

const MAX_ROWS = 24;

export function Forest({ answer }: { answer: TrialAnswer }) {
  const { nodes, a, b } = answer;
  const told = nodes.filter(({ snrDifferenceDb }) => snrDifferenceDb.estimate !== null);
  const byLevel = told.length > 0;
  const difference = byLevel
    ? (of: (typeof nodes)[number]) => of.snrDifferenceDb
    : (of: (typeof nodes)[number]) => of.deliveryDifference;
  const unit = byLevel ? decibels : points;
  const rows = (byLevel ? told : nodes).slice(0, MAX_ROWS);
  const pooled = byLevel ? answer.snrDifferenceDb : answer.deliveryDifference;
  const reach = reachOf([...rows.map(difference), pooled], byLevel ? 1 : 0.01);
  const sum = pooled.estimate ?? 0;
  const better = rows.filter((row) => (difference(row).estimate ?? 0) * sum > 0);
  const winner = sum > 0 ? a.name : b.name;
  const verb = byLevel ? "reads higher" : "gets more through";
  return (
    <Figure
      caption={
        sum === 0
          ? `Over all ${counted(rows.length, "node")} neither ${verb}.`
          : `${winner} ${verb} at ${figure(better.length)} of ${counted(rows.length, "node")}.`
      }
      legend={
        <span>
          Dot: the difference; line: 95 % interval. {byLevel ? "Level (SNR) in dB" : "Delivery in points"},{" "}
          {a.name} less {b.name}.
          {nodes.length > rows.length
            ? ` ${counted(nodes.length - rows.length, "node")} not drawn: too strong, too few frames, or beyond the ${MAX_ROWS} with most.`
            : ""}
        </span>
      }
      drawing={
        <div class="forest">
          <div class="forest-row forest-ends" aria-hidden="true">
            <span class="forest-track">
              <span>← {b.name} hears better</span>
              <span>{a.name} hears better →</span>
            </span>
          </div>
          {rows.map((row) => (
            <Row
              key={row.devAddr}
              name={row.name ?? row.devAddr}
              interval={difference(row)}
              reach={reach}
              words={intervalWords(difference(row), unit)}
            />
          ))}
          <Row
            pooled
            name="All together"
            interval={pooled}
            reach={reach}
            words={intervalWords(pooled, unit)}
          />
          <div class="forest-row forest-axis" aria-hidden="true">
            <span class="forest-track">
              {[-reach, -reach / 2, 0, reach / 2, reach].map((tick) => (
                <span key={tick} style={{ left: `${place(tick, reach)}%` }}>
                  {tickText(byLevel ? tick : tick * 100)}
                </span>
              ))}
            </span>
          </div>
        </div>
      }
      table={() => (
        <DataTable
          label="Differences by node"
          rows={nodes}
          rowKey={({ devAddr }) => devAddr}
          columns={[
            { key: "node", head: "Node", cell: ({ name, devAddr }) => name ?? devAddr },
            {
              key: "level",
              head: "Level",
              right: true,
              cell: (row) => intervalWords(row.snrDifferenceDb, decibels),
            },
            {
              key: "delivery",
              head: "Delivery",
              right: true,
              cell: (row) => intervalWords(row.deliveryDifference, points),
            },
            {
              key: "weight",
              head: "Weight",
              right: true,
              cell: ({ weight }) => (weight === 0 ? NOTHING : figure(weight, 2)),
            },
            { key: "how", head: "How", cell: ({ methodWords }) => methodWords },
          ]}
        />
      )}
    />
  );
}

/** Halves of an odd reach keep their half: 2.5 must not read as 3. */
function tickText(value: number): string {
  const exact = Math.round(value * 100) / 100;
  return figure(exact, Number.isInteger(exact) ? 0 : Number.isInteger(exact * 10) ? 1 : 2);
}

interface RowProps {
  readonly name: string;
  readonly interval: Interval;
  readonly reach: number;
  readonly words: string;
  readonly pooled?: boolean;
}

function Row({ name, interval, reach, words, pooled = false }: RowProps) {
  const { estimate, low, high } = interval;
  return (
    <div class={pooled ? "forest-row forest-pooled" : "forest-row"}>
      <span class="forest-name">{name}</span>
      <span class="forest-track" aria-hidden="true">
        <i class="forest-zero" />
        {low === null || high === null ? null : (
          <i
            class="forest-line"
            style={{ left: `${place(low, reach)}%`, width: `${place(high, reach) - place(low, reach)}%` }}
          />
        )}
        {estimate === null ? null : <i class="forest-dot" style={{ left: `${place(estimate, reach)}%` }} />}
      </span>
      <span class="forest-figures">{words}</span>
    </div>
  );
}

/** Where a value lies on the track, per cent; what reaches beyond is cut at its end. */
function place(value: number, reach: number): number {
  return 50 + 50 * Math.max(-1, Math.min(1, value / reach));
}

/** A round reach, alike on both sides of zero, that holds every dot and most of the lines. */
function reachOf(intervals: readonly Interval[], step: number): number {
  const ends = intervals
    .flatMap(({ estimate, low, high }) => [estimate ?? 0, low ?? estimate ?? 0, high ?? estimate ?? 0])
    .map(Math.abs)
    .sort((x, y) => x - y);
  const wide = Math.max(
    ends[Math.floor(ends.length * 0.9)] ?? 0,
    ...intervals.map(({ estimate }) => Math.abs(estimate ?? 0)),
    step,
  );
  const size = 10 ** Math.floor(Math.log10(wide));
  return ([1, 2, 3, 4, 5, 6, 8, 10].find((factor) => factor * size >= wide * 1.02) ?? 10) * size;
}

// How far is a trial from being settled? A ring that fills, and the frames that are still needed in words.

const RADIUS = 34;
const ROUND = 2 * Math.PI * RADIUS;

export function ProgressRing({ answer }: { answer: TrialAnswer }) {
  const { progress, neededWords, framesStillNeeded } = answer;
  const words = <p class="trial-needed">{sentenceOf(neededWords)}</p>;
  // An empty ring would promise that it fills with time.
  if (framesStillNeeded === null) return <div class="trial-progress">{words}</div>;
  const share = Math.min(1, Math.max(0, progress));
  return (
    <div class="trial-progress">
      <svg viewBox="0 0 80 80" role="img" aria-label={`${percent(share, 0)} of the frames that it takes`}>
        <circle class="ring-ground" cx="40" cy="40" r={RADIUS} />
        <circle
          class="ring-done"
          cx="40"
          cy="40"
          r={RADIUS}
          stroke-dasharray={`${(share * ROUND).toFixed(1)} ${ROUND.toFixed(1)}`}
          transform="rotate(-90 40 40)"
        />
        <text x="40" y="45" text-anchor="middle">
          {percent(share, 0)}
        </text>
      </svg>
      {words}
    </div>
  );
}

function sentenceOf(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
