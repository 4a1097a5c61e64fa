/** Which gateway is on the bench? Those that were heard, and what to enter at one that has yet to come. */
import { useEffect, useRef } from "preact/hooks";
import type { GatewayRow } from "../../../../src/contract/gateways.ts";
import type { ServiceStatus } from "../../../../src/contract/status.ts";
import { counted } from "../../format/format.ts";
import { Age } from "../../parts/Age.tsx";
import { Notices } from "../../parts/Notices.tsx";
import { ServerToEnter } from "../../parts/ServerToEnter.tsx";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { linkTo } from "../../state/route.ts";
import "./BenchChoice.css";

export interface BenchChoiceProps {
  readonly gateways: readonly GatewayRow[];
  /** Null while it is not known. */
  readonly status: ServiceStatus | null;
}

/** The bench before a gateway was chosen. The first gateway that comes while the page waits opens by itself. */
export function BenchChoice({ gateways, status }: BenchChoiceProps) {
  const waited = useRef(false);
  const only = gateways.length === 1 ? (gateways[0]?.eui ?? null) : null;
  useEffect(() => {
    if (gateways.length === 0) waited.current = true;
    else if (waited.current && only !== null) location.replace(linkTo(`/bench/${only}`));
  }, [gateways.length, only]);
  return (
    <>
      <h1 class="sentence">
        {gateways.length === 0
          ? "Waiting for a gateway: its check list opens as soon as it sends."
          : `${counted(gateways.length, "gateway")} sent something in this window: choose one for its check list, or point another one here.`}
      </h1>
      <Notices notices={status?.notices ?? []} />
      {gateways.length === 0 ? null : (
        <ul class="bench-choice">
          {[...gateways].sort(newestFirst).map((gateway) => (
            <li key={gateway.eui}>
              <a href={linkTo(`/bench/${gateway.eui}`)}>
                {gateway.name === null ? "" : `${gateway.name}, `}
                <span class="mono">{gateway.eui}</span>
              </a>
              <StandingMark standing={gateway.standing} />
              <span>{gateway.clause}</span>
              <span class="quiet">
                first heard <Age at={gateway.firstHeard} />
              </span>
            </li>
          ))}
        </ul>
      )}
      <h2>{gateways.length === 0 ? "Point it here" : "Another gateway"}</h2>
      {status === null ? null : (
        <>
          <ServerToEnter status={status} />
          <p class="beneath" role="status">
            {status.arrived.datagrams === 0 ? (
              <>
                <StandingMark standing="waiting" /> Nothing has arrived on the port since the service started{" "}
                <Age at={status.startedAt} />.
              </>
            ) : (
              <>
                <StandingMark standing="good" word="arriving" />{" "}
                {counted(status.arrived.datagrams, "datagram")} arrived, the last{" "}
                <Age at={status.arrived.lastAt} />.
              </>
            )}
          </p>
        </>
      )}
    </>
  );
}

function newestFirst(a: GatewayRow, b: GatewayRow): number {
  return Date.parse(b.firstHeard) - Date.parse(a.firstHeard);
}
