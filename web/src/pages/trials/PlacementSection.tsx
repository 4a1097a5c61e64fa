/** Where does each gateway stand, from when on? A time line to point at, and a form to say it. */
import { useRef, useState } from "preact/hooks";
import type { Window } from "../../../../src/contract/common.ts";
import type { PlacementRow, TrialSide } from "../../../../src/contract/trials.ts";
import type { MarkRow } from "../../../../src/contract/user-data.ts";
import { withUnit } from "../../../../src/words/format.ts";
import { exactTime, gatewayTitle, momentTime } from "../../format.ts";
import { Explained } from "../../parts/Explain.tsx";
import { Button, LinkButton } from "../../parts/form.tsx";
import { MarkList } from "../../parts/MarkList.tsx";
import { PinMark } from "../../parts/PinMark.tsx";
import { serviceNowMs } from "../../state/clock.ts";
import type { Marks } from "../../state/view-data.ts";
import { PlacementForm, type Receiver } from "./PlacementForm.tsx";

interface SectionProps {
  readonly placements: readonly PlacementRow[];
  readonly sides: readonly TrialSide[];
  readonly window: Window;
  readonly marks: Marks;
  readonly onChanged: () => void;
}

export function PlacementSection({ placements, sides, window, marks, onChanged }: SectionProps) {
  const [open, setOpen] = useState<number | "new" | null>(null);
  const [at, setAt] = useState<MarkRow | null>(null);
  const button = useRef<HTMLButtonElement>(null);
  const opened = placements.find(({ id }) => id === open);
  const receivers = receiversOf(sides, placements);
  const notes = marks.rows.filter(({ kind }) => kind === "note");
  const leave = () => {
    setOpen(null);
    setAt(null);
    requestAnimationFrame(() => button.current?.focus());
  };
  return (
    <section class="placements" aria-labelledby="placements-head">
      <h2 id="placements-head">
        <Explained text="Placements" />
      </h2>
      {placements.length === 0 ? (
        <p class="quiet">
          No placement entered yet. Enter one when you move a gateway: places are then compared by their
          names.
        </p>
      ) : (
        <TimeLine placements={placements} marks={notes} window={window} open={open} onOpen={setOpen} />
      )}
      {open === null ? (
        <p class="screen-only">
          <Button ref={button} onClick={() => setOpen("new")}>
            Name a placement
          </Button>
        </p>
      ) : (
        <PlacementForm
          key={`${open} ${at?.id ?? ""}`}
          placement={opened ?? null}
          receivers={receivers}
          marks={notes}
          at={at}
          onLeave={leave}
          onDone={() => {
            leave();
            onChanged();
          }}
        />
      )}
      <h3>What else changed</h3>
      <p class="quiet small">
        Rain, a new battery, a hedge cut: pinned as marks, they stay apart from the placements and beside what
        happened.
      </p>
      <MarkList
        marks={notes}
        subjects={receivers.filter(isGateway).map((one) => ({ kind: "gateway", ...one }))}
        onChanged={marks.reload}
        onPlace={(mark) => {
          setAt(mark);
          setOpen("new");
        }}
      />
      <PinMark
        subjects={receivers.filter(isGateway).map((one) => ({ kind: "gateway", ...one }))}
        onPinned={marks.reload}
      />
    </section>
  );
}

/** Not one of its antennas: a mark is about a whole gateway. */
function isGateway({ id }: Receiver): boolean {
  return !id.includes("/");
}

function receiversOf(sides: readonly TrialSide[], placements: readonly PlacementRow[]): Receiver[] {
  const known = new Map<string, Receiver>();
  const put = (eui: string, name: string | null, antenna: number | null) => {
    const id = antenna === null ? eui : `${eui}/${antenna}`;
    const title = name ?? eui;
    known.set(id, { id, title: antenna === null ? title : `${title}, antenna ${antenna}` });
  };
  for (const { gatewayEui, gatewayName } of [...sides, ...placements]) put(gatewayEui, gatewayName, null);
  for (const { gatewayEui, gatewayName, antenna } of [...sides, ...placements]) {
    if (antenna !== null) put(gatewayEui, gatewayName, antenna);
  }
  return [...known.values()].sort((x, y) => x.id.localeCompare(y.id));
}

