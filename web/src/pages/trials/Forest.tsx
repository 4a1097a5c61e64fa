/** Do all nodes agree? A row a node with its difference and interval, all of them together last, zero as a rule. */
import type { Interval, TrialAnswer } from "../../../../src/contract/trials.ts";
import { counted, figure, NOTHING, percent, signed } from "../../../../src/words/format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/page.tsx";

// How are differences written on the page?

/** A kind of difference: how it is written, and how wide an interval about nothing may be before it says nothing. */
export interface Measure {
  /** Without the unit, which stands in the head of a column. */
  readonly words: (value: number) => string;
  /** Common practice, no source: an interval across zero that is wider leaves open even what would matter. */
  readonly widest: number;
}

export const LEVEL: Measure = { words: signed, widest: 6 };
/** A share of frames as points. */
export const DELIVERY: Measure = { words: (share) => signed(100 * share), widest: 0.3 };
const DELIVERY_HEAD = "Delivery, points";

export const LEVEL_COLUMN: Column<{ readonly snrDifferenceDb: Interval }> = column(
  "Level, dB",
  RIGHT,
  (row) => intervalWords(row.snrDifferenceDb, LEVEL),
);
export const DELIVERY_COLUMN: Column<{ readonly deliveryDifference: Interval }> = column(
  DELIVERY_HEAD,
  RIGHT,
  (row) => intervalWords(row.deliveryDifference, DELIVERY),
);

/** Whether an interval is too wide about zero to say anything. */
function isOpen({ low, high }: Interval, { widest }: Measure): boolean {
  return low !== null && high !== null && low <= 0 && high >= 0 && high - low > widest;
}

/** "+2.9 (2.3 to 3.4)"; "open (−19.2 to 21.6)" where the interval says nothing; "–" without one. */
export function intervalWords(interval: Interval, { words, widest }: Measure): string {
  const { estimate, low, high } = interval;
  if (estimate === null) return NOTHING;
  if (low === null || high === null) return words(estimate);
  const bare = (value: number) => words(value).replace(/^\+/, "");
  const range = `(${bare(low)} to ${bare(high)})`;
  return isOpen(interval, { words, widest }) ? `open ${range}` : `${words(estimate)} ${range}`;
}

/** A comparison as its drawings take it: of two placements, or of two times. */
export type Compared = Pick<
  TrialAnswer,
  | "nodes"
  | "snrDifferenceDb"
  | "deliveryDifference"
  | "paired"
  | "spreadingFactors"
  | "channels"
  | "snr"
  | "delivery"
  | "commonFrames"
> & { readonly a: { readonly name: string }; readonly b: { readonly name: string } };

const MAX_ROWS = 24;

export function Forest({ answer }: { answer: Compared }) {
  const { nodes } = answer;
  const estimated = nodes.filter(({ snrDifferenceDb }) => snrDifferenceDb.estimate !== null);
  const heard = nodes.filter(({ deliveryDifference }) => deliveryDifference.estimate !== null);
  const parts = [
    ...(estimated.length === 0 ? [] : [agreement(answer, estimated, "snrDifferenceDb")]),
    ...(heard.length === 0 ? [] : [agreement(answer, heard, "deliveryDifference")]),
  ];
  return (
    <Figure
      wide
      caption={parts.length === 0 ? "No node says anything of the difference yet." : `${parts.join("; ")}.`}
      legend={
        <span>
          Dot: the difference; line: 95 % interval; hollow: the interval says nothing. {answer.a.name} less{" "}
          {answer.b.name}.
          {nodes.length > MAX_ROWS ? ` The ${MAX_ROWS} nodes with most frames are drawn.` : ""}
        </span>
      }
      drawing={
        <div class="forest-panels">
          <Panel
            answer={answer}
            rows={estimated}
            of="snrDifferenceDb"
            measure={LEVEL}
            title="Level (SNR), dB"
          />
          <Panel
            answer={answer}
            rows={heard}
            of="deliveryDifference"
            measure={DELIVERY}
            title={DELIVERY_HEAD}
          />
        </div>
      }
      table={() => (
        <DataTable<TrialAnswer["nodes"][number]>
          label="Differences by node"
          rows={nodes}
          rowKey={({ devAddr }) => devAddr}
          columns={[
            column("Node", ({ name, devAddr }) => name ?? devAddr),
            LEVEL_COLUMN,
            DELIVERY_COLUMN,
            column("Weight", RIGHT, ({ weight }) => (weight === 0 ? NOTHING : figure(weight, 2))),
            column("How", ({ methodWords }) => methodWords),
          ]}
        />
      )}
    />
  );
}

