/** Which placement heard better, by how much, and how sure is that? */
import type { PlacementRow, TrialAnswer, TrialRow, TrialsView } from "../../contract/trials.ts";
import { type Clock, count, quantity } from "../format.ts";
import { Sentence, Table } from "../parts.tsx";
import { decibels, points, Trial } from "./Trial.tsx";

export interface TrialsProps {
  readonly view: TrialsView;
  /** By the placement's number. */
  readonly photos: ReadonlyMap<number, string>;
  /** The trials told in full. */
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
      caption="Placements, as told by people"
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
        { title: "Height", kind: "number", of: ({ heightM }) => quantity(heightM, "m") },
        { title: "Gain", kind: "number", of: ({ antennaGainDbi }) => quantity(antennaGainDbi, "dBi") },
        { title: "Cable loss", kind: "number", of: ({ cableLossDb }) => quantity(cableLossDb, "dB") },
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
function AllPairs({ view }: { readonly view: TrialsView }) {
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
        With {count(view.trials.length)} pairs each is asked more of before one side counts as better (Holm
        1979).
      </p>
    </>
  );
}
