/** Which placement heard better, by how much, and how sure is that? */
import type { Interval, PlacementRow, TrialAnswer, TrialRow, TrialsView } from "../contract/trials.ts";
import { figure, percent, signedWithUnit, withUnit } from "../words/format.ts";
import { type Clock, Sentence, Table } from "./parts.tsx";
import { HistogramPlot, IntervalPlot, type IntervalRow } from "./plots.tsx";

// What does one trial say, and what does that rest on? Its sentence, its forest, who got which frames, how they are spread.

function Trial({ answer }: { readonly answer: TrialAnswer }) {
  const { pairs } = answer.delivery;
  return (
    <div class="trial">
      <div class="keep">
        <h3>
          {answer.a.name} against {answer.b.name},{" "}
          {answer.paired ? "paired: both heard at once" : "sequential: one after the other"}
        </h3>
        <Sentence parts={answer.sentence} />
        {answer.placeWords === null ? null : <p>{answer.placeWords}</p>}
        <Forest answer={answer} />
      </div>
      <Coverage answer={answer} />
      {pairs === null ? null : (
        <p>
          Heard by both {figure(pairs.both)}, by {answer.a.name} alone {figure(pairs.onlyA)}, by{" "}
          {answer.b.name} alone {figure(pairs.onlyB)}, by neither {figure(pairs.neither)}.
        </p>
      )}
      {answer.snr.a.length === 0 ? null : (
        <HistogramPlot
          from={answer.snr.fromDb}
          bin={answer.snr.binDb}
          above={answer.snr.a}
          below={answer.snr.b}
          caption={`SNR in dB of the frames that ${answer.a.name} heard (above) and ${answer.b.name} (below), in steps of ${answer.snr.binDb}.`}
        />
      )}
      {answer.reservations.length === 0 ? null : (
        <ul>
          {answer.reservations.map((line) => (
            <li key={line}>{line}</li>
          ))}
        </ul>
      )}
    </div>
  );
}

/** All frames, then by data rate, with the differences where there are several. */
function Coverage({ answer }: { readonly answer: TrialAnswer }) {
  const all = {
    label: "All",
    a: answer.delivery.a,
    b: answer.delivery.b,
    snrDifferenceDb: answer.snrDifferenceDb,
    deliveryDifference: answer.deliveryDifference,
  };
  const rates = answer.spreadingFactors.length < 2 ? [] : answer.spreadingFactors;
  const channels = answer.channels.length < 2 ? [] : answer.channels;
  const got = ({ deliveryRatio, expected }: typeof all.a) =>
    deliveryRatio === null ? "–" : `${percent(deliveryRatio)} of ${figure(expected)}`;
  return (
    <Table
      caption={`Frames that got through, and the differences, ${answer.a.name} less ${answer.b.name}`}
      keep
      rows={[all, ...rates, ...channels]}
      columns={[
        { title: "Frames", of: ({ label }) => <span class="nobreak">{label}</span> },
        { title: answer.a.name, kind: "number", of: ({ a }) => got(a) },
        { title: answer.b.name, kind: "number", of: ({ b }) => got(b) },
        { title: "Delivery", kind: "number", of: (row) => points(row.deliveryDifference) },
        { title: "Level", kind: "number", of: (row) => decibels(row.snrDifferenceDb) },
      ]}
    />
  );
}

/** "−2.6 dB (−3.3 to −2.0)". */
function decibels(interval: Interval): string {
  return withInterval(interval, 1, "dB");
}

/** "+4.1 points (2.8 to 5.5)". */
function points(interval: Interval): string {
  return withInterval(interval, 100, "points");
}

function withInterval({ estimate, low, high }: Interval, factor: number, unit: string): string {
  if (estimate === null) return "–";
  const whole = signedWithUnit(estimate * factor, 1, unit);
  if (low === null || high === null) return whole;
  const end = (value: number) => figure(value * factor, 1);
  return `${whole} (${end(low)} to ${end(high)})`;
}

const MAX_ROWS = 30;

function Forest({ answer }: { readonly answer: TrialAnswer }) {
  const rows = [
    ...answer.nodes
      .slice(0, MAX_ROWS)
      .flatMap((node) => row(node.name ?? node.devAddr, node.snrDifferenceDb)),
    ...row("All nodes", answer.snrDifferenceDb, true),
  ];
  if (rows.length === 0) return null;
  const reach = Math.max(2, ...rows.flatMap(({ low, high }) => [Math.abs(low), Math.abs(high)]));
  const top = [2, 5, 10, 15, 20, 30].find((end) => reach <= end) ?? 40;
  return (
    <IntervalPlot
      rows={rows}
      from={-top}
      to={top}
      rule={0}
      ticks={[-top, -top / 2, 0, top / 2, top].map((at) => ({
        at,
        label: signedWithUnit(at, top === 5 || top === 15 ? 1 : 0, "dB"),
      }))}
      ends={[`${answer.b.name} hears better`, `${answer.a.name} hears better`]}
      caption={`Difference of SNR, ${answer.a.name} minus ${answer.b.name}, with its 95 % interval, by node and over all.`}
    />
  );
}

