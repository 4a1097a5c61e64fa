/** How does one node fare? Its sentence, its counters, its signal, its link's story, its gateways, its gaps, its lives, its frames. */
import { useMemo, useState } from "preact/hooks";
import type { CounterTick, KeyFigures, NodePage, NodeRow } from "../../../../src/contract/nodes.ts";
import type { MarkRule } from "../../../../src/drawings/sheet.ts";
import { duration, figure, percent, percentInterval } from "../../../../src/words/format.ts";
import { IntervalBar } from "../../drawings/bars.tsx";
import { CounterStrip, describeTick } from "../../drawings/CounterStrip.tsx";
import { exactTime, gatewayTitle, keyFigureWords, lifeLabel, marksOfNode } from "../../format.ts";
import { column, DataTable, figureField } from "../../parts/DataTable.tsx";
import { FrameOpened } from "../../parts/Frame.tsx";
import { LinkButton, Trouble } from "../../parts/form.tsx";
import { MarkList } from "../../parts/MarkList.tsx";
import { PinMark, type Subject } from "../../parts/PinMark.tsx";
import { Contents, Figure, Fold, Sentence, StandingMark, When } from "../../parts/page.tsx";
import { Forget, NameEdit } from "../../parts/ThingEdit.tsx";
import { putLabel } from "../../state/api.ts";
import { now } from "../../state/clock.ts";
import { linkTo } from "../../state/route.ts";
import { type Marks, markRules, useSending } from "../../state/view-data.ts";
import { ChargePart } from "./Charge.tsx";
import { fallWords, LinkSection } from "./LinkSection.tsx";
import { NodeAnswersSection, NodeReceptions, NodeSignal, NodeStory } from "./NodeStory.tsx";
import { NodeLives, NodeTables } from "./NodeTables.tsx";
import "../NodeView.css";
import { Explained } from "../../parts/Explain.tsx";

// Which node is this, what is it called, and whose is it?

export interface NodeHeadProps {
  readonly row: NodeRow;
  readonly keys: KeyFigures;
  /** What a person said: one's own, a stranger's, or nothing. */
  readonly ownSaid: boolean | null;
  readonly onChanged: () => void;
}

/** The lines above a node's sentence. */
function NodeHead({ row, keys, ownSaid, onChanged }: NodeHeadProps) {
  return (
    <>
      <div class="node-head">
        <strong>{row.name ?? <span class="mono">{row.devAddr}</span>}</strong>
        {row.name === null ? null : <span class="mono quiet">{row.devAddr}</span>}
        <span class="quiet">
          life {row.life} · {row.network}
        </span>
        <StandingMark standing={row.standing} />
        <NameEdit kind="node" id={row.devAddr} name={row.name} onChanged={onChanged} />
        <Whose row={row} ownSaid={ownSaid} onChanged={onChanged} />
      </div>
      <p class="node-head small quiet">
        <span>
          last heard <When at={row.lastHeard} />
        </span>
        <span>
          <Explained text="rhythm" /> {duration(row.rhythmSeconds)}
        </span>
        <span>
          <Explained text="delivery" /> {percent(row.deliveryRatio)}{" "}
          <IntervalBar ratio={row.deliveryRatio} interval={row.deliveryInterval95} />{" "}
          {percentInterval(row.deliveryInterval95)}
        </span>
        <span>
          {row.fall == null ? (
            <>
              <Explained text="SNR trend" />: {row.snrTrend.words}
            </>
          ) : (
            `Level: ${fallWords(row.fall, now.value)}`
          )}
        </span>
      </p>
      <p class="node-head small quiet">
        {keys.invalid + keys.replays > 0 ? <StandingMark standing="look" /> : null}
        <span>{keyFigureWords(keys)}</span>
        <a class="screen-only" href={linkTo("/nodes")}>
          all nodes
        </a>
        <a class="screen-only" href={linkTo("/captures")}>
          {keys.held ? "keys available" : "add keys"}
        </a>
        <a class="screen-only" href={linkTo(`/walk/${row.devAddr}`)}>
          walk test with this node
        </a>
      </p>
    </>
  );
}

function Whose({ row, ownSaid, onChanged }: Omit<NodeHeadProps, "keys">) {
  const { trouble, send } = useSending(onChanged);
  const say = (own: boolean | null) => void send(putLabel("node", row.devAddr, { own }));
  return (
    <>
      <fieldset class="node-whose screen-only" aria-label="Whose node is it?">
        <button type="button" aria-pressed={ownSaid === true} onClick={() => say(true)}>
          mine
        </button>
        <button type="button" aria-pressed={ownSaid === false} onClick={() => say(false)}>
          a stranger's
        </button>
        <button type="button" aria-pressed={ownSaid === null} onClick={() => say(null)}>
          not set
        </button>
      </fieldset>
      {ownSaid === null ? (
        <span class="small quiet">taken for {row.stranger ? "a stranger's" : "yours"} by its network</span>
      ) : null}
      <Trouble words={trouble} />
    </>
  );
}

/** A table of more rows is no alternative to a drawing any more; the export has them all. */
const MAX_ROWS = 500;

