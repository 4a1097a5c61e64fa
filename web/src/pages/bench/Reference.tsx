/** Does the gateway hear like the known good one beside it? The choice of it, the limits, and what came of it. */
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import type { BenchView as Bench, BenchItem, BenchState } from "../../../../src/contract/bench.ts";
import type { Standing } from "../../../../src/contract/common.ts";
import { duration, withMoments } from "../../../../src/words/format.ts";
import { exactTime } from "../../format.ts";
import { Button, Field, Form, LinkButton, Trouble, typed, typedNumber } from "../../parts/form.tsx";
import { StandingMark } from "../../parts/page.tsx";
import { deleteBenchReference, putBenchReference } from "../../state/api.ts";
import { linkTo } from "../../state/route.ts";
import { useSending } from "../../state/view-data.ts";
import "./ReferencePart.css";

// One check of the bench list: its state, its figure, the reason, and what to do.

export const BENCH_STANDINGS: Readonly<Record<BenchState, Standing>> = {
  pass: "good",
  warn: "look",
  fail: "bad",
  waiting: "waiting",
};

export function Check({ item }: { readonly item: BenchItem }) {
  return (
    <li class={`bench-check bench-${item.state}`}>
      <StandingMark standing={BENCH_STANDINGS[item.state]} word={item.state} />
      <div class="bench-what">
        <h2>{item.title}</h2>
        <span class="bench-figure">{item.figure}</span>
      </div>
      <div class="bench-words">
        <p>{withMoments(item.reason, (ms) => exactTime(ms))}</p>
        {item.advice === null ? null : <p class="bench-advice">→ {item.advice}</p>}
        {item.awaits === null ? null : (
          <p class="quiet">
            {item.awaitsSeconds === null ? "Needs" : `About ${duration(item.awaitsSeconds)}:`} {item.awaits}.
          </p>
        )}
      </div>
    </li>
  );
}

// Which gateway is known to be good, and how far may another one depart from it?

/** Offered until the technician says otherwise; the command's own are the same. */
const DEFAULT_OFFSET_DB = 3;
const DEFAULT_LOSS_POINTS = 2;

export interface ReferenceFormProps {
  readonly bench: Bench;
  readonly onLeave: () => void;
  readonly onDone: () => void;
}

function ReferenceForm({ bench, onLeave, onDone }: ReferenceFormProps) {
  const { reference, others, eui, name } = bench;
  const [chosen, setChosen] = useState(reference?.eui ?? others[0]?.eui ?? eui);
  const [offset, setOffset] = useState(String(reference?.maxOffsetDb ?? DEFAULT_OFFSET_DB));
  const [loss, setLoss] = useState(String(reference?.maxLossPoints ?? DEFAULT_LOSS_POINTS));
  const { trouble, setTrouble, send } = useSending(onDone);
  const first = useRef<HTMLSelectElement>(null);
  useLayoutEffect(() => first.current?.focus(), []);
  const keep = async () => {
    const maxOffsetDb = typedNumber(offset) ?? Number.NaN;
    const maxLossPoints = typedNumber(loss) ?? Number.NaN;
    if (!(maxOffsetDb > 0 && maxOffsetDb <= 60)) return setTrouble("The level's limit is above 0 to 60 dB.");
    if (!(maxLossPoints >= 0 && maxLossPoints <= 100))
      return setTrouble("The loss's limit is 0 to 100 points.");
    await send(putBenchReference({ eui: chosen, maxOffsetDb, maxLossPoints }));
  };
  // Heard or not, what was set stays to be chosen.
  const choices = [...others, { eui, name }];
  if (reference !== null && !choices.some((one) => one.eui === reference.eui)) choices.unshift(reference);
  return (
    <Form
      class="reference-form screen-only"
      aria-label="Reference of the bench"
      onSubmit={keep}
      onLeave={onLeave}
    >
      <Field name="Known good gateway">
        <select ref={first} value={chosen} onChange={(event) => setChosen(event.currentTarget.value)}>
          {choices.map((one) => (
            <option key={one.eui} value={one.eui}>
              {one.name === null ? one.eui : `${one.name}, ${one.eui}`}
              {one.eui === eui ? " (this one)" : ""}
            </option>
          ))}
        </select>
      </Field>
      <Field name="Level may differ by, dB">
        <input type="text" inputMode="decimal" size={6} {...typed(offset, setOffset)} />
      </Field>
      <Field name="May lose more frames, points">
        <input type="text" inputMode="decimal" size={6} {...typed(loss, setLoss)} />
      </Field>
      <button type="submit" class="plain first">
        Measure against it
      </button>
      <LinkButton onClick={onLeave}>cancel</LinkButton>
      <Trouble words={trouble} />
    </Form>
  );
}

