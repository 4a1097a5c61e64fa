/** What fills the air, and who? The air map of a gateway, its channels, data rates, owners, collisions, limits. */
import type { AirView as Air } from "../../../src/contract/air.ts";
import { counted, gatewayTitle } from "../format/format.ts";
import { Fold } from "../parts/Fold.tsx";
import { MoreGateways } from "../parts/MoreGateways.tsx";
import { Sentence } from "../parts/Sentence.tsx";
import { When } from "../parts/When.tsx";
import { linkTo, route } from "../state/route.ts";
import { AirFinePrint } from "./air/AirFinePrint.tsx";
import { AirMapFigure } from "./air/AirMapFigure.tsx";
import { AirtimeLimits } from "./air/AirtimeLimits.tsx";
import { ChannelTable } from "./air/ChannelTable.tsx";
import { Collisions } from "./air/Collisions.tsx";
import { DataRateMix } from "./air/DataRateMix.tsx";
import { Owners } from "./air/Owners.tsx";
import { TalkerTable } from "./air/TalkerTable.tsx";
import "./AirView.css";

/** The air view. `gateway` in the address bar chooses one; without it stands the one that heard most. */
export function AirView({ air }: { air: Air }) {
  if (air.channels.length === 0) {
    return (
      <>
        <Sentence words={air.sentence} />
        <p class="quiet beneath">
          Nothing was heard on any channel in this window. Choose a longer one above, or see on{" "}
          <a href={linkTo("/site")}>Site</a> whether the gateways are alive.
        </p>
      </>
    );
  }
  const eui = chosenGateway(air, route.value.params.get("gateway"));
  const gateway = air.gateways.find((one) => one.gatewayEui === eui);
  const map = air.maps.find((one) => one.gatewayEui === eui);
  return (
    <>
      <Sentence words={air.sentence} />
      {air.gateways.length > 1 ? <GatewayChoice air={air} chosen={eui} /> : null}
      <MoreGateways more={air.moreGateways} />
      {map === undefined ? (
        <p class="quiet beneath">This gateway heard nothing in this window.</p>
      ) : (
        <AirMapFigure map={map} />
      )}
      <h2>Channels</h2>
      <ChannelTable channels={air.channels.filter((one) => one.gatewayEui === eui)} />
      {air.detail.whole ? null : (
        <p class="notice beneath">
          This window holds more than can be looked at one by one. Map, use and load cover all of it; what
          follows, the noise and the strangers' part rest on the newest{" "}
          {counted(air.detail.packets, "packet")}, since <When at={air.detail.from} />.
        </p>
      )}
      {gateway === undefined ? null : (
        <>
          <h2>Data rates</h2>
          <DataRateMix rates={gateway.dataRates} name={gatewayTitle(gateway)} />
          <h2>Collisions to expect</h2>
          <Collisions gateway={gateway} />
          <h2>While it is busy itself</h2>
          <p>{gateway.deaf.words}</p>
          <p class="quiet">{gateway.demodulators.words}</p>
        </>
      )}
      <h2>Own nodes beside strangers</h2>
      <Owners
        networks={(gateway ?? air).networks}
        name={gateway === undefined ? null : gatewayTitle(gateway)}
      />
      <h2>Busiest talkers</h2>
      <TalkerTable talkers={air.talkers} />
      <h2>Airtime against limits</h2>
      <AirtimeLimits rows={air.airtime} caution={air.caution} />
      <Fold title="How these figures come about">
        <AirFinePrint />
      </Fold>
    </>
  );
}

/** The one asked for when it is there, else the one that heard most airtime. */
export function chosenGateway(air: Air, asked: string | null): string | undefined {
  if (air.gateways.some((one) => one.gatewayEui === asked)) return asked ?? undefined;
  const spent = (eui: string) =>
    air.channels.filter((one) => one.gatewayEui === eui).reduce((sum, one) => sum + one.airtimeSeconds, 0);
  const [most] = [...air.gateways].sort((a, b) => spent(b.gatewayEui) - spent(a.gatewayEui));
  return most?.gatewayEui;
}

function GatewayChoice({ air, chosen }: { air: Air; chosen: string | undefined }) {
  return (
    <nav class="gateway-choice" aria-label="Gateway">
      <span class="quiet">as heard by</span>
      {air.gateways.map((one) => (
        <a
          key={one.gatewayEui}
          href={linkTo("/air", { gateway: one.gatewayEui })}
          aria-current={one.gatewayEui === chosen ? "true" : undefined}
        >
          {gatewayTitle(one)}
        </a>
      ))}
    </nav>
  );
}
