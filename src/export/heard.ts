/** The tables of what was heard: receptions, one a row and antenna, and frames, one a transmission. */
import { formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import type { TimeRange } from "../model/time-range.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  type FrameHearing,
  type FrameTuple,
  frameRows,
  hearingsOfFrames,
  nextFrameUs,
  nextReceptionUs,
  type ReceptionTuple,
  receptionRows,
} from "../store/queries/export-rows.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { CRCS } from "../store/recorder/rows.ts";
import { marginDb } from "../views/node-levels.ts";
import { messageTypeOf } from "../views/receptions.ts";
import { type Column, dayOf, type ExportScope, type Page, type Part, type Row, type Table } from "./table.ts";

const RECEPTION_COLUMNS: readonly Column[] = [
  { name: "id", type: "int64" },
  { name: "at", type: "time" },
  { name: "gatewayEui", type: "text" },
  { name: "gatewayName", type: "text" },
  { name: "antenna", type: "int32" },
  { name: "frameId", type: "int64" },
  { name: "devAddr", type: "text" },
  { name: "nodeName", type: "text" },
  { name: "life", type: "int32" },
  { name: "messageType", type: "text" },
  { name: "counter", type: "int64" },
  { name: "port", type: "int32" },
  { name: "repeat", type: "boolean" },
  { name: "ghost", type: "boolean" },
  { name: "secondary", type: "boolean" },
  { name: "crc", type: "text" },
  { name: "frequencyHz", type: "int64" },
  { name: "dataRate", type: "text" },
  { name: "codingRate", type: "text" },
  { name: "rssiDbm", type: "number" },
  { name: "signalRssiDbm", type: "number" },
  { name: "snrDb", type: "number" },
  { name: "marginDb", type: "number" },
  { name: "frequencyOffsetHz", type: "int32" },
  { name: "airtimeMs", type: "number" },
  { name: "sizeBytes", type: "int32" },
  { name: "delayMs", type: "number" },
];

const FRAME_COLUMNS: readonly Column[] = [
  { name: "id", type: "int64" },
  { name: "at", type: "time" },
  { name: "devAddr", type: "text" },
  { name: "nodeName", type: "text" },
  { name: "life", type: "int32" },
  { name: "devEui", type: "text" },
  { name: "messageType", type: "text" },
  { name: "counterOnAir", type: "int32" },
  { name: "counter", type: "int64" },
  { name: "repeat", type: "boolean" },
  { name: "replay", type: "boolean" },
  { name: "port", type: "int32" },
  { name: "frequencyHz", type: "int64" },
  { name: "dataRate", type: "text" },
  { name: "airtimeMs", type: "number" },
  { name: "mic", type: "text" },
  { name: "receptions", type: "int32" },
  { name: "gateways", type: "int32" },
  { name: "bestGatewayEui", type: "text" },
  { name: "rssiDbm", type: "number" },
  { name: "snrDb", type: "number" },
  { name: "marginDb", type: "number" },
];

/** What the rows of one export are written with. */
class Texts {
  readonly #gateways = new Map<number, { readonly eui: string; readonly name: string | null }>();
  readonly #nodes: ReadonlyMap<string, { readonly name: string | null }>;
  readonly #dataRates = new Map<number, string>();
  readonly #codingRates = new Map<string, string | null>();

  constructor(store: Store) {
    const names = labels(store, "gateway");
    for (const { id, eui } of allGateways(store))
      this.#gateways.set(id, { eui, name: names.get(eui)?.name ?? null });
    this.#nodes = labels(store, "node");
  }

  gateway(id: number): { readonly eui: string | null; readonly name: string | null } {
    return this.#gateways.get(id) ?? { eui: null, name: null };
  }

