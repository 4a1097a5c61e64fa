/** Where does a node that is carried about get through? What comes now, the stops as plan and table, the limits. */
import type { WalkView as Walk, WalkReach, WalkStop, WalkVerdict } from "../../../../src/contract/walk.ts";
import { counted, db, figure, percent } from "../../format/format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";
import { Fold } from "../../parts/Fold.tsx";
import { Sentence } from "../../parts/Sentence.tsx";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { When } from "../../parts/When.tsx";
import { linkTo } from "../../state/route.ts";
import { StopForm } from "./StopForm.tsx";
import { WalkNow } from "./WalkNow.tsx";
import { WalkPlan } from "./WalkPlan.tsx";
import "../../parts/PinMark.css";
import "./walk.css";

const STANDINGS = { good: "good", marginal: "look", dead: "bad", waiting: "waiting" } as const;

function Verdict({ verdict }: { verdict: WalkVerdict }) {
  return (
    <StandingMark standing={STANDINGS[verdict]} word={verdict === "waiting" ? "too early to say" : verdict} />
  );
}

/** The page at /walk/DEVADDR; `onChanged` is called when there is something new to ask for. */
export function WalkView({ walk, onChanged }: { walk: Walk; onChanged: () => void }) {
  const { stops, devAddr } = walk;
  const placed = stops.filter(({ place }) => place !== null).length;
  const good = stops.filter(({ best }) => best === "good").length;
  const caption = `Stops: ${figure(good)} of ${counted(stops.length, "stop")} good${placed === stops.length ? "" : `; ${figure(placed)} with a place`}`;
  return (
    <>
      <p class="small screen-only">
        <a href={linkTo(`/nodes/${devAddr}/${walk.life ?? 1}`)}>{walk.name ?? devAddr}</a> ·{" "}
        <a href={linkTo("/nodes")}>All nodes</a>
      </p>
      <Sentence words={walk.sentence} />
      <WalkNow devAddr={devAddr} onFrame={onChanged} />
      <StopForm devAddr={devAddr} onPinned={onChanged} />
      {stops.length === 0 ? null : (
        <>
          <Figure
            caption={caption}
            legend={
              <>
                <span>✓ good</span>
                <span>triangle: marginal</span>
                <span>✕ dead</span>
                <span>ring: too early to say</span>
                <span>filled triangle: gateway</span>
              </>
            }
            drawing={
              placed === 0 ? (
                <p class="quiet">Give a stop a position, and it stands on a plan here.</p>
              ) : (
                <WalkPlan walk={walk} label={`${caption}.`} />
              )
            }
            table={() => <Stops walk={walk} />}
          />
          <h2>Stops</h2>
          <Stops walk={walk} />
        </>
      )}
      <Fold title="How stops are judged">
        <p>
          {walk.limits.words}. These limits are common practice without a source. A stop is as good as its
          best gateway.
        </p>
        <p>
          Counters of a stop are those heard by any gateway while it lasted, and missed ones that are dated
          into it by spreading them over their gap. At a dead stop nothing may be heard at all: what was
          missed there shows with the first frame heard afterwards. The margin counts heard frames only, so at
          a weak place it flatters; that is why delivery decides first.
        </p>
        <p>
          Work at height, near mains or in a thunderstorm belongs to people who are trained for it. The test
          node transmits by itself; the rules of the region and its duty-cycle limits hold for it as for any
          other.
        </p>
      </Fold>
    </>
  );
}

function Stops({ walk }: { walk: Walk }) {
  const columns: Column<WalkStop>[] = [
    { key: "name", head: "Stop", cell: (stop) => stop.name, sort: (stop) => stop.name },
    {
      key: "from",
      head: "From",
      wideOnly: true,
      cell: (stop) => <When at={stop.from} />,
      sort: (stop) => stop.from,
    },
    {
      key: "best",
      head: "Verdict",
      cell: (stop) => <Verdict verdict={stop.best} />,
      sort: (stop) => stop.best,
    },
    { key: "sent", head: "Counters", right: true, wideOnly: true, cell: (stop) => figure(stop.counters) },
    ...walk.gateways.map(({ eui, name }, index): Column<WalkStop> => {
      const of = (stop: WalkStop) => stop.gateways[index];
      return {
        key: eui,
        head: name ?? eui,
        cell: (stop) => <Reach reach={of(stop)} />,
        sort: (stop) => of(stop)?.deliveryRatio ?? null,
      };
    }),
  ];
  return (
    <DataTable
      label="Stops of the walk test"
      rows={walk.stops}
      rowKey={(stop) => String(stop.markId)}
      columns={columns}
    />
  );
}

function Reach({ reach }: { reach: WalkReach | undefined }) {
  if (reach === undefined) return <>–</>;
  return (
    <>
      <Verdict verdict={reach.verdict} /> {percent(reach.deliveryRatio, 0)} heard,{" "}
      <span class="nowrap">margin {db(reach.marginDb.median)}</span>
    </>
  );
}
