/** Where does everything stand, which ways are heard, and what do they cost? Plan, ways, places, fine print. */
import { useState } from "preact/hooks";
import type {
  PlanView as Plan,
  PlanLink,
  PositionChange,
  PositionRow,
} from "../../../../src/contract/user-data.ts";
import { counted, decibel, figure, withUnit } from "../../../../src/words/format.ts";
import { PlanDrawing } from "../../drawings/PlanDrawing.tsx";
import {
  type Column,
  column,
  DataTable,
  figureField,
  textColumn,
  WIDE_ONLY,
} from "../../parts/DataTable.tsx";
import { Heading } from "../../parts/Explain.tsx";
import { Form, LinkButton, typedNumber } from "../../parts/form.tsx";
import { Figure, Fold, Sentence } from "../../parts/page.tsx";
import { deletePosition, putPosition } from "../../state/api.ts";
import { linkTo } from "../../state/route.ts";
import { useSending } from "../../state/view-data.ts";
import "./PositionEdit.css";

interface Place {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly title: string;
  readonly why: string | null;
  readonly position: PositionRow | null;
}

/** The page at /plan; `onChanged` is called after a position was given or taken back. */
export function PlanView({ plan, onChanged }: { plan: Plan; onChanged: () => void }) {
  const [edited, setEdited] = useState<string | null>(null);
  const titles = new Map(plan.things.map((thing) => [`${thing.kind} ${thing.id}`, thing.name ?? thing.id]));
  const title = (kind: string, id: string) => titles.get(`${kind} ${id}`) ?? id;
  const thin = plan.links.filter(({ marginMedianDb }) => (marginMedianDb ?? 99) < 5).length;
  const isEmpty = plan.things.length === 0;
  const isFormFirst = plan.links.length === 0;
  const below =
    plan.links.length === 0 ? "" : `, ${figure(thin)} of them with a margin below ${withUnit(5, 0, "dB")}`;
  const caption = `Plan: ${counted(plan.links.length, "way")} heard${below}`;
  const places = (
    <>
      <h2>Places</h2>
      <DataTable
        label="Places of gateways and nodes"
        none="Nothing was heard yet that could have a place."
        columns={placeColumns(setEdited)}
        rows={placesOf(plan)}
        rowKey={placeKey}
        beneath={(row) =>
          placeKey(row) === edited ? (
            <PositionEdit {...row} onChanged={onChanged} onClose={() => setEdited(null)} />
          ) : null
        }
      />
    </>
  );
  return (
    <>
      <p class="small screen-only">
        <a href={linkTo("/site")}>Site</a> · <a href={linkTo("/nodes")}>All nodes</a>
      </p>
      <Sentence words={plan.sentence} />
      {/* With no way to draw, the form is what the page is for. */}
      {isFormFirst ? places : null}
      {isEmpty ? null : (
        <Figure
          caption={caption}
          legend={
            <>
              <span>triangle: gateway</span>
              <span>ring: node</span>
              <span>heavier line: more margin, the median stands on it</span>
              <span>dashed: below 5 dB</span>
            </>
          }
          drawing={<PlanDrawing things={plan.things} links={plan.links} label={`${caption}.`} />}
          table={() => <Ways plan={plan} title={title} />}
        />
      )}
      {isEmpty ? null : (
        <>
          <p>{plan.fitWords}</p>
          <Heading text="Links" />
          <Ways plan={plan} title={title} />
        </>
      )}
      {isFormFirst ? null : places}
      <Fold title="How this plan comes about">
        <p>
          Places are given by a person, or reported by a gateway's GPS. Degrees are laid flat about the middle
          of the site (WGS 84, Vincenty's distances); metres count from a point of your choice, and one thing
          given in both ties them to the globe. North is up.
        </p>
        <p>
          Free-space loss is ITU-R P.525; the excess is what walls, trees and ground take beyond it, and
          whatever this gateway's RSSI and the power assumed are off by. {plan.powerWords} A gateway's antenna
          counts 0 dBi unless its gain is given. {plan.fitWords}
        </p>
        <p>
          A better place for an antenna is often a higher one: work at height, lightning protection and mains
          earthing belong to qualified people, and local rules prevail.
        </p>
      </Fold>
    </>
  );
}

function Ways({ plan, title }: { plan: Plan; title: (kind: string, id: string) => string }) {
  const columns: readonly Column<PlanLink>[] = [
    column("Node", { sort: (row) => title("node", row.devAddr) }, (row) => (
      <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>{title("node", row.devAddr)}</a>
    )),
    textColumn("Gateway", (row) => title("gateway", row.gatewayEui)),
    figureField("Distance", "distanceM", (distanceM) => withUnit(distanceM, 0, "m")),
    figureField("Margin", "marginMedianDb", decibel),
    figureField("Loss", "pathLossDb", decibel),
    figureField("Free space", "freeSpaceLossDb", decibel),
    figureField("Excess", "excessDb", decibel),
    figureField("Frames", "frames", figure),
  ];
  return (
    <DataTable
      label="Links between nodes and gateways that have a place"
      none="No link between two places was heard in this window."
      columns={columns}
      rows={plan.links}
      rowKey={(row) => `${row.devAddr} ${row.life} ${row.gatewayEui}`}
    />
  );
}

function placesOf(plan: Plan): Place[] {
  const positions = new Map(plan.positions.map((row) => [`${row.kind} ${row.id}`, row]));
  const rows = new Map<string, Place>();
  const put = (kind: Place["kind"], id: string, name: string | null, why: string | null) =>
    rows.set(`${kind} ${id}`, {
      kind,
      id,
      title: name ?? id,
      why,
      position: positions.get(`${kind} ${id}`) ?? null,
    });
  for (const row of plan.positions) put(row.kind, row.id, row.name, null);
  for (const thing of plan.things) put(thing.kind, thing.id, thing.name, null);
  for (const thing of plan.unplaced) put(thing.kind, thing.id, thing.name, thing.why);
  return [...rows.values()].sort((a, b) => a.kind.localeCompare(b.kind) || a.title.localeCompare(b.title));
}

function placeKey({ kind, id }: Place): string {
  return `${kind} ${id}`;
}

function placeColumns(edit: (key: string) => void): readonly Column<Place>[] {
  return [
    column("What", { sort: (row) => row.title }, (row) => (
      <>
        <span class="quiet small">{row.kind} </span>
        {row.title}
      </>
    )),
    column("Where", ({ position, why }) =>
      position === null ? <span class="quiet">{why}</span> : whereWords(position),
    ),
    column("Entered by", WIDE_ONLY, ({ position }) =>
      position === null ? "" : { person: "a person", gps: "GPS", both: "a person and GPS" }[position.from],
    ),
    column("Change", (row) => (
      <LinkButton class="link small screen-only" onClick={() => edit(placeKey(row))}>
        {row.position === null ? "give it a place" : "change"}
        <span class="unseen"> of {row.title}</span>
      </LinkButton>
    )),
  ];
}

function whereWords(row: PositionRow): string {
  const parts: string[] = [];
  if (row.latitudeDeg !== null && row.longitudeDeg !== null)
    parts.push(`${figure(row.latitudeDeg, 5)}°, ${figure(row.longitudeDeg, 5)}°`);
  if (row.eastM !== null && row.northM !== null)
    parts.push(`${withUnit(row.eastM, 0, "m")} east, ${withUnit(row.northM, 0, "m")} north`);
  if (row.heightM !== null) parts.push(`${withUnit(row.heightM, 0, "m")} high`);
  if (row.eirpDbm !== null) parts.push(`${withUnit(row.eirpDbm, 0, "dBm")} EIRP`);
  if (row.antennaGainDbi !== null) parts.push(`${withUnit(row.antennaGainDbi, 1, "dBi")}`);
  return parts.join("; ");
}

// How does a person say where a thing stands? A few fields beneath its name; what is left empty is not known.

interface PositionEditProps extends Place {
  readonly onChanged: () => void;
  readonly onClose: () => void;
}

const FIELDS: readonly { field: keyof PositionChange; label: string; only?: Place["kind"] }[] = [
  { field: "latitudeDeg", label: "Latitude °" },
  { field: "longitudeDeg", label: "Longitude °" },
  { field: "eastM", label: "East m" },
  { field: "northM", label: "North m" },
  { field: "heightM", label: "Height m" },
  { field: "eirpDbm", label: "EIRP dBm", only: "node" },
  { field: "antennaGainDbi", label: "Gain dBi", only: "gateway" },
];

/** The fields, beneath the row that they are about; `onClose` is called when they are done with. */
function PositionEdit({ kind, id, title, position, onChanged, onClose }: PositionEditProps) {
  const { trouble, setTrouble, send } = useSending(() => {
    onClose();
    onChanged();
  });
  const said = position !== null && position.from !== "gps";
  const keep = async (form: HTMLFormElement) => {
    const change: Record<string, number> = {};
    for (const { field, label } of FIELDS) {
      const text = String(new FormData(form).get(field) ?? "");
      const value = typedNumber(text);
      if (value === null) continue;
      if (!Number.isFinite(value)) return setTrouble(`${label}: “${text}” is not a number.`);
      change[field] = value;
    }
    await send(putPosition(kind, id, change));
  };
  return (
    <Form class="position-edit" onSubmit={keep} onLeave={onClose}>
      <p class="small quiet">
        In degrees, or in metres from a point of your choice; leave empty what you do not know.
      </p>
      <div class="position-fields">
        {FIELDS.filter(({ only }) => only === undefined || only === kind).map(({ field, label }) => (
          <label key={field}>
            <span class="small quiet">{label}</span>
            <input
              type="text"
              inputMode="decimal"
              name={field}
              defaultValue={said || position?.[field] !== null ? String(position?.[field] ?? "") : ""}
              aria-label={`${label} of ${title}`}
            />
          </label>
        ))}
      </div>
      <p class="position-buttons">
        <button type="submit" class="plain">
          keep
        </button>
        {said ? (
          <LinkButton onClick={() => void send(deletePosition(kind, id))}>take it back</LinkButton>
        ) : null}
        <LinkButton onClick={onClose}>cancel</LinkButton>
      </p>
      {trouble === null ? null : <p role="alert">✕ {trouble}</p>}
    </Form>
  );
}
