/** What does this node pay? Airtime and charge a day by a power table that a person may edit, and each faster data rate. */
import { useState } from "preact/hooks";
import type { NodeCharge, NodeCostView } from "../../../../src/contract/capacity.ts";
import { duration, figure, withUnit } from "../../../../src/words/format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Form, LinkButton } from "../../parts/form.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Fold } from "../../parts/page.tsx";
import { currentWindow, route, setParams } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import { CHANGE_COLUMNS, chosenShare } from "../air/Room.tsx";
import "./Charge.css";
import { Heading } from "../../parts/Explain.tsx";

type PowerRow = NodeCostView["power"][number];

const KEYS: readonly PowerRow["key"][] = [
  "powerDbm",
  "transmitMa",
  "receiveMa",
  "sleepUa",
  "batteryMah",
  "rx2SpreadingFactor",
  "windowSymbols",
];

/** The section of a node's page; the power table that was entered stands in the address. */
export function ChargePart({ devAddr }: { readonly devAddr: string }) {
  const asked = new URLSearchParams({ share: chosenShare() });
  for (const key of KEYS) {
    const value = route.value.params.get(key);
    if (value !== null) asked.set(key, value);
  }
  const loaded = useViewData<NodeCostView>(
    { path: `/api/nodes/${devAddr}/cost?${asked}`, subject: `cost ${devAddr}` },
    currentWindow.value,
  );
  return (
    <section class="charge" aria-label="Airtime and charge">
      <Heading text="Airtime and charge" />
      <Gate loaded={loaded} part>
        {(view) => <Cost view={view} />}
      </Gate>
    </section>
  );
}

function Cost({ view }: { readonly view: NodeCostView }) {
  const { now, changed, changes, power, limits } = view;
  const rows = [
    ...(now === null ? [] : [{ title: `SF${now.spreadingFactor}, as it is`, charge: now }]),
    ...(changed === null ? [] : [{ title: `SF${changed.spreadingFactor}`, charge: changed }]),
  ];
  return (
    <>
      <p class="charge-words">{view.sentence}</p>
      <DataTable
        label="Charge a day"
        columns={CHARGE_COLUMNS}
        rows={rows}
        rowKey={({ title }) => title}
        cards
      />
      <p class="charge-words">{view.changeSentence}</p>
      {changes.length === 0 ? null : (
        <DataTable
          label="Faster data rates"
          columns={CHANGE_COLUMNS}
          rows={changes}
          rowKey={({ toSpreadingFactor }) => String(toSpreadingFactor)}
          cards
        />
      )}
      <Fold title="The power table">
        <PowerForm key={power.map(({ value }) => value).join()} power={power} />
      </Fold>
      <Fold title="What this leaves out">
        <ul class="charge-limits">
          {limits.map((limit) => (
            <li key={limit}>{limit}</li>
          ))}
        </ul>
      </Fold>
    </>
  );
}

function PowerForm({ power }: { readonly power: readonly PowerRow[] }) {
  const [entered, setEntered] = useState<Readonly<Record<string, string>>>({});
  return (
    <Form class="charge-form" onSubmit={() => setParams(entered)}>
      {power.map(({ key, title, unit, value, source }) => (
        <label key={key}>
          <span>
            {title}
            {unit === "" ? "" : `, ${unit}`}
          </span>
          <input
            type="number"
            step="any"
            min={key === "powerDbm" ? -10 : key === "rx2SpreadingFactor" ? 7 : 0}
            max={key === "rx2SpreadingFactor" ? 12 : undefined}
            value={entered[key] ?? String(value)}
            onInput={(event) => setEntered({ ...entered, [key]: event.currentTarget.value })}
          />
          <span class="small quiet">{source}</span>
        </label>
      ))}
      <p class="screen-only">
        <button type="submit" class="plain">
          Calculate
        </button>{" "}
        <LinkButton onClick={() => setParams(Object.fromEntries(KEYS.map((key) => [key, null])))}>
          back to the defaults
        </LinkButton>
      </p>
      <p class="small quiet">What you enter is in the address of this page: keep it as a bookmark.</p>
    </Form>
  );
}

interface ChargeRow {
  readonly title: string;
  readonly charge: NodeCharge;
}

function mah(value: number): string {
  return withUnit(value, value >= 10 ? 1 : 3, "mAh");
}

const CHARGE_COLUMNS: readonly Column<ChargeRow>[] = [
  column("Data rate", ({ title }) => title),
  column("Frames a day", RIGHT, ({ charge }) => figure(charge.framesADay)),
  column("On the air", RIGHT, ({ charge }) => duration(charge.airtimeSecondsADay)),
  column("Sending", RIGHT, ({ charge }) => mah(charge.transmitMahADay)),
  column("Receiving", RIGHT, ({ charge }) => mah(charge.receiveMahADay)),
  column("Asleep", RIGHT, ({ charge }) => mah(charge.sleepMahADay)),
  column("In all a day", RIGHT, ({ charge }) => mah(charge.totalMahADay)),
  column("Battery lasts", RIGHT, ({ charge }) =>
    charge.batteryDays === null ? "–" : withUnit(charge.batteryDays, 0, "days"),
  ),
];