type Kind = "snrDifferenceDb" | "deliveryDifference";

/** "Water tower reads higher at 5 of 6 nodes", or that the sum is open. */
function agreement(answer: Compared, rows: TrialAnswer["nodes"], kind: Kind): string {
  const isLevel = kind === "snrDifferenceDb";
  const pooled = answer[kind];
  const what = isLevel ? "level" : "delivery";
  if (pooled.estimate === null || isOpen(pooled, isLevel ? LEVEL : DELIVERY)) return `${what}: open`;
  if (pooled.estimate === 0) return `${what}: neither`;
  const sum = pooled.estimate;
  const better = rows.filter((row) => (row[kind].estimate ?? 0) * sum > 0).length;
  const winner = sum > 0 ? answer.a.name : answer.b.name;
  return `${what}: ${winner} at ${figure(better)} of ${counted(rows.length, "node")}`;
}

interface PanelProps {
  readonly answer: Compared;
  readonly rows: TrialAnswer["nodes"];
  readonly of: Kind;
  readonly measure: Measure;
  readonly title: string;
}

/** One kind of difference: a row a node, and all together. */
function Panel({ answer, rows, of, measure, title }: PanelProps) {
  const { a, b } = answer;
  const pooled = answer[of];
  if (rows.length === 0) return null;
  const shown = rows.slice(0, MAX_ROWS);
  const isLevel = of === "snrDifferenceDb";
  const found = reachOf([...shown.map((row) => row[of]), pooled], isLevel ? 1 : 0.01);
  // No share differs by more than the whole.
  const reach = isLevel ? found : Math.min(1, found);
  return (
    <div class="forest">
      <p class="forest-title">{title}</p>
      <div class="forest-row forest-ends" aria-hidden="true">
        <span class="forest-track">
          <span>← {b.name}</span>
          <span>{a.name} →</span>
        </span>
      </div>
      {shown.map((row) => (
        <Row
          key={row.devAddr}
          name={row.name ?? row.devAddr}
          interval={row[of]}
          reach={reach}
          measure={measure}
        />
      ))}
      <Row pooled name="All together" interval={pooled} reach={reach} measure={measure} />
      <div class="forest-row forest-axis" aria-hidden="true">
        <span class="forest-track">
          {roundTicks(reach).map((tick) => (
            <span key={tick} style={{ left: `${place(tick, reach)}%` }}>
              {tickText(isLevel ? tick : tick * 100)}
            </span>
          ))}
        </span>
      </div>
    </div>
  );
}

/** Multiples of 1, 2 or 5 times a power of ten: two to four on either side of zero. */
export function roundTicks(reach: number): number[] {
  const power = 10 ** Math.floor(Math.log10(reach / 2));
  const step = [5, 2, 1].map((digit) => digit * power).find((size) => reach / size >= 2) ?? power;
  const most = Math.floor(reach / step + 1e-9);
  return Array.from({ length: 2 * most + 1 }, (_, at) => (at - most) * step);
}

function tickText(value: number): string {
  const exact = Math.round(value * 100) / 100;
  return figure(exact, Number.isInteger(exact) ? 0 : Number.isInteger(exact * 10) ? 1 : 2);
}

interface RowProps {
  readonly name: string;
  readonly interval: Interval;
  readonly reach: number;
  readonly measure: Measure;
  readonly pooled?: boolean;
}

function Row({ name, interval, reach, measure, pooled = false }: RowProps) {
  const { estimate, low, high } = interval;
  const classes = [
    "forest-row",
    ...(pooled ? ["forest-pooled"] : []),
    ...(isOpen(interval, measure) ? ["forest-open"] : []),
  ];
  return (
    <div class={classes.join(" ")}>
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
      <span class="forest-figures">{intervalWords(interval, measure)}</span>
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

// How far is a trial from being settled? In words: a picture that fills would promise that time alone fills it.

export function TrialProgress({ answer }: { answer: TrialAnswer }) {
  const { progress, neededWords, framesStillNeeded } = answer;
  const share = Math.min(1, Math.max(0, progress));
  return (
    <p class="trial-needed">
      {sentenceOf(neededWords)}
      {framesStillNeeded === null || share === 0 ? null : (
        <span class="quiet"> {percent(share, 0)} of the frames that it takes are there.</span>
      )}
    </p>
  );
}

function sentenceOf(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