  nodeName(devAddr: string | null): string | null {
    return devAddr === null ? null : (this.#nodes.get(devAddr)?.name ?? null);
  }

  dataRate(code: number): string {
    let text = this.#dataRates.get(code);
    if (text === undefined) {
      text = describeModulation(modulationFromCodes(code, 0));
      this.#dataRates.set(code, text);
    }
    return text;
  }

  codingRate(dataRate: number, code: number): string | null {
    const key = `${dataRate}/${code}`;
    let text = this.#codingRates.get(key);
    if (text === undefined) {
      const modulation = modulationFromCodes(dataRate, code);
      text = "codingRate" in modulation ? modulation.codingRate : null;
      this.#codingRates.set(key, text);
    }
    return text;
  }
}

/** Row id of the gateway that is asked for; -1: there is none of that identifier, so nothing fits. */
function gatewayIdOf(store: Store, eui: string | undefined): number | undefined {
  if (eui === undefined) return undefined;
  return allGateways(store).find((gateway) => gateway.eui === eui)?.id ?? -1;
}

function shareOf(atUs: number, { fromUs, toUs }: TimeRange): number {
  return Math.min(1, Math.max(0, (atUs - fromUs) / Math.max(1, toUs - fromUs)));
}

export function receptionsTable(store: Store, scope: ExportScope): Table {
  const texts = new Texts(store);
  const gatewayId = gatewayIdOf(store, scope.gatewayEui);
  const devAddr = scope.devAddr === undefined ? undefined : parseDevAddr(scope.devAddr);
  const { window } = scope;
  function* pages(of: { gatewayId: number | undefined; window: TimeRange }): Generator<Page> {
    for (const tuples of receptionRows(store, { ...of, devAddr })) {
      const rows = tuples.map((tuple) => receptionRow(tuple, texts));
      yield { rows, share: shareOf(tuples.at(-1)?.[1] ?? of.window.toUs, of.window) };
    }
  }
  function* parts(): Generator<Part> {
    const gateways = allGateways(store).filter(({ id }) => gatewayId === undefined || id === gatewayId);
    for (const [index, gateway] of gateways.entries()) {
      let atUs = nextReceptionUs(store, gateway.id, window.fromUs);
      while (atUs !== null && atUs < window.toUs) {
        const day = dayOf(atUs);
        const range = { fromUs: atUs, toUs: Math.min(day.toUs, window.toUs) };
        const share = (index + shareOf(range.toUs, window)) / gateways.length;
        yield {
          date: day.date,
          gatewayEui: gateway.eui,
          pages: withShare(pages({ gatewayId: gateway.id, window: range }), share),
        };
        atUs = nextReceptionUs(store, gateway.id, range.toUs);
      }
    }
  }
  return { columns: RECEPTION_COLUMNS, pages: () => pages({ gatewayId, window }), parts };
}

function* withShare(pages: Iterable<Page>, share: number): Generator<Page> {
  for (const { rows } of pages) yield { rows, share };
}

function tenth(value: number | null): number | null {
  return value === null ? null : value / 10;
}

function receptionRow(tuple: ReceptionTuple, texts: Texts): Row {
  const [id, atUs, frameId, gatewayId, antenna, address, life, messageType, counter, port, repeat] = tuple;
  const [, , , , , , , , , , , ghost, secondary, crc, frequencyHz, dataRate, codingRate] = tuple;
  const [rssi, signalRssi, snr, offsetHz, airtimeUs, size, lateUs] = tuple.slice(17) as [
    number | null,
    number | null,
    number | null,
    number | null,
    number,
    number | null,
    number,
  ];
  const devAddr = address === null ? null : formatDevAddr(address);
  const gateway = texts.gateway(gatewayId);
  return [
    id,
    atUs,
    gateway.eui,
    gateway.name,
    antenna,
    frameId,
    devAddr,
    texts.nodeName(devAddr),
    life,
    messageTypeOf({ messageType, ghost, crc }),
    counter,
    port,
    repeat === 1,
    ghost === 1,
    secondary === 1,
    CRCS[crc] ?? "unknown",
    frequencyHz,
    texts.dataRate(dataRate),
    texts.codingRate(dataRate, codingRate),
    tenth(rssi),
    tenth(signalRssi),
    tenth(snr),
    marginDb(snr, dataRate),
    offsetHz,
    airtimeUs / 1000,
    size ?? 0,
    lateUs / 1000,
  ];
}

export function framesTable(store: Store, scope: ExportScope): Table {
  const texts = new Texts(store);
  const gatewayId = gatewayIdOf(store, scope.gatewayEui);
  const devAddr = scope.devAddr === undefined ? undefined : parseDevAddr(scope.devAddr);
  const { window } = scope;
  function* pages(range: TimeRange): Generator<Page> {
    for (const tuples of frameRows(store, { window: range, gatewayId, devAddr })) {
      const hearings = hearingsBy(
        store,
        tuples.map(([id]) => id),
      );
      const rows = tuples.map((tuple) => frameRow(tuple, hearings.get(tuple[0]) ?? [], texts));
      yield { rows, share: shareOf(tuples.at(-1)?.[1] ?? range.toUs, window) };
    }
  }
  function* parts(): Generator<Part> {
    let atUs = nextFrameUs(store, window.fromUs);
    while (atUs !== null && atUs < window.toUs) {
      const day = dayOf(atUs);
      const range = { fromUs: atUs, toUs: Math.min(day.toUs, window.toUs) };
      yield { date: day.date, gatewayEui: null, pages: pages(range) };
      atUs = nextFrameUs(store, range.toUs);
    }
  }
  return { columns: FRAME_COLUMNS, pages: () => pages(window), parts };
}

function hearingsBy(store: Store, frameIds: readonly number[]): Map<number, FrameHearing[]> {
  const byFrame = new Map<number, FrameHearing[]>();
  for (const hearing of hearingsOfFrames(store, frameIds)) {
    const own = byFrame.get(hearing.frameId);
    if (own === undefined) byFrame.set(hearing.frameId, [hearing]);
    else own.push(hearing);
  }
  return byFrame;
}

/** By SNR, then by RSSI; a level that was not reported is worse than any. */
function bestOf(hearings: readonly FrameHearing[]): FrameHearing | undefined {
  const level = (value: number | null) => value ?? Number.NEGATIVE_INFINITY;
  return hearings.reduce<FrameHearing | undefined>((best, one) => {
    if (best === undefined || level(one.snrTenths) > level(best.snrTenths)) return one;
    if (one.snrTenths !== best.snrTenths) return best;
    return level(one.rssiTenths) > level(best.rssiTenths) ? one : best;
  }, undefined);
}

const MICS: Readonly<Record<number, string>> = { 0: "invalid", 1: "proved" };

function frameRow(tuple: FrameTuple, hearings: readonly FrameHearing[], texts: Texts): Row {
  const [id, atUs, address, life, devEui, messageType, fcnt, counter, repeat, replay] = tuple;
  const [, , , , , , , , , , port, frequencyHz, dataRate, airtimeUs, micVerdict] = tuple;
  const devAddr = address === null ? null : formatDevAddr(address);
  const best = bestOf(hearings);
  return [
    id,
    atUs,
    devAddr,
    texts.nodeName(devAddr),
    life,
    devEui,
    messageTypeOf({ messageType, ghost: 0, crc: 0 }),
    fcnt,
    counter,
    repeat === 1,
    replay === 1,
    port,
    frequencyHz,
    texts.dataRate(dataRate),
    airtimeUs / 1000,
    micVerdict === null ? "unknown" : (MICS[micVerdict] ?? "unknown"),
    hearings.length,
    new Set(hearings.map(({ gatewayId }) => gatewayId)).size,
    best === undefined ? null : texts.gateway(best.gatewayId).eui,
    tenth(best?.rssiTenths ?? null),
    tenth(best?.snrTenths ?? null),
    best === undefined ? null : marginDb(best.snrTenths, dataRate),
  ];
}
