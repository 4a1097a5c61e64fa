/** What filled the channels? */
import type { AirView } from "../../contract/air.ts";
import { percent } from "../../diagnosis/standing.ts";
import { count, megahertz, quantity } from "../format.ts";
import { Mono, Sentence, Table } from "../parts.tsx";

const MOST_TALKERS = 10;

export function Air({ view }: { readonly view: AirView }) {
  const several = new Set(view.channels.map(({ gatewayEui }) => gatewayEui)).size > 1;
  return (
    <section class="page">
      <h2>Air</h2>
      <Sentence parts={view.sentence} />
      {view.channels.length === 0 ? null : (
        <Table
          caption="Channels. Busy: share of the window in which something was heard (union of receptions). Load: sum of airtime over the window."
          rows={view.channels}
          columns={[
            ...(several
              ? [
                  {
                    title: "Gateway",
                    of: (row: AirView["channels"][number]) => row.gatewayName ?? row.gatewayEui,
                  },
                ]
              : []),
            { title: "Channel", kind: "number", of: (row) => megahertz(row.frequencyHz) },
            { title: "Receptions", kind: "number", of: (row) => count(row.receptions) },
            { title: "Busy", kind: "number", of: (row) => percent(row.utilisation) },
            { title: "Load", kind: "number", of: (row) => percent(row.offeredLoad) },
            {
              title: "CRC failed",
              kind: "number",
              of: (row) => (row.crcBadRatio === null ? "–" : percent(row.crcBadRatio)),
            },
            { title: "Noise floor", kind: "number", of: (row) => quantity(row.noiseFloorDbm, "dBm") },
            {
              title: "Strangers’ airtime",
              kind: "number",
              of: (row) =>
                row.airtimeSeconds === 0 ? "–" : percent(row.strangerAirtimeSeconds / row.airtimeSeconds),
            },
          ]}
        />
      )}
      {view.talkers.length === 0 ? null : (
        <Table
          caption="Busiest talkers, by heard airtime (a lower bound: what was not heard is missing)."
          rows={view.talkers.slice(0, MOST_TALKERS)}
          columns={[
            {
              title: "Node",
              of: (row) => (
                <>
                  {row.name === null ? null : <>{row.name} </>}
                  <Mono text={row.devAddr} />
                </>
              ),
            },
            { title: "Whose", of: (row) => (row.stranger ? `stranger, ${row.network}` : "own") },
            { title: "Frames", kind: "number", of: (row) => count(row.frames) },
            { title: "Airtime", kind: "number", of: (row) => quantity(row.airtimeSeconds, "s") },
            { title: "Busiest hour", kind: "number", of: (row) => percent(row.busiestHourDuty) },
          ]}
        />
      )}
      <p class="caution">{view.caution}</p>
    </section>
  );
}
