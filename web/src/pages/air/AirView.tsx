/** What fills the air, and who? The air map of a gateway, its channels, data rates, owners, collisions, limits. */
import type { AirView as Air, AirMap } from "../../../../src/contract/air.ts";
import {
  airMapHeight,
  busiestCell,
  drawAirMap,
  fillShade,
  MANY_BROKEN,
  noiseRange,
  scaleTop,
} from "../../../../src/drawings/air-map.ts";
import { counted, dbm, duration, megahertz, percent } from "../../../../src/words/format.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { gatewayTitle } from "../../format.ts";
import { column, DataTable, figureColumn, figureField, RIGHT } from "../../parts/DataTable.tsx";
import { Explained, Heading } from "../../parts/Explain.tsx";
import { ExportLink } from "../../parts/Export.tsx";
import { Contents, Figure, Fold, MoreGateways, Sentence, When } from "../../parts/page.tsx";
import { linkTo, route } from "../../state/route.ts";
import { Collisions, DataRateMix, Owners, TalkerTable } from "./AirTables.tsx";
import { AirtimeLimits, ChannelTable } from "./ChannelLoad.tsx";
import { NoiseSources, Strangers } from "./OthersOnAir.tsx";
import { Room } from "./Room.tsx";
import "../AirView.css";

/** Method, source and limits of the air view, for whoever unfolds them. */
function AirFinePrint() {
  return (
    <>
      <p>
        In use: the union of busy intervals over the window, as this gateway heard them; what it did not hear
        is not in it. A packet counts once, however many antennas heard it. Offered load is the sum of airtime
        over the window, in Erlang, and may exceed what is in use. Airtime follows from data rate and size; a
        preamble of 8 symbols is assumed. CRC-failed packets count for the air and never for a node.
      </p>
      <p>
        The noise floor is the 10&#8239;% quantile of the noise that frames at an SNR of 0 dB or less betray;
        where there are too few of them, frames up to 5 dB are taken and the figure is an upper bound. Its
        trend is the slope of Theil and Sen over the stretches of the lane, tested after Mann and Kendall with
        a variance widened for autocorrelation: it counts from 3 dB and p below 0.01.
      </p>
      <p>
        Where the noise comes from: a channel 6 dB louder for ten minutes or more, standing 6 dB above its
        gateway's other channels, or louder in pulses. A period is given where its power among loud and quiet
        frames has a chance below 0.001, all frequencies tried counted, and each half of the time shows it. A
        gateway that heard less than a fifth of its usual packets on these channels, and as usual on others,
        has at least the noise that drowns its median packet.
      </p>
      <p>
        Strangers are known by the network identifier of their addresses, or by what you said of a node. While
        a gateway sends it hears nothing on any channel; its downlinks are known only where they pass this
        machine. Demodulator demand: Erlang's B formula with 8 and with 16 demodulators.
      </p>
      <p>
        Airtime against limits: the most that any 3&#8239;600 s hold, wherever they begin, for each
        transmitter and sub-band by itself. It is a lower bound, for frames that nobody heard are missing; the
        estimate divides it by the delivery ratio. Local rules prevail.
      </p>
    </>
  );
}

// The air map of one gateway with its finding, its legend and its table.

function AirMapFigure({ map }: { map: AirMap }) {
  const most = busiestCell(map);
  const row = map.utilisation.findIndex((shares) => shares.includes(most));
  const name = gatewayTitle(map);
  const cell = duration(map.cellSeconds);
  const caption =
    most === 0
      ? `${name}: no channel was in use`
      : `${name}: at its busiest, ${megahertz(map.frequenciesHz[row])} was in use for ${percent(most)} of ${cell}`;
  const range = noiseRange(map);
  return (
    <Figure
      wide
      caption={caption}
      legend={
        <>
          <ShadeScale top={scaleTop(most)} />
          <span>hatched: the strangers' part</span>
          <span>cross: {percent(MANY_BROKEN, 0)} or more arrived broken</span>
          {range === null ? (
            <span>noise floor: too few weak frames</span>
          ) : (
            <span>
              line beneath: <Explained text="noise floor" />, {dbm(range.low)} to {dbm(range.high)}
            </span>
          )}
          <span>a cell is {cell} wide, several together on a narrow screen</span>
          {map.lastCellSeconds < map.cellSeconds ? (
            <span>the last one has lasted {duration(Math.round(map.lastCellSeconds))}</span>
          ) : null}
        </>
      }
      drawing={<AirMapDrawing map={map} label={caption} />}
      table={() => <MapTable map={map} name={name} cell={cell} />}
    />
  );
}