export interface NodeViewProps {
  readonly page: NodePage;
  readonly marks: Marks;
  readonly onChanged: () => void;
}

/** The page of a node; `onChanged` is called after a name or a saying was changed. */
export function NodeView({ page, marks, onChanged }: NodeViewProps) {
  const { row, gateways } = page;
  const about = useMemo(
    () =>
      marksOfNode(
        marks.rows,
        row.devAddr,
        gateways.map(({ gatewayEui }) => gatewayEui),
      ),
    [marks.rows, row.devAddr, gateways],
  );
  const rules = useMemo(() => markRules(about), [about]);
  const subjects: Subject[] = [
    { kind: "node", id: row.devAddr, title: row.name ?? row.devAddr },
    ...gateways.map((one) => ({ kind: "gateway" as const, id: one.gatewayEui, title: gatewayTitle(one) })),
  ];
  const [frame, setFrame] = useState<number | null>(null);
  return (
    <>
      <Sentence words={page.sentence} />
      <Contents />
      <NodeHead row={page.row} keys={page.keys} ownSaid={page.ownSaid} onChanged={onChanged} />
      <Counters page={page} marks={rules} onOpen={setFrame} />
      {frame === null ? null : <FrameOpened key={frame} id={frame} onClose={() => setFrame(null)} />}
      <PinMark subjects={subjects} first={row.devAddr} onPinned={marks.reload} />
      <MarkList marks={about} subjects={subjects} onChanged={marks.reload} />
      <NodeSignal page={page} marks={rules} />
      <LinkSection links={page.links} node={row.devAddr} />
      <NodeStory page={page} />
      <NodeAnswersSection answers={page.answers} />
      {row.stranger ? null : <ChargePart devAddr={row.devAddr} />}
      <NodeTables page={page} />
      <NodeLives page={page} />
      <NodeReceptions row={page.row} gateways={page.gateways} window={page.window} />
      <Forget kind="node" id={page.row.devAddr} onForgotten={() => location.assign(linkTo("/nodes"))} />
      <Fold title="How these figures come about">
        <p>
          Expected counters are last − first + 1 in this counter life and window; delivery is heard over
          expected with the Wilson 95 % interval. Of a gateway: counters that it heard over those expected at
          the site. Missed counters are dated by spreading them over their gap, so their times are
          approximate.
        </p>
        <p>
          Compare gateways by SNR, margin and delivery rather than by RSSI, whose offset is not calibrated
          from one gateway to the next. The rungs of the ladder are the demodulation floors of the spreading
          factors; the distance of a dot from its own rung is the margin. A thin rule marks a change of data
          rate.
        </p>
        <p>
          The link story is read from the frames themselves. MAC commands of LoRaWAN 1.0 travel unencrypted
          and are taken for such where all of a node's frames read so; with keys they are proved.
        </p>
      </Fold>
    </>
  );
}

interface CountersProps {
  readonly page: NodePage;
  readonly marks: readonly MarkRule[];
  readonly onOpen: (id: number) => void;
}

function Counters({ page, marks, onOpen }: CountersProps) {
  const { row, ticks } = page;
  const outage =
    row.missedDuringOutage === 0
      ? ""
      : `, ${figure(row.missedDuringOutage)} of them while no gateway was reachable`;
  const caption =
    ticks.length === 0
      ? "No counter of this node falls into this window"
      : `Counters: ${figure(row.heard)} of ${figure(row.expected)} heard, ${figure(row.missed)} missed${outage}`;
  return (
    <Figure
      wide
      caption={page.ticksCut ? `${caption}; the newest ${figure(ticks.length)} are drawn` : caption}
      legend={
        <>
          <span>tall: heard</span>
          <span>half: by some gateways only</span>
          <span>
            notch below: <Explained text="missed" />
          </span>
          <span>hatched notch: missed in an outage</span>
          <span>
            dot above: <Explained text="repeated" />
          </span>
          {marks.length === 0 ? null : <span>dashed rule: a mark</span>}
        </>
      }
      drawing={
        ticks.length === 0 ? null : (
          <CounterStrip
            ticks={ticks}
            lives={page.lives.map((life) => ({ atMs: Date.parse(life.firstHeard), reason: lifeLabel(life) }))}
            marks={marks}
            label={`${caption}.`}
            onOpen={onOpen}
          />
        )
      }
      table={() => (
        <DataTable<CounterTick>
          label="Counters, newest first"
          rows={[...ticks].reverse().slice(0, MAX_ROWS)}
          rowKey={(tick) => String(tick.counter)}
          columns={[
            figureField("FCnt", "counter", String),
            column("Time", (tick) => exactTime(tick.atMs)),
            column("What became of it", { sort: (tick) => tick.fate }, (tick) =>
              describeTick(tick).replace(/^FCnt \d+: ([^,]*).*$/, "$1"),
            ),
            figureField("Repeats", "repeats", figure),
            column("Frame", (tick) => {
              const id = tick.frameId;
              if (id === null) return "–";
              return (
                <LinkButton onClick={() => onOpen(id)}>
                  open<span class="unseen"> the frame of counter {tick.counter}</span>
                </LinkButton>
              );
            }),
          ]}
        />
      )}
    />
  );
}
