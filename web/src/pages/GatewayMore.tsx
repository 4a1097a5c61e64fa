/** What else is known of a gateway: which channel plan it follows and how surely, its clock, its protocol, what was rejected? */
import { useEffect, useState } from "preact/hooks";
import type {
  DownlinkRow,
  DownlinksView,
  GatewayDownlinks,
  GatewayRow,
  OutcomeCount,
  RoundTrip,
  TransmitBudget,
} from "../../../src/contract/gateways.ts";
import { counted, figure, percent, THIN, withUnit } from "../../../src/words/format.ts";
import { type Column, column, DataTable, figureField, RIGHT, WIDE_ONLY } from "../parts/DataTable.tsx";
import { Button } from "../parts/form.tsx";
import { CopyButton, Fact, Facts, Fold, StandingMark, When } from "../parts/page.tsx";
import { NameEdit } from "../parts/ThingEdit.tsx";
import { getJson, problemWords } from "../state/api.ts";
import { currentWindow, linkTo, questionQuery } from "../state/route.ts";
import "./relay/relay.css";

/** "+1.8 ppm": a drift with its sign always said; null when there is none to tell. */
function driftWords(ppm: number | null, interval: readonly [number, number] | null): string {
  if (ppm === null) return "not known yet: it takes more receptions, or more time";
  const text = withUnit(ppm, 1, "ppm");
  const half = interval === null ? "" : ` ± ${figure((interval[1] - interval[0]) / 2, 1)}`;
  return `${ppm > 0 && /[1-9]/.test(text) ? "+" : ""}${text}${half} against the clock that stamped its datagrams`;
}

/** The fold beneath a heartbeat. */
export function GatewayMore({ gateway, onChanged }: { gateway: GatewayRow; onChanged: () => void }) {
  const title = (
    <>
      More of this gateway<span class="unseen">, {gateway.name ?? gateway.eui}</span>
    </>
  );
  return (
    <Fold title={title}>
      <Facts>
        <Fact name="EUI">
          <span class="mono">{gateway.eui}</span>
          {gateway.pullSource === null ? null : (
            <>
              , asks for downlinks from <span class="mono">{gateway.pullSource.replace(" ", " port ")}</span>
            </>
          )}
        </Fact>
        <Fact name="Site">
          {gateway.site ?? "no site named"}{" "}
          <NameEdit kind="gateway-site" id={gateway.eui} name={gateway.site ?? null} onChanged={onChanged} />
        </Fact>
        <Fact name="Channel plan">
          <ChannelPlan region={gateway.region} />
        </Fact>
        <Fact name="Clock">{driftWords(gateway.clockDriftPpm, gateway.clockDriftInterval95)}</Fact>
        <Fact name="Protocol">
          {gateway.protocolVersions.length === 0
            ? "version not known"
            : `packet forwarding, version ${gateway.protocolVersions.join(" and ")}`}
        </Fact>
        {gateway.ackPercent === null ? null : (
          <Fact name="Its own report">
            {withUnit(gateway.ackPercent, 1, "%")} of its datagrams acknowledged
            {gateway.temperatureC === null ? "" : `, ${withUnit(gateway.temperatureC, 1, "°C")}`}
          </Fact>
        )}
        <Fact name="Rejected">
          <Reasons counts={gateway.rejected} />
        </Fact>
        <Fact name="Unusual, but used">
          <Reasons counts={gateway.odd} />
        </Fact>
      </Facts>
      <WayBack eui={gateway.eui} downlinks={gateway.downlinks} />
    </Fold>
  );
}

function ChannelPlan({ region }: { region: GatewayRow["region"] }) {
  const { name, confidence, contradictions, reason } = region;
  // One in two hundred and less is none that a person should look into.
  const alternatives = region.alternatives.filter((other) => other.confidence >= 0.005);
  return (
    <>
      <p>
        {name === null ? null : (
          <>
            <strong>{name}</strong>, {confidence > 0.995 ? "more than 99\u202F%" : percent(confidence, 0)}{" "}
            sure:{" "}
          </>
        )}
        {reason}
      </p>
      {alternatives.length === 0 ? null : (
        <p class="quiet">
          {name === null ? "Likeliest:" : "It could also be"}{" "}
          {alternatives.map((other) => `${other.name} (${percent(other.confidence, 0)})`).join(" or ")}.
        </p>
      )}
      {contradictions.length === 0 ? null : (
        <ul>
          {contradictions.map((sentence) => (
            <li key={sentence}>
              <StandingMark standing="look" word="against it:" /> {sentence}
            </li>
          ))}
        </ul>
      )}
    </>
  );
}

