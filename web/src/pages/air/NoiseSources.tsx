/** Which noise stood out, how did it behave, and at which gateway was it strongest? */
import type { NoiseAtGateway, NoiseSource } from "../../../../src/contract/noise.ts";
import { dbm, figure, listed, megahertz, signedDb, withUnit } from "../../../../src/words/format.ts";
import { gatewayTitle, withShortEuis } from "../../format/labels.ts";
import { momentTime } from "../../format/times.ts";
import { type Column, DataTable, figureColumn, textColumn, WIDE_ONLY } from "../../parts/DataTable.tsx";
import { Fold } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";

const STATUS: Readonly<Record<NoiseAtGateway["status"], string>> = {
  raised: "louder",
  "not raised": "not louder",
  drowned: "heard next to nothing",
  "too few": "too few frames",
};

const GATEWAYS: readonly Column<NoiseAtGateway>[] = [
  textColumn("gateway", "Gateway", (row) => gatewayTitle(row)),
  { key: "status", head: "Meanwhile", cell: (row) => STATUS[row.status] },
  {
    key: "rise",
    head: "Rise",
    right: true,
    sort: (row) => row.riseDb,
    cell: ({ riseDb, riseInterval95 }) =>
      riseDb === null || riseInterval95 === null ? (
        "–"
      ) : (
        <span class="nowrap">
          {signedDb(riseDb)}{" "}
          <span class="quiet">
            ({figure(riseInterval95[0], 1)} to {figure(riseInterval95[1], 1)})
          </span>
        </span>
      ),
  },
  {
    key: "received",
    head: "The noise itself",
    right: true,
    sort: (row) => row.receivedDbm,
    cell: ({ receivedDbm, status }) => (
      <span class="nowrap">
        {status === "drowned" && receivedDbm !== null ? "at least " : ""}
        {dbm(receivedDbm)}
      </span>
    ),
  },
  figureColumn("samples", "Frames", (row) => row.samples, figure, WIDE_ONLY),
];

export function NoiseSources({ sources }: { sources: readonly NoiseSource[] }) {
  if (sources.length === 0)
    return (
      <p class="quiet">
        No noise stood out: no channel was 6&#8239;dB louder for ten minutes or in regular pulses, as far as
        weak frames show.
      </p>
    );
  return (
    <>
      <ul class="airtime-findings">
        {sources.map((source) => (
          <li key={`${source.kind} ${source.from} ${source.frequenciesHz.join(" ")}`}>
            <OneSource source={source} />
          </li>
        ))}
      </ul>
      <p class="quiet small">
        Compared is the power of the noise alone, its channel's quiet level taken off, in the same time on the
        same channels. The interval is 95&#8239;%; it allows for antennas and receivers that differ by
        1.5&#8239;dB from one gateway to the next.
      </p>
    </>
  );
}

function OneSource({ source }: { source: NoiseSource }) {
  const { words, place, walk, from, to, kind, beginSeen, frequenciesHz, loudestHours, gateways } = source;
  const since = momentTime(Date.parse(from), now.value);
  return (
    <>
      <strong>{withShortEuis(words)}</strong> {withShortEuis(place.words)}
      {walk === null ? null : <> {withShortEuis(walk.words)}</>}
      <Fold title="Gateway by gateway">
        <p class="quiet">
          {kind === "standing" ? "Seen" : beginSeen ? "Since" : "Since before"} {since}
          {kind === "standing" ? " and before" : ""}, until {momentTime(Date.parse(to), now.value)};{" "}
          {listed(frequenciesHz.map(megahertz))}.{" "}
          {loudestHours.length === 0 || kind === "pulsed"
            ? ""
            : `Loudest hours of the day (UTC): ${listed(loudestHours.map(({ hour, medianDbm }) => `${hour}\u202Fh ${withUnit(medianDbm, 1, "dBm")}`))}.`}
        </p>
        <DataTable
          label="The noise at each gateway"
          columns={GATEWAYS}
          rows={gateways}
          rowKey={(row) => row.gatewayEui}
          sorting={{ key: "received", down: true }}
          cards
        />
      </Fold>
    </>
  );
}
