/** How did each gateway's bring-up list come out? */
import type { BenchItem, BenchView } from "../../contract/bench.ts";
import { GatewayTitle, Sentence, State, Table } from "../parts.tsx";

export function Benches({ benches }: { readonly benches: readonly BenchView[] }) {
  if (benches.length === 0) return null;
  return (
    <section class="page">
      <h2>Bench lists</h2>
      {benches.map((bench) => (
        <div key={bench.eui} class="bench">
          <h3>
            <GatewayTitle name={bench.name} eui={bench.eui} /> <State state={bench.verdict} />
          </h3>
          <Sentence parts={bench.sentence} />
          <Checks items={bench.items.filter(({ part }) => part === "gateway")} />
          <AgainstReference bench={bench} />
        </div>
      ))}
    </section>
  );
}

function AgainstReference({ bench }: { readonly bench: BenchView }) {
  const items = bench.items.filter(({ part }) => part === "reference");
  const { reference } = bench;
  if (reference === null || items.length === 0) return null;
  const byChannel = new Map<string, BenchItem[]>();
  for (const item of items)
    if (item.channel !== null) byChannel.set(item.channel, [...(byChannel.get(item.channel) ?? []), item]);
  return (
    <div class="keep">
      <Checks
        items={items.filter(({ channel }) => channel === null)}
        caption={`Against the reference ${reference.name ?? reference.eui}: within ${reference.maxOffsetDb}\u2009dB of level, at most ${reference.maxLossPoints} points more lost`}
      />
      {byChannel.size === 0 ? null : <Channels byChannel={byChannel} />}
    </div>
  );
}

/** One row a channel: what was told in full for all together is told in figures for each. */
function Channels({ byChannel }: { readonly byChannel: ReadonlyMap<string, readonly BenchItem[]> }) {
  const cell = (items: readonly BenchItem[], unit: string) => {
    const item = items.find((one) => one.unit === unit);
    return item === undefined ? (
      "–"
    ) : (
      <>
        <State state={item.state} /> {item.figure}
      </>
    );
  };
  return (
    <Table
      keep
      rows={[...byChannel]}
      columns={[
        { title: "Channel", of: ([channel]) => channel },
        { title: "Level against the reference", of: ([, items]) => cell(items, "dB") },
        { title: "More lost than by it", of: ([, items]) => cell(items, "points") },
      ]}
    />
  );
}

interface ChecksProps {
  readonly items: BenchView["items"];
  readonly caption?: string;
}

function Checks({ items, caption }: ChecksProps) {
  return (
    <Table
      {...(caption === undefined ? {} : { caption })}
      rows={items}
      columns={[
        { title: "Check", of: (item) => item.title },
        { title: "State", of: (item) => <State state={item.state} /> },
        { title: "Figure", of: (item) => item.figure },
        {
          title: "Why, and what to do",
          kind: "words",
          of: (item) => (item.advice === null ? item.reason : `${item.reason} ${item.advice}`),
        },
      ]}
    />
  );
}
