/** Does the gateway hear like the known good one beside it? The choice of it, the limits, and what came of it. */
import { useRef, useState } from "preact/hooks";
import type { BenchView as Bench, BenchItem } from "../../../../src/contract/bench.ts";
import { unbroken } from "../../format/format.ts";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { deleteBenchReference } from "../../state/api.ts";
import { linkTo } from "../../state/route.ts";
import { BENCH_STANDINGS, Check } from "./Check.tsx";
import { ReferenceForm } from "./ReferenceForm.tsx";
import "./ReferencePart.css";

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
          are told in figures, channel by channel.
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
          : it may differ by {`${reference.maxOffsetDb}\u2009dB`} either way, and lose{" "}
          {`${reference.maxLossPoints}\u2009${reference.maxLossPoints === 1 ? "point" : "points"}`} more
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
          <button ref={button} type="button" class="plain" onClick={() => setEditing(true)}>
            {reference === null ? "Choose a reference" : "Change reference or limits"}
          </button>
          {reference === null ? null : (
            <button
              type="button"
              class="link"
              onClick={() => void deleteBenchReference().then(({ ok }) => ok && onChanged())}
            >
              measure against none
            </button>
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
          <span>{unbroken(item.figure)}</span>
        </span>
      ))}
      {noted.length === 0 ? null : (
        <p class="reference-words">
          {noted.map(({ reason, advice }) => unbroken([reason, advice ?? ""].join(" ").trim())).join(" ")}
        </p>
      )}
    </li>
  );
}

function measureOf({ unit }: BenchItem): string {
  return unit === "dB" ? "level" : unit === "points" ? "loss" : "";
}
