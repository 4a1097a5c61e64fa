/** What else is known of a gateway: which channel plan it follows and how surely, its clock, its protocol, what was rejected? */
import type { GatewayRow } from "../../../src/contract/gateways.ts";
import { figure, percent, withUnit } from "../../../src/words/format.ts";
import { Fact, Facts, Fold, StandingMark } from "../parts/page.tsx";
import { NameEdit } from "../parts/ThingEdit.tsx";
import { linkTo } from "../state/route.ts";
import { WayBack } from "./relay/DownlinkPath.tsx";

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