function Reasons({ counts }: { counts: Readonly<Record<string, number>> }) {
  const reasons = Object.entries(counts).sort(([, a], [, b]) => b - a);
  if (reasons.length === 0) return <>nothing</>;
  return (
    <>
      {reasons.map(([reason, count], index) => (
        <span key={reason}>
          {index === 0 ? "" : ", "}
          {figure(count)} <span class="mono">{reason}</span>
        </span>
      ))}
      ; <a href={linkTo("/service")}>what these mean</a>
    </>
  );
}

// The downlink path of one gateway: does the server answer it, are downlinks taken in time, how long does
// it transmit itself?

// Which packets did servers ask gateways to send, for which window, how long before, and what came of each?

const COLUMNS: readonly Column<DownlinkRow>[] = [
  column("Passed", { sort: (row) => row.at }, (row) => <When at={row.at} />),
  column("To", (row) => (row.devAddr === null ? row.messageType : <span class="mono">{row.devAddr}</span>)),
  column("For", (row) => row.windowWords),
  figureField("Time left", "leadMs", (leadMs) => withUnit(leadMs, 0, "ms")),
  column(
    "On",
    WIDE_ONLY,
    (row) =>
      `${withUnit(row.frequencyHz === null ? null : row.frequencyHz / 1e6, 3, "MHz")}, ${row.dataRate}, ${withUnit(row.powerDbm, 0, "dBm")}, ${withUnit(row.airtimeMs, 0, "ms")}`,
  ),
  column("TX_ACK", WIDE_ONLY, (row) => (
    <>
      {[row.messageType, ...(row.ack ? ["ACK"] : []), ...row.commands.map(({ name }) => name)].join(", ")}{" "}
      <CopyButton words="copy hex" text={() => row.hex} />
    </>
  )),
  column("Outcome", (row) => <StandingMark standing={row.standing} word={row.outcomeWords} />),
];

/** The list under its sentence. */
function DownlinkTable({ view }: { view: DownlinksView }) {
  return (
    <>
      <p>{view.sentence.map(({ text }) => text).join("")}</p>
      <DataTable
        label="Downlinks"
        none="No downlink passed here in this window."
        columns={COLUMNS}
        rows={view.downlinks}
        rowKey={(row) => String(row.id)}
        dense
      />
      {view.cut ? (
        <p class="small quiet">Only the newest {figure(view.downlinks.length)} are shown.</p>
      ) : null}
      <p class="small quiet way-note">
        Time left: from its passing here to the last moment at which an SX1302 gateway takes it, 42.5 ms
        before it sends; an SX1301 gateway takes 32.5 ms. The way from here to the gateway comes off it.
      </p>
    </>
  );
}

const BUDGETS: readonly Column<TransmitBudget>[] = [
  column(
    "Sub-band",
    (row) => `${row.subBand}, ${figure(row.fromHz / 1e6, 3)}–${withUnit(row.toHz / 1e6, 3, "MHz")}`,
  ),
  column("Fullest hour", RIGHT, (row) => withUnit(row.airtimeSeconds, 1, "s")),
  column("Share", RIGHT, (row) => percent(row.share, 2)),
  column("Limit", RIGHT, (row) => percent(row.limit, 1)),
  column("State", (row) => (
    <StandingMark
      standing={row.standing}
      word={
        { good: "within", look: "nearly used up", bad: "exceeded", waiting: "no limit known" }[row.standing]
      }
    />
  )),
];

