/** How does each link of a node stand, how are its margins spread, and what would be otherwise? */
import type { LinkRate, LinkRow, LinkShift, StandingFall } from "../../../../src/contract/link.ts";
import {
  counted,
  decibel,
  duration,
  figure,
  percent,
  percentInterval,
  signedDb,
  sizeInDb,
} from "../../../../src/words/format.ts";
import { IntervalBar, MarginBars, marginScale } from "../../drawings/bars.tsx";
import { gatewayTitle, hourMinute, LEVEL_NAMES, momentTime, nearestMinute, nearTime } from "../../format.ts";
import { type Column, column, DataTable, figureField, RIGHT, textField } from "../../parts/DataTable.tsx";
import { ExportLink } from "../../parts/Export.tsx";
import { Fact, Facts, Figure, Fold, PhonePart, StandingMark } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { linkTo } from "../../state/route.ts";
import "../link/LinkSection.css";

// How is a step of a link said, in local time?

/** A change that is longer is shown by begin and end. */
const SPELLED_MS = 10 * 60_000;

/** "SNR fell by 6.1 dB at about 09:40"; `nowMs` decides whether the day is named. */
export function shiftWords(shift: LinkShift | StandingFall, nowMs: number): string {
  const [from, to] = [nearestMinute(shift.notBefore), nearestMinute(shift.notAfter)];
  const when =
    to - from > SPELLED_MS
      ? `between ${nearTime(from, nowMs)} and ${hourMinute(to)}`
      : `at about ${nearTime(nearestMinute(shift.at), nowMs)}`;
  const rate = shift.withDataRateChange ? ", together with a change of data rate" : "";
  return `${LEVEL_NAMES[shift.measure]} ${shift.sizeDb < 0 ? "fell" : "rose"} by ${sizeInDb(shift)} ${when}${rate}`;
}

/** The same of a fall, and for how long the level has been low. */
export function fallWords(fall: StandingFall, nowMs: number): string {
  return `${shiftWords(fall, nowMs)}, and has stayed low for ${duration(fall.heldSeconds)}`;
}

/** "14 Mar 09:40" of a window that lies in the past, "09:40" today. */
export function stepTime(atMs: number, spanMs: number, nowMs: number): string {
  const at = Math.round(atMs / 60_000) * 60_000;
  return spanMs > 86_400_000 ? momentTime(at, nowMs) : hourMinute(at);
}

/** Distribution, table and fine print; nothing when no gateway heard the node. */
export function LinkSection({ links, node }: { links: readonly LinkRow[]; node: string }) {
  if (links.length === 0) return null;
  return (
    <PhonePart title="Links">
      <Margins links={links} />
      <div class="link-blocks">
        {links.map((row, index) => (
          <Link key={row.gatewayEui} row={row} repeated={index > 0} />
        ))}
      </div>
      <LinkPrint />
      <ExportLink what="links" node={node} />
    </PhonePart>
  );
}

function Margins({ links }: { links: readonly LinkRow[] }) {
  const scale = marginScale(links.map(({ margin }) => margin));
  const measured = links.filter(({ margin }) => margin.medianDb !== null);
  const bins = measured.flatMap((row) =>
    row.margin.bins.map((count, at) => ({
      gateway: gatewayTitle(row),
      fromDb: row.margin.firstBinDb + at,
      count,
    })),
  );
  type MarginBin = (typeof bins)[number];
  const best = [...measured].sort((a, b) => (b.margin.medianDb ?? 0) - (a.margin.medianDb ?? 0))[0];
  const caption =
    best === undefined
      ? "Margins: no SNR was reported in this window"
      : `Margins: ${gatewayTitle(best)} hears it best, ${decibel(best.margin.medianDb)} above the floor in the median`;
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <span>bar: frames in each dB of margin</span>
          <span>hollow: below the data sheet's floor, and heard all the same</span>
          <span>upright lines: weakest tenth, median, strongest tenth</span>
        </>
      }
      drawing={
        measured.length === 0 ? null : (
          <div class="margin-rows">
            {measured.map((row) => (
              <div key={row.gatewayEui}>
                <h3>
                  {gatewayTitle(row)}{" "}
                  <span class="quiet small">
                    {counted(row.margin.count, "frame")}, {row.dataRate}
                  </span>
                </h3>
                <MarginBars
                  margin={row.margin}
                  {...scale}
                  label={`Margins at ${gatewayTitle(row)}: median ${decibel(row.margin.medianDb)}, weakest tenth ${decibel(row.margin.p10Db)}, ${counted(row.margin.count, "frame")}`}
                />
              </div>
            ))}
          </div>
        )
      }
      table={() => (
        <DataTable<MarginBin>
          label="Frames in each dB of margin"
          none="No SNR was reported in this window."
          rows={bins}
          rowKey={(bin) => `${bin.gateway} ${bin.fromDb}`}
          columns={[
            textField("Gateway", "gateway"),
            figureField("Margin from", "fromDb", decibel),
            figureField("Frames", "count", figure),
          ]}
        />
      )}
    />
  );
}

