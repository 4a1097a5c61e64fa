/** Which place hears better, by how much, and is that enough to say? The answer, what it rests on, and the placements. */
import type {
  MarkEffect,
  TrialAnswer,
  TrialRow,
  TrialSide,
  TrialsView as Trials,
} from "../../../../src/contract/trials.ts";
import { gatewayTitle, markAbout, momentTime, withShortEuis } from "../../format.ts";
import { column, DataTable, WIDE_ONLY } from "../../parts/DataTable.tsx";
import { Field, LinkButton } from "../../parts/form.tsx";
import { Fold, Sentence, StandingMark } from "../../parts/page.tsx";
import { linkTo, route, setParams } from "../../state/route.ts";
import type { Marks } from "../../state/view-data.ts";
import { RestsOn } from "./CoverageTables.tsx";
import { DELIVERY_COLUMN, LEVEL_COLUMN, TrialProgress } from "./Forest.tsx";
import { PlacementSection } from "./PlacementSection.tsx";
import "./trials.css";
import { counted } from "../../../../src/words/format.ts";
import { Heading } from "../../parts/Explain.tsx";
import { serviceNowMs } from "../../state/clock.ts";

export interface TrialsViewProps {
  readonly trials: Trials;
  readonly marks: Marks;
  /** Called after a placement was noted, changed or removed. */
  readonly onChanged: () => void;
}

/** Sides by the names that they are shown by. */
function titled({ sides, answer, ...rest }: Trials): Trials {
  const short = <Side extends { readonly name: string }>(side: Side): Side => ({
    ...side,
    name: withShortEuis(side.name),
  });
  return {
    ...rest,
    sides: sides.map(short),
    answer: answer === null ? null : { ...answer, a: short(answer.a), b: short(answer.b) },
  };
}

export function TrialsView({ trials: given, marks, onChanged }: TrialsViewProps) {
  const trials = titled(given);
  const { answer } = trials;
  return (
    <>
      <Sentence words={trials.sentence} />
      {trials.sides.length < 2 ? null : <PairChoice trials={trials} />}
      {answer === null ? null : <Answer answer={answer} />}
      {trials.trials.length < 2 ? null : <AllPairs trials={trials} />}
      <PlacementSection
        placements={trials.placements}
        sides={trials.sides}
        window={trials.window}
        marks={marks}
        onChanged={onChanged}
      />
      <Heading text="Walk test" />
      <p class="screen-only">
        To find where a node gets through, carry one around: open the page of that node{" "}
        <a href={linkTo("/nodes")}>among all nodes</a>, and choose “walk test with this node”.
      </p>
      <p class="small quiet">
        Work at height, lightning protection and mains earthing belong to qualified people, and local codes
        prevail. No figure here is worth a climb that is not safe.
      </p>
      {answer === null ? null : (
        <Fold title="How this was found, and what it cannot know">
          {answer.method.map((line) => (
            <p key={line}>{line}</p>
          ))}
        </Fold>
      )}
    </>
  );
}

function PairChoice({ trials }: { trials: Trials }) {
  const { sides, answer } = trials;
  const a = answer?.a.key ?? "";
  const b = answer?.b.key ?? "";
  const pick = (own: "a" | "b", key: string) => {
    const other = own === "a" ? b : a;
    // Choosing what stands on the other side swaps the two.
    const rest = key === other ? (own === "a" ? a : b) : other;
    setParams(own === "a" ? { a: key, b: rest } : { a: rest, b: key });
  };
  return (
    <div class="pair-choice screen-only">
      <SideSelect head="Compare" sides={sides} value={a} onPick={(key) => pick("a", key)} />
      <SideSelect head="with" sides={sides} value={b} onPick={(key) => pick("b", key)} />
    </div>
  );
}

interface SideSelectProps {
  readonly head: string;
  readonly sides: readonly TrialSide[];
  readonly value: string;
  readonly onPick: (key: string) => void;
}

function SideSelect({ head, sides, value, onPick }: SideSelectProps) {
  return (
    <label>
      <span class="small quiet">{head}</span>
      <select value={value} onChange={(event) => onPick(event.currentTarget.value)}>
        {sides.map(({ key, name, placed }) => (
          <option key={key} value={key}>
            {placed ? name : `${name} (as it is)`}
          </option>
        ))}
      </select>
    </label>
  );
}

function Answer({ answer }: { answer: TrialAnswer }) {
  return (
    <>
      <p class="trial-verdict">
        <VerdictMark answer={answer} />
        <span class="quiet">
          {answer.paired
            ? "paired: both heard at once, frame by frame"
            : "sequential: one after the other; see what else may have changed"}
        </span>
      </p>
      {answer.enough ? null : <TrialProgress answer={answer} />}
      <PlaceAlone answer={answer} />
      <RestsOn answer={answer} />
    </>
  );
}

function VerdictMark({ answer }: { answer: TrialAnswer }) {
  const { verdict, a, b } = answer;
  if (verdict === "not enough") return <StandingMark standing="waiting" word="not enough to say" />;
  if (verdict === "no difference") return <StandingMark standing="good" word="no difference that matters" />;
  return <StandingMark standing="good" word={`${verdict === "a" ? a.name : b.name} is better`} />;
}