/** Nothing where nothing of a server was seen for it. */
export function WayBack({ eui, downlinks }: { eui: string; downlinks: GatewayDownlinks | null }) {
  if (downlinks === null) return null;
  const { push, pull, lead } = downlinks;
  return (
    <>
      <p class="way-back">
        <strong>The downlink path</strong>{" "}
        <StandingMark
          standing={downlinks.standing}
          word={{ good: "good", look: "check", bad: "bad", waiting: "waiting" }[downlinks.standing]}
        />{" "}
        {downlinks.clause}.
      </p>
      <Facts>
        <Fact name="Server">{downlinks.server.words}</Fact>
        <Fact name="PUSH_ACK">{tripWords(push)}</Fact>
        <Fact name="PULL_ACK">{tripWords(pull)}</Fact>
        {downlinks.tripMeaning === null ? null : <Fact name="Measured">{downlinks.tripMeaning}</Fact>}
        {downlinks.oneSided === 0 ? null : (
          <Fact name="One-sided">
            {counted(downlinks.oneSided, "datagram")} from captures without answers, not counted above
          </Fact>
        )}
        <Fact name="Downlinks">
          {counted(downlinks.asked, "packet")} asked for
          {downlinks.outcomes.length === 0 ? "" : `: ${downlinks.outcomes.map(outcomeText).join("; ")}`}
        </Fact>
        {downlinks.windows.length === 0 ? null : (
          <Fact name="For">
            {downlinks.windows.map(({ words, count }) => `${figure(count)} ${words}`).join(", ")}
          </Fact>
        )}
        <Fact name="Too late">
          {downlinks.lateShare === null
            ? "unknown: no downlink for a moment of the counter passed"
            : `${figure(downlinks.late)} of ${figure(downlinks.timed)} (${percent(downlinks.lateShare)})`}
          {lead === null
            ? ""
            : `; left before the last moment: ${withUnit(lead.medianMs, 0, "ms")} in the median, ${withUnit(lead.leastMs, 0, "ms")} at the least`}
        </Fact>
        <Fact name="Transmitted">
          {withUnit(downlinks.transmitSeconds, 1, "s")}{" "}
          {downlinks.transmitBasis === "confirmed" ? "confirmed" : "asked for, none confirmed"},{" "}
          {percent(downlinks.transmitShare, 2)} of the window
          {downlinks.unconfirmedSeconds === 0
            ? ""
            : `; ${withUnit(downlinks.unconfirmedSeconds, 1, "s")} more asked for and not confirmed`}
          ; deaf for {withUnit(downlinks.deafSeconds, 1, "s")} if it is half duplex
        </Fact>
      </Facts>
      {downlinks.budgets.length === 0 ? null : (
        <>
          <DataTable
            label="Its own airtime by sub-band"
            columns={BUDGETS}
            rows={downlinks.budgets}
            rowKey={(row) => String(row.fromHz)}
          />
          <p class="small quiet way-note">{downlinks.caution}</p>
        </>
      )}
      {downlinks.asked === 0 ? null : <DownlinksOnDemand eui={eui} />}
    </>
  );
}

/** The packets themselves, asked for when somebody wants to see them. */
function DownlinksOnDemand({ eui }: { eui: string }) {
  const [isOpen, setOpen] = useState(false);
  const [view, setView] = useState<DownlinksView | null>(null);
  const [trouble, setTrouble] = useState("");
  const query = questionQuery(currentWindow.value);
  useEffect(() => {
    if (!isOpen) return;
    const abort = new AbortController();
    void getJson<DownlinksView>(`/api/downlinks?gateway=${eui}&${query}`, abort.signal).then((answer) => {
      if (abort.signal.aborted) return;
      if (answer.ok) setView(answer.value);
      setTrouble(answer.ok ? "" : problemWords(answer.problem));
    });
    return () => abort.abort();
  }, [isOpen, eui, query]);
  return (
    <>
      <p class="screen-only">
        <Button aria-expanded={isOpen} onClick={() => setOpen(!isOpen)}>
          {isOpen ? "hide the downlinks" : "show the downlinks"}
        </Button>
      </p>
      {trouble === "" ? null : <p role="alert">{trouble}</p>}
      {isOpen && view !== null ? <DownlinkTable view={view} /> : null}
    </>
  );
}

function outcomeText({ words, count }: OutcomeCount): string {
  return `${figure(count)} ${words}`;
}

function tripWords(trip: RoundTrip): string {
  if (trip.lost === null) return "not to be seen here";
  if (trip.asked === 0) return "nothing to acknowledge";
  const parts = [
    `${figure(trip.lost)} of ${figure(trip.asked)} lost`,
    `${withUnit(trip.medianMs, 1, "ms")} in the median, ${withUnit(trip.p99Ms, 0, "ms")} at the 99th percentile`,
  ];
  if (trip.overPatience > 0)
    parts.push(`${figure(trip.overPatience)} after the gateway's patience of 100${THIN}ms`);
  return parts.join("; ");
}
