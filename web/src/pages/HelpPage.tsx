/** What is to be done when nothing was ever stored? Where to point the gateway, whether anything came, a site to try. */
import type { SampleRow, ServiceStatus } from "../../../src/contract/service.ts";
import { counted } from "../../../src/words/format.ts";
import { PhoneCode } from "../parts/PhoneCode.tsx";
import { Age, StandingMark } from "../parts/page.tsx";
import { Samples } from "../parts/Samples.tsx";
import { ServerToEnter } from "../parts/ServerToEnter.tsx";
import { linkTo } from "../state/route.ts";
import "./HelpPage.css";

export interface HelpPageProps {
  readonly status: ServiceStatus;
  /** Null while they are not known. */
  readonly samples: readonly SampleRow[] | null;
}

/** The empty dashboard. */
export function HelpPage({ status, samples }: HelpPageProps) {
  const { arrived } = status;
  return (
    <div class="help">
      <h1>Nothing is stored yet. Point a gateway at this laptop, read a capture, or open the sample site.</h1>
      <h2>1. Point a gateway here</h2>
      <ServerToEnter status={status} />
      <p class="help-arrived" role="status">
        {arrived.datagrams === 0 ? (
          <>
            <StandingMark standing="waiting" /> Nothing has arrived on the port since the service started{" "}
            <Age at={status.startedAt} />.
          </>
        ) : (
          <>
            <StandingMark standing="good" word="arriving" /> {counted(arrived.datagrams, "datagram")} arrived,
            the last <Age at={arrived.lastAt} /> from{" "}
            <span class="mono">{arrived.lastFrom ?? "an unknown source"}</span>, but no radio packet yet.{" "}
            <a href={linkTo("/service")}>What was rejected</a>
          </>
        )}
      </p>
      <h2>2. Or read a capture</h2>
      <p>
        A packet capture taken on the gateway or the router gives the same figures:{" "}
        <a href={linkTo("/captures")}>drop it on Captures</a>.
      </p>
      <h2>3. Or open the sample site</h2>
      {samples === null ? (
        <p class="quiet">○ Asking which samples there are</p>
      ) : (
        <Samples samples={samples} />
      )}
      <PhoneCode />
    </div>
  );
}
