/** Where does a node that is carried about get through? What comes now, the stops as plan and table, the limits. */
import { useState } from "preact/hooks";
import type { WalkView as Walk, WalkReach, WalkStop, WalkVerdict } from "../../../../src/contract/link.ts";
import type { Position } from "../../../../src/contract/user-data.ts";
import { counted, decibel, figure, percent, plural } from "../../../../src/words/format.ts";
import { shortEui } from "../../format.ts";
import { type Column, column, DataTable, textField } from "../../parts/DataTable.tsx";
import { Field, Form, LinkButton, typed } from "../../parts/form.tsx";
import { Figure, Fold, Sentence, StandingMark, When } from "../../parts/page.tsx";
import { postMark, problemWords } from "../../state/api.ts";
import { linkTo } from "../../state/route.ts";
import { WalkNow, WalkPlan } from "./WalkNow.tsx";
import "../../parts/PinMark.css";
import "./walk.css";
import { Heading } from "../../parts/Explain.tsx";

// Which place does a person mean who types "51.5001, −0.2501" or "12 m, −40 m"?

export type ReadPlace =
  | { readonly ok: true; readonly position: Position | null }
  | { readonly ok: false; readonly sentence: string };

const WRONG: ReadPlace = {
  ok: false,
  sentence: "A place is “51.5001, −0.2501” (north and east in degrees) or “12 m, −40 m” (east and north).",
};

/** Nothing typed is no place; two numbers are degrees north and east, with "m" metres east and north. */
export function readPlace(text: string): ReadPlace {
  const words = text.trim().replaceAll("\u2212", "-");
  if (words === "") return { ok: true, position: null };
  const match = /^(-?\d+(?:\.\d+)?) ?(m?)[,;\s]+(-?\d+(?:\.\d+)?) ?(m?)$/.exec(words);
  if (match === null || match[2] !== match[4]) return WRONG;
  const [first, second] = [Number(match[1]), Number(match[3])];
  if (match[2] === "m") {
    if (Math.abs(first) > 100_000 || Math.abs(second) > 100_000) return WRONG;
    return { ok: true, position: { eastMetres: first, northMetres: second } };
  }
  if (Math.abs(first) > 90 || Math.abs(second) > 180) return WRONG;
  return { ok: true, position: { latitude: first, longitude: second } };
}

// Where do you stand now? Names the place and pins the stop; it ends when the next one is pinned.

/** The form; the phone's own position is taken where the browser gives it. */
function StopForm({ devAddr, onPinned }: { devAddr: string; onPinned: () => void }) {
  const [name, setName] = useState("");
  const [place, setPlace] = useState("");
  const [said, setSaid] = useState<string | null>(null);
  const pin = async () => {
    const read = readPlace(place);
    if (name.trim() === "") return setSaid("✕ Name the place.");
    if (!read.ok) return setSaid(`✕ ${read.sentence}`);
    const answer = await postMark({ text: name.trim(), kind: "stop", devAddr, position: read.position });
    if (!answer.ok) return setSaid(`✕ ${problemWords(answer.problem)}`);
    setSaid(`${name.trim()} is pinned; stay until some frames have come.`);
    setName("");
    setPlace("");
    onPinned();
  };
  const locate = () => {
    setSaid("○ asking for the position");
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        setPlace(`${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`);
        setSaid(`Good to about ${Math.round(coords.accuracy)} m, as this device says.`);
      },
      () => setSaid("✕ This device gave no position; type it, or leave it out."),
      { enableHighAccuracy: true, timeout: 20_000 },
    );
  };
  // Browsers give a position to pages of this machine or over HTTPS only.
  const canLocate = typeof isSecureContext !== "undefined" && isSecureContext && "geolocation" in navigator;
  return (
    <Form class="pin-form screen-only" onSubmit={pin}>
      <Field name="I stand at" class="pin-text">
        <input type="text" maxLength={200} placeholder="cold store 1, north door" {...typed(name, setName)} />
      </Field>
      <Field name="Position, if you like">
        <input
          type="text"
          placeholder="51.5001, −0.2501 or 12 m, −40 m"
          spellcheck={false}
          {...typed(place, setPlace)}
        />
      </Field>
      {canLocate ? <LinkButton onClick={locate}>this device's position</LinkButton> : null}
      <button type="submit" class="plain first">
        here, now
      </button>
      {said === null ? null : <span role={said.startsWith("✕") ? "alert" : "status"}>{said}</span>}
    </Form>
  );
}

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
      <Sentence words={walk.sentence} />
      <p class="small screen-only">
        <a href={linkTo(`/nodes/${devAddr}/${walk.life ?? 1}`)}>{walk.name ?? devAddr}</a> ·{" "}
        <a href={linkTo("/nodes")}>All nodes</a>
      </p>
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
          <Heading text="Stops" />
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
    textField("Stop", "name"),
    column("From", { wideOnly: true, sort: (stop) => stop.from }, (stop) => <When at={stop.from} />),
    column("Verdict", { sort: (stop) => stop.best }, (stop) => (
      <span>
        <Verdict verdict={stop.best} />{" "}
        <span class="quiet nowrap">{plural(stop.counters - stop.missed, "frame")}</span>
      </span>
    )),
    column("Counters", { right: true, wideOnly: true }, (stop) => figure(stop.counters)),
    ...walk.gateways.map(({ eui, name }, index): Column<WalkStop> => {
      const of = (stop: WalkStop) => stop.gateways[index];
      return column(
        name ?? shortEui(eui),
        { key: eui, sort: (stop) => of(stop)?.deliveryRatio ?? null },
        (stop) => (
          <span>
            <Reach reach={of(stop)} />
          </span>
        ),
      );
    }),
  ];
  return (
    <DataTable
      label="Stops of the walk test"
      cards
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
      <span class="nowrap">margin {decibel(reach.marginDb.median)}</span>
    </>
  );
}