function MapTable({ map, name, cell }: { map: AirMap; name: string; cell: string }) {
  const rows = map.frequenciesHz.map((frequencyHz, index) => {
    const own = total(map.ownLoad[index]);
    const foreign = total(map.strangerLoad[index]);
    const noise = (map.noise.dbm[index] ?? []).filter((level) => level !== null);
    return {
      frequencyHz,
      shares: map.utilisation[index] ?? [],
      broken: (map.crcBadRatio[index] ?? []).filter((ratio) => (ratio ?? 0) >= MANY_BROKEN).length,
      foreign: own + foreign === 0 ? null : foreign / (own + foreign),
      noise: noise.length === 0 ? null : ([Math.min(...noise), Math.max(...noise)] as const),
    };
  });
  type MapRow = (typeof rows)[number];
  return (
    <DataTable<MapRow>
      label={`Air map of ${name}`}
      rows={rows}
      rowKey={(one) => String(one.frequencyHz)}
      columns={[
        column("Channel", RIGHT, (one) => megahertz(one.frequencyHz)),
        figureColumn(
          `Busiest ${cell}`,
          (one) => Math.max(0, ...one.shares),
          (value) => percent(value, 2),
        ),
        column(
          "Cells in use",
          RIGHT,
          (one) => `${one.shares.filter((share) => share > 0).length} of ${one.shares.length}`,
        ),
        figureField("Cells crossed", "broken", String),
        figureField("Strangers' part", "foreign", (foreign) => percent(foreign, 0)),
        column("Noise floor", RIGHT, (one) =>
          one.noise === null ? "–" : `${dbm(one.noise[0])} to ${dbm(one.noise[1])}`,
        ),
      ]}
    />
  );
}

function total(loads: readonly (number | null)[] | undefined): number {
  return (loads ?? []).reduce<number>((sum, load) => sum + (load ?? 0), 0);
}

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
      <Contents />
      {air.gateways.length > 1 ? <GatewayChoice air={air} chosen={eui} /> : null}
      <MoreGateways more={air.moreGateways} />
      {map === undefined ? (
        <p class="quiet beneath">This gateway heard nothing in this window.</p>
      ) : (
        <AirMapFigure map={map} />
      )}
      <Heading text="Channels" />
      <ChannelTable channels={air.channels.filter((one) => one.gatewayEui === eui)} />
      <ExportLink what="channels" />
      {air.detail.whole ? null : (
        <p class="notice beneath">
          This window holds more than can be looked at one by one. Map, use and load cover all of it; what
          follows, the noise and the strangers' part rest on the newest{" "}
          {counted(air.detail.packets, "packet")}, since <When at={air.detail.from} />.
        </p>
      )}
      <Heading text="Where the noise comes from" />
      <NoiseSources sources={air.noiseSources} />
      {gateway === undefined ? null : (
        <>
          <Heading text="Data rates" />
          <DataRateMix rates={gateway.dataRates} name={gatewayTitle(gateway)} />
          <Heading text="Collisions to expect" />
          <Collisions gateway={gateway} />
          <h2>While it is busy itself</h2>
          <p>{gateway.deaf.words}</p>
          <p class="quiet">{gateway.demodulators.words}</p>
        </>
      )}
      <Heading text="Own nodes beside strangers" />
      <Owners
        networks={(gateway ?? air).networks}
        name={gateway === undefined ? null : gatewayTitle(gateway)}
      />
      <Strangers />
      <Heading text="Nodes with most airtime" />
      <TalkerTable talkers={air.talkers} />
      <Heading text="Airtime against limits" />
      <AirtimeLimits rows={air.airtime} caution={air.caution} />
      <Room />
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

/** The share to keep stays while another gateway is chosen. */
function shareKept(params: Readonly<Record<string, string>>): Record<string, string> {
  const share = route.value.params.get("share");
  return share === null ? { ...params } : { ...params, share };
}

function GatewayChoice({ air, chosen }: { air: Air; chosen: string | undefined }) {
  return (
    <nav class="gateway-choice" aria-label="Gateway">
      <span class="quiet">as heard by</span>
      {air.gateways.map((one) => (
        <a
          key={one.gatewayEui}
          href={linkTo("/air", shareKept({ gateway: one.gatewayEui }))}
          aria-current={one.gatewayEui === chosen ? "true" : undefined}
        >
          {gatewayTitle(one)}
        </a>
      ))}
    </nav>
  );
}

// The air map of a gateway on the screen, and the scale of its shades.

/** One gateway's map. */
function AirMapDrawing({ map, label }: { map: AirMap; label: string }) {
  return <Canvas height={airMapHeight(map)} draw={(sheet: Sheet) => drawAirMap(sheet, map)} label={label} />;
}

/** The scale of the shades, with its ends in figures. */
function ShadeScale({ top }: { top: number }) {
  const draw = ({ ctx, width, height, isDark }: Sheet) => {
    for (let x = 0; x < width; x += 1) {
      fillShade(ctx, { x, y: 0, wide: 1, high: height }, x / width, isDark);
    }
  };
  return (
    <span class="shade-scale">
      <span>in use: above 0</span>
      <span class="shade-band">
        <Canvas
          height={12}
          draw={draw}
          label={`Shades from near the ground, little in use, to far from it, ${percent(top, 0)} in use`}
        />
      </span>
      <span>{percent(top, 0)}</span>
    </span>
  );
}