function row(label: string, interval: Interval, pooled = false): IntervalRow[] {
  const { estimate, low, high } = interval;
  if (estimate === null || low === null || high === null) return [];
  return [{ label, estimate, low, high, words: decibels(interval), pooled }];
}

export interface TrialsProps {
  readonly view: Omit<TrialsView, "answer">;
  /** By the placement's number. */
  readonly photos: ReadonlyMap<number, string>;
  /** The trials shown in full. */
  readonly answers: readonly TrialAnswer[];
  readonly clock: Clock;
}

export function Trials({ view, photos, answers, clock }: TrialsProps) {
  if (view.placements.length === 0 && answers.length === 0) return null;
  return (
    <section class="page">
      <h2>Trials</h2>
      {answers.length === 0 ? <Sentence parts={view.sentence} /> : null}
      {view.placements.length === 0 ? null : (
        <Placements rows={view.placements} within={view.window} clock={clock} />
      )}
      <Photos rows={view.placements} photos={photos} />
      {view.trials.length < 2 || answers.length === 0 ? null : <AllPairs view={view} />}
      {answers[0] === undefined ? null : <p class="caution">{answers[0].caution}</p>}
      {answers.map((answer) => (
        <Trial key={`${answer.a.key}~${answer.b.key}`} answer={answer} />
      ))}
    </section>
  );
}

function Photos({
  rows,
  photos,
}: {
  readonly rows: readonly PlacementRow[];
  readonly photos: ReadonlyMap<number, string>;
}) {
  const shown = rows.flatMap(({ id, name }) => {
    const address = photos.get(id);
    return address === undefined ? [] : [{ id, name, address }];
  });
  if (shown.length === 0) return null;
  return (
    <div class="photos">
      {shown.map(({ id, name, address }) => (
        <figure key={id}>
          <img src={address} alt={`How ${name} looks`} />
          <figcaption>{name}</figcaption>
        </figure>
      ))}
    </div>
  );
}

interface PlacementsProps {
  readonly rows: readonly PlacementRow[];
  readonly within: TrialsView["window"];
  readonly clock: Clock;
}

function Placements({ rows, within, clock }: PlacementsProps) {
  const when = (iso: string) => <span class="nobreak">{clock.near(iso, within.from, within.to)}</span>;
  return (
    <Table
      caption="Placements, as entered by people"
      rows={rows}
      columns={[
        { title: "Placement", of: ({ name }) => name },
        {
          title: "Gateway",
          of: (row) =>
            `${row.gatewayName ?? row.gatewayEui}${row.antenna === null ? "" : `, antenna ${row.antenna}`}`,
        },
        { title: "From", of: ({ from }) => when(from) },
        { title: "To", of: ({ to }) => (to === null ? "still" : when(to)) },
        { title: "Height", kind: "number", of: ({ heightM }) => withUnit(heightM, 1, "m") },
        { title: "Gain", kind: "number", of: ({ antennaGainDbi }) => withUnit(antennaGainDbi, 1, "dBi") },
        { title: "Cable loss", kind: "number", of: ({ cableLossDb }) => withUnit(cableLossDb, 1, "dB") },
        {
          title: "Direction, note",
          kind: "words",
          of: ({ direction, note }) => [direction, note].filter((part) => part !== null).join("; "),
        },
      ]}
    />
  );
}

/** What each pair says when all are asked at once. */
function AllPairs({ view }: Pick<TrialsProps, "view">) {
  const names = new Map(view.sides.map(({ key, name }) => [key, name]));
  const name = (key: string) => names.get(key) ?? key;
  const better = ({ verdict, a, b }: TrialRow) =>
    verdict === "a" ? name(a) : verdict === "b" ? name(b) : verdict;
  return (
    <>
      <Table
        caption="All pairs; differences are the first less the second"
        rows={view.trials}
        columns={[
          { title: "Pair", of: ({ a, b }) => `${name(a)} and ${name(b)}` },
          { title: "Heard", of: ({ paired }) => (paired ? "at once" : "one after the other") },
          { title: "Level", kind: "number", of: ({ snrDifferenceDb }) => decibels(snrDifferenceDb) },
          { title: "Delivery", kind: "number", of: ({ deliveryDifference }) => points(deliveryDifference) },
          { title: "Better", of: better },
        ]}
      />
      <p class="quiet">
        With {figure(view.trials.length)} pairs each is asked more of before one side counts as better (Holm
        1979).
      </p>
    </>
  );
}