interface LineProps {
  readonly placements: readonly PlacementRow[];
  readonly marks: readonly MarkRow[];
  readonly window: Window;
  readonly open: number | "new" | null;
  readonly onOpen: (id: number) => void;
}

/** One row a gateway or antenna; the line runs from the first begin to the end of the window, or to now. */
function TimeLine({ placements, marks, window, open, onOpen }: LineProps) {
  const rows = new Map<string, PlacementRow[]>();
  for (const one of placements) {
    const title = `${gatewayTitle(one)}${one.antenna === null ? "" : `, antenna ${one.antenna}`}`;
    rows.set(title, [...(rows.get(title) ?? []), one]);
  }
  const begins = placements.map(({ from }) => Date.parse(from));
  const fromMs = Math.min(...begins);
  const toMs = Math.max(Date.parse(window.to), ...begins) + 1;
  const spanMs = Math.max(1, toMs - fromMs);
  const place = (ms: number) => (100 * Math.max(0, Math.min(spanMs, ms - fromMs))) / spanMs;
  const nowMs = serviceNowMs();
  return (
    <div class="time-line">
      {[...rows].map(([title, own]) => (
        <div class="time-row" key={title}>
          <span class="time-name">{title}</span>
          <ul class="time-track">
            {own.map((one) => {
              const left = place(Date.parse(one.from));
              const right = one.to === null ? 100 : place(Date.parse(one.to));
              return (
                <li key={one.id} style={{ left: `${left}%`, width: `${Math.max(0.5, right - left)}%` }}>
                  <button
                    type="button"
                    class="time-piece"
                    aria-expanded={open === one.id}
                    title={`${one.name}, from ${exactTime(Date.parse(one.from))}`}
                    onClick={() => onOpen(one.id)}
                  >
                    {one.name}
                  </button>
                </li>
              );
            })}
          </ul>
        </div>
      ))}
      <MarkTicks marks={marks.filter(({ at }) => Date.parse(at) >= fromMs)} place={place} />
      <ul class="placement-list">
        {placements.map((one) => (
          <li key={one.id}>
            <span>
              <strong>{one.name}</strong>{" "}
              <span class="quiet">
                {gatewayTitle(one)}
                {one.antenna === null ? "" : `, antenna ${one.antenna}`}
              </span>
            </span>
            <span>
              {momentTime(Date.parse(one.from), nowMs)} to{" "}
              {one.to === null ? "now" : momentTime(Date.parse(one.to), nowMs)}
            </span>
            <span class="quiet placement-facts">
              {factsOf(one)}
              {one.photo === null ? null : (
                <a href={one.photo} target="_blank" rel="noreferrer">
                  <img class="placement-photo" src={one.photo} alt={`How ${one.name} looks`} loading="lazy" />
                </a>
              )}
            </span>
            <LinkButton class="link screen-only" onClick={() => onOpen(one.id)}>
              edit <span class="unseen">{one.name}</span>
            </LinkButton>
          </li>
        ))}
      </ul>
    </div>
  );
}

interface TicksProps {
  readonly marks: readonly MarkRow[];
  /** Where a moment lies on the line, per cent. */
  readonly place: (ms: number) => number;
}

/** What else was noted, on the same line of time; their words stand in the list beneath. */
function MarkTicks({ marks, place }: TicksProps) {
  if (marks.length === 0) return null;
  return (
    <div class="time-row" aria-hidden="true">
      <span class="time-name quiet">marks</span>
      <div class="time-track mark-track">
        {marks.map(({ id, at, until, text }) => {
          const left = place(Date.parse(at));
          const width = until === null ? 0 : place(Date.parse(until)) - left;
          return <i key={id} title={text} style={{ left: `${left}%`, width: `${width}%` }} />;
        })}
      </div>
    </div>
  );
}

function factsOf({ heightM, antennaGainDbi, cableLossDb, direction, note }: PlacementRow): string {
  return [
    heightM === null ? "" : `${withUnit(heightM, 1, "m")} up`,
    antennaGainDbi === null ? "" : `antenna ${withUnit(antennaGainDbi, 1, "dBi")}`,
    cableLossDb === null ? "" : `cable ${withUnit(-cableLossDb, 1, "dB")}`,
    direction ?? "",
    note ?? "",
  ]
    .filter((part) => part !== "")
    .join(" · ");
}