/** One link in words, and what delivery would be. */
function Link({ row, repeated }: { row: LinkRow; repeated: boolean }) {
  const { margin, geometry, frequencyOffset } = row;
  const others = row.shifts.filter(({ at }) => at !== row.fall?.at);
  return (
    <section class="link-block" aria-label={`Link to ${gatewayTitle(row)}`}>
      <h3>{gatewayTitle(row)}</h3>
      <Facts repeated={repeated}>
        <Fact name="Margin">
          {decibel(margin.medianDb)}{" "}
          <span class="quiet small">
            ({figure(margin.p10Db, 1)} to {figure(margin.p90Db, 1)})
          </span>
        </Fact>
        <Fact name="Headroom">{row.headroom.words}</Fact>
        {row.fall == null ? null : (
          <Fact name="Level">
            <StandingMark standing="look" /> {fallWords(row.fall, now.value)}.
          </Fact>
        )}
        <Fact name="Steps">
          {others.length === 0
            ? row.fall == null
              ? row.shiftsWords
              : "None but this fall."
            : others.map((shift) => <div key={shift.at}>{shiftWords(shift, now.value)}.</div>)}
        </Fact>
        <Fact name="Trend">
          <Trend row={row} />
        </Fact>
        <Fact name="Offset">{frequencyOffset?.words ?? "This forwarder gives no frequency offset."}</Fact>
        <Fact name="Path">
          {geometry?.words ?? row.geometryWords}{" "}
          {geometry === null ? (
            <a href={linkTo("/plan")}>Enter positions</a>
          ) : (
            <span class="quiet small">{row.geometryWords}</span>
          )}
        </Fact>
      </Facts>
      {row.byDataRate.length < 2 ? null : (
        <DataTable
          label={`Each data rate at ${gatewayTitle(row)}`}
          columns={RATES}
          repeated={repeated}
          rows={row.byDataRate}
          rowKey={(one) => one.dataRate}
        />
      )}
      <DataTable
        label={`Delivery at ${gatewayTitle(row)} as it was, and as it would be`}
        columns={WHAT_IF}
        repeated={repeated || row.byDataRate.length > 1}
        rows={deliveries(row)}
        rowKey={(one) => one.title}
      />
    </section>
  );
}

function Trend({ row: { trend } }: { row: LinkRow }) {
  if (trend.verdict === "not enough" || trend.verdict === "no trend")
    return (
      <>
        {trend.verdict === "no trend" ? "No trend. " : ""}
        {trend.words}
      </>
    );
  return (
    <>
      <span class="nowrap">
        <span aria-hidden="true">{trend.verdict === "falls" ? "↓" : "↑"} </span>
        {signedDb(trend.slopePerDay)} a day
      </span>{" "}
      <span class="quiet small">{trend.words}</span>
    </>
  );
}

interface Delivered {
  readonly title: string;
  readonly ratio: number | null;
  readonly interval95: readonly [number, number] | null;
  readonly words: string;
}

/** As it was first, then the questions. */
function deliveries(row: LinkRow): Delivered[] {
  const was = { ...row.delivery, title: "as it was", words: "Not enough to say." };
  return [was, ...row.whatIf];
}

const RATES: readonly Column<LinkRate>[] = [
  column("Data rate", (one) => <span class="nowrap">{one.dataRate}</span>),
  column("Frames", RIGHT, (one) => figure(one.count)),
  column("Margin", RIGHT, (one) => (
    <>
      {decibel(one.medianDb)}{" "}
      <span class="quiet small nowrap">
        ({figure(one.p10Db, 1)} to {figure(one.p90Db, 1)})
      </span>
    </>
  )),
  column("Delivery here", RIGHT, (one) => percent(one.delivery.ratio)),
];

const WHAT_IF: readonly Column<Delivered>[] = [
  column("Sent otherwise", (one) => one.title),
  column("Delivery here", (one) =>
    one.ratio === null ? (
      <span class="link-words quiet">{one.words}</span>
    ) : (
      <span class="link-share">
        {percent(one.ratio)} <IntervalBar ratio={one.ratio} interval={one.interval95} />{" "}
        <span class="quiet small nowrap">{percentInterval(one.interval95)}</span>
      </span>
    ),
  ),
];

function LinkPrint() {
  return (
    <Fold title="How these link figures come about">
      <p>
        Margin is SNR over the demodulation floor of each frame's own spreading factor (SX1276 data sheet,
        Table 13), the best antenna of the gateway. Above about 5 dB the SNR estimate saturates; there a link
        is judged by the power of its signal. RSSI has an offset of its own in every gateway: compare gateways
        by SNR and delivery.
      </p>
      <p>
        A step is claimed when two levels of at least 3 dB difference explain the values far better than the
        usual wander of this link does, and the change happens between neighbouring frames (partial sums with
        a long-run variance; up to six hours before the window are looked at too). Healthy simulated links
        show less than one such step in 100 days. Where frames are lost at the floor a fall is larger than the
        survivors show: it says “at least”.
      </p>
      <p>
        A trend is a Theil–Sen slope of hourly or daily medians with Mann–Kendall significance, widened for
        what neighbouring values share. It counts from 3 dB over at least 7 days.
      </p>
      <p>
        What delivery would be rests on the frames that were heard, each weighed by its chance to be heard: a
        step of data rate is worth 2.5 dB. The demodulator's knee is soft and not known to the decibel; the
        interval holds chance and that doubt. Losses for other reasons, such as collisions, are taken to stay
        as they were, though a faster data rate also has shorter frames. Counters missed while the gateway was
        unreachable are left out.
      </p>
      <p>
        The frequency offset is that of node and gateway together. When all nodes move together, it is the
        gateway's oscillator. Free-space loss supposes a clear way; what goes beyond it is walls, trees,
        ground and whatever the RSSI of this gateway is off by. It predicts no coverage.
      </p>
      <p>
        Moving an antenna often means work at height, near mains and under lightning protection: that belongs
        to people who are qualified for it, and local rules prevail.
      </p>
    </Fold>
  );
}