function PlaceAlone({ answer }: { answer: TrialAnswer }) {
  const { knownGainDifferenceDb, placeWords, a, b } = answer;
  if (placeWords === null) {
    const unsaid = knownGainDifferenceDb === null && a.placed && b.placed;
    return unsaid ? (
      <p class="small quiet">
        Enter the antenna gain of both placements below, and this tells what the place alone contributes.
      </p>
    ) : null;
  }
  return <p class="place-alone">{placeWords}</p>;
}

function AllPairs({ trials }: { trials: Trials }) {
  const nameOf = new Map(trials.sides.map(({ key, name }) => [key, name]));
  const name = (key: string) => nameOf.get(key) ?? key;
  return (
    <>
      <Heading text="All pairs" />
      <DataTable<TrialRow>
        label="All pairs"
        rows={trials.trials}
        rowKey={({ id }) => id}
        columns={[
          column("Pair", ({ a, b }) => (
            <LinkButton class="link pair-names" onClick={() => setParams({ a, b })}>
              {name(a)} and {name(b)}
            </LinkButton>
          )),
          column("Heard", WIDE_ONLY, ({ paired }) => (paired ? "at once" : "one after the other")),
          LEVEL_COLUMN,
          DELIVERY_COLUMN,
          column("Better", ({ verdict, a, b }) =>
            verdict === "a" ? name(a) : verdict === "b" ? name(b) : verdict,
          ),
        ]}
      />
      <p class="small quiet">
        Level and delivery: the first less the second. With several pairs each is asked more of before it
        counts as better (Holm 1979).
        {trials.sidesLeftOut === 0
          ? ""
          : ` ${trials.sidesLeftOut} more can be chosen above; only some are compared all with all.`}
      </p>
    </>
  );
}

// Is it better since a mark? The time before it against the time after, drawn as a trial is.

/** Lengths to choose from beside the longest, days on each side at most. */
const DAYS = [7, 3, 1];

export function EffectView({ effect }: { effect: MarkEffect }) {
  const { mark } = effect;
  // Sides stand as heads of columns and at the ends of an axis.
  const drawn = { ...effect, a: { name: "After" }, b: { name: "Before" } };
  return (
    <>
      <Sentence words={effect.sentence} />
      <p class="trial-verdict">
        <EffectMark effect={effect} />
        <span class="quiet">
          {effect.lengthWords} {throughWords(effect)}
        </span>
      </p>
      <p class="beneath">
        Mark: “{mark.text}”, {moment(mark.at)}
        {mark.until === null ? "" : ` to ${moment(mark.until)}`}, about {markAbout(mark)}.{" "}
        <a href={linkTo("/trials")}>To all trials</a>
      </p>
      <Choice effect={effect} />
      <RestsOn answer={drawn} />
      <p class="small quiet">{effect.caution}</p>
      <Fold title="How this was found, and what it cannot know">
        {effect.method.map((line) => (
          <p key={line}>{line}</p>
        ))}
      </Fold>
    </>
  );
}

function moment(at: string): string {
  return momentTime(Date.parse(at), serviceNowMs());
}

function EffectMark({ effect: { effect } }: { effect: MarkEffect }) {
  switch (effect) {
    case "better":
      return <StandingMark standing="good" word="better since the mark" />;
    case "worse":
      return <StandingMark standing="look" word="worse since the mark" />;
    case "no difference":
      return <StandingMark standing="good" word="no difference that matters" />;
    case "not enough":
      return <StandingMark standing="waiting" word="not enough to say" />;
  }
}

function throughWords({ gateways }: MarkEffect): string {
  const [only] = gateways;
  if (only === undefined) return "";
  return gateways.length === 1
    ? `Heard by ${gatewayTitle({ gatewayEui: only.eui, gatewayName: only.name })}.`
    : `Heard by any of ${counted(gateways.length, "gateway")}.`;
}

function Choice({ effect }: { effect: MarkEffect }) {
  const { params } = route.value;
  const { mark, choices } = effect;
  const gateway = params.get("gateway") ?? mark.gatewayEui ?? "all";
  const known = choices.some(({ eui }) => eui === gateway) || gateway === "all";
  const offered = known ? choices : [...choices, { eui: gateway, name: null }];
  return (
    <div class="pair-choice screen-only">
      <Field name="Heard by">
        <select value={gateway} onChange={(event) => setParams({ gateway: event.currentTarget.value })}>
          <option value="all">all gateways together</option>
          {offered.map(({ eui, name }) => (
            <option key={eui} value={eui}>
              {name ?? eui}
            </option>
          ))}
        </select>
      </Field>
      <Field name="Before and after, at most">
        <select
          value={params.get("days") ?? ""}
          onChange={(event) => setParams({ days: event.currentTarget.value })}
        >
          <option value="">as long as recorded</option>
          {DAYS.map((days) => (
            <option key={days} value={String(days)}>
              {counted(days, "day")}
            </option>
          ))}
        </select>
      </Field>
    </div>
  );
}
