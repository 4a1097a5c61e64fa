/** Where did a carried node get through, and to which gateway? */
import type { WalkReach, WalkStop, WalkView } from "../../contract/walk.ts";
import { percent } from "../../diagnosis/standing.ts";
import { type Clock, count, quantity } from "../format.ts";
import { Sentence, State, Table } from "../parts.tsx";
import { StopPlan } from "../plots/StopPlan.tsx";

export function Walks({ walks, clock }: { readonly walks: readonly WalkView[]; readonly clock: Clock }) {
  if (walks.length === 0) return null;
  return (
    <section class="page">
      <h2>Walk test</h2>
      {walks.map((walk) => (
        <div key={walk.devAddr}>
          {walks.length === 1 ? null : <h3>{walk.name ?? walk.devAddr}</h3>}
          <Sentence parts={walk.sentence} />
          <Stops walk={walk} clock={clock} />
          <p class="quiet">Limits (common practice, no source): {walk.limits.words}.</p>
          <StopPlan
            walk={walk}
            caption={`Stops of ${walk.name ?? walk.devAddr} by the gateway that hears it best.`}
          />
        </div>
      ))}
    </section>
  );
}

function Stops({ walk, clock }: { readonly walk: WalkView; readonly clock: Clock }) {
  return (
    <Table<WalkStop>
      rows={walk.stops}
      columns={[
        { title: "Stop", of: ({ name }) => name },
        {
          title: "When",
          of: ({ from, to }) => (
            <span class="nobreak">
              {clock.near(from, walk.window.from, walk.window.to)} to {clock.minute(to)}
            </span>
          ),
        },
        { title: "Sent", kind: "number", of: ({ counters }) => count(counters) },
        ...walk.gateways.map(({ eui, name }) => ({
          title: name ?? eui,
          of: (stop: WalkStop) => <Reach reach={stop.gateways.find((one) => one.gatewayEui === eui)} />,
        })),
      ]}
    />
  );
}

function Reach({ reach }: { readonly reach: WalkReach | undefined }) {
  if (reach === undefined) return <>–</>;
  const { verdict, deliveryRatio, marginDb } = reach;
  return (
    <>
      <State state={verdict} />
      {deliveryRatio === null ? "" : ` ${percent(deliveryRatio)}`}
      {marginDb.median === null ? "" : `, margin ${quantity(marginDb.median, "dB")}`}
    </>
  );
}