export interface ReferencePartProps {
  readonly bench: Bench;
  /** Called after the reference or its limits changed. */
  readonly onChanged: () => void;
}

export function ReferencePart({ bench, onChanged }: ReferencePartProps) {
  const [editing, setEditing] = useState(false);
  const button = useRef<HTMLButtonElement>(null);
  const { reference, others, eui } = bench;
  const isSelf = reference?.eui === eui;
  const items = bench.items.filter(({ part }) => part === "reference");
  const leave = () => {
    setEditing(false);
    requestAnimationFrame(() => button.current?.focus());
  };
  if (reference === null && others.length === 0)
    return (
      <section class="bench-reference screen-only">
        <h2>Against a reference</h2>
        <p class="quiet">
          Point a second, known good gateway at this laptop: measured against it, this one's level and loss
          are shown in figures, channel by channel.
        </p>
      </section>
    );
  return (
    <section class={`bench-reference ${reference === null ? "screen-only" : ""}`}>
      <h2>Against a reference</h2>
      {isSelf ? (
        <p>This gateway is the reference that others on the bench are measured against.</p>
      ) : reference === null ? (
        <p class="quiet">
          A known good gateway beside this one, with an antenna alike, hears the same nodes: its level and
          loss are then what this one must match.
        </p>
      ) : (
        <p>
          Measured against{" "}
          <a href={linkTo(`/bench/${reference.eui}`)}>
            {reference.name ?? <span class="mono">{reference.eui}</span>}
          </a>
          : it may differ by {`${reference.maxOffsetDb}\u202FdB`} either way, and lose{" "}
          {`${reference.maxLossPoints}\u202F${reference.maxLossPoints === 1 ? "point" : "points"}`} more
          frames.
        </p>
      )}
      {editing ? (
        <ReferenceForm
          bench={bench}
          onLeave={leave}
          onDone={() => {
            leave();
            onChanged();
          }}
        />
      ) : (
        <p class="reference-acts screen-only">
          <Button ref={button} onClick={() => setEditing(true)}>
            {reference === null ? "Choose a reference" : "Change reference or limits"}
          </Button>
          {reference === null ? null : (
            <LinkButton onClick={() => void deleteBenchReference().then(({ ok }) => ok && onChanged())}>
              measure against none
            </LinkButton>
          )}
        </p>
      )}
      {items.length === 0 ? null : <Compared items={items} />}
    </section>
  );
}

function Compared({ items }: { readonly items: readonly BenchItem[] }) {
  const whole = items.filter(({ channel }) => channel === null);
  const byChannel = new Map<string, BenchItem[]>();
  for (const item of items) {
    if (item.channel === null) continue;
    byChannel.set(item.channel, [...(byChannel.get(item.channel) ?? []), item]);
  }
  return (
    <>
      <ol class="bench-list" aria-label="Checks against the reference">
        {whole.map((item) => (
          <Check key={item.id} item={item} />
        ))}
      </ol>
      {byChannel.size === 0 ? null : (
        <ol class="bench-list reference-channels" aria-label="Each channel against the reference">
          {[...byChannel].map(([channel, own]) => (
            <ChannelRow key={channel} channel={channel} items={own} whole={whole} />
          ))}
        </ol>
      )}
    </>
  );
}

interface ChannelRowProps {
  readonly channel: string;
  readonly items: readonly BenchItem[];
  /** Those of all channels together. */
  readonly whole: readonly BenchItem[];
}

/** One line a channel; words only where it stands otherwise than all together. */
function ChannelRow({ channel, items, whole }: ChannelRowProps) {
  const isOwn = ({ unit, state }: BenchItem) =>
    state !== "pass" && !whole.some((one) => one.unit === unit && one.state === state);
  const noted = items.filter(isOwn);
  return (
    <li class="reference-channel">
      <h3>{channel}</h3>
      {items.map((item) => (
        <span class="reference-figure" key={item.id}>
          <span class="quiet">{measureOf(item)}</span>
          <StandingMark standing={BENCH_STANDINGS[item.state]} word={item.state} />
          <span>{item.figure}</span>
        </span>
      ))}
      {noted.length === 0 ? null : (
        <p class="reference-words">
          {noted.map(({ reason, advice }) => [reason, advice ?? ""].join(" ").trim()).join(" ")}
        </p>
      )}
    </li>
  );
}

function measureOf({ unit }: BenchItem): string {
  return unit === "dB" ? "level" : unit === "points" ? "loss" : "";
}
