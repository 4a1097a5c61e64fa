/** What does one trial say, and what does that rest on? Its sentence, its forest, who got which frames, how they are spread. */
import type { Interval, TrialAnswer } from "../../contract/trials.ts";
import { percent } from "../../diagnosis/standing.ts";
import { count, difference, quantity } from "../format.ts";
import { Sentence, Table } from "../parts.tsx";
import { HistogramPlot } from "../plots/HistogramPlot.tsx";
import { IntervalPlot, type IntervalRow } from "../plots/IntervalPlot.tsx";

export function Trial({ answer }: { readonly answer: TrialAnswer }) {
  const { pairs } = answer.delivery;
  return (
    <div class="trial">
      <div class="keep">
        <h3>
          {answer.a.name} against {answer.b.name}, {answer.paired ? "heard at once" : "one after the other"}
        </h3>
        <Sentence parts={answer.sentence} />
        {answer.placeWords === null ? null : <p>{answer.placeWords}</p>}
        <Forest answer={answer} />
      </div>
      <Coverage answer={answer} />
      {pairs === null ? null : (
        <p>
          Heard by both {count(pairs.both)}, by {answer.a.name} alone {count(pairs.onlyA)}, by {answer.b.name}{" "}
          alone {count(pairs.onlyB)}, by neither {count(pairs.neither)}.
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
    deliveryRatio === null ? "–" : `${percent(deliveryRatio)} of ${count(expected)}`;
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
export function decibels(interval: Interval): string {
  return told(interval, 1, "dB");
}

/** "+4.1 points (2.8 to 5.5)". */
export function points(interval: Interval): string {
  return told(interval, 100, "points");
}

function told({ estimate, low, high }: Interval, factor: number, unit: string): string {
  if (estimate === null) return "–";
  const whole = difference(estimate * factor, unit);
  if (low === null || high === null) return whole;
  const end = (value: number) => quantity(value * factor, "").trim();
  return `${whole} (${end(low)} to ${end(high)})`;
}

const MOST_ROWS = 30;

function Forest({ answer }: { readonly answer: TrialAnswer }) {
  const rows = [
    ...answer.nodes
      .slice(0, MOST_ROWS)
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
        label: difference(at, "dB", top === 5 || top === 15 ? 1 : 0),
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
