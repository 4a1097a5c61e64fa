/** Is it better since a mark? The time before it against the time after, drawn as a trial is. */
import type { MarkEffect } from "../../../../src/contract/trials.ts";
import { counted } from "../../../../src/words/format.ts";
import { gatewayTitle, markAbout, momentTime } from "../../format.ts";
import { Field } from "../../parts/form.tsx";
import { Fold, Sentence, StandingMark } from "../../parts/page.tsx";
import { serviceNowMs } from "../../state/clock.ts";
import { linkTo, route, setParams } from "../../state/route.ts";
import { RestsOn } from "./CoverageTables.tsx";
import "./trials.css";

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
