/** What did people note in a stretch of time? */
import type { MarkChange, MarkRequest, MarkRow, MarksQuery, MarksView, Position } from "../contract/marks.ts";
import { isoTime } from "../model/window.ts";
import { type MarkEdit, type MarkPosition, type NewMark, NO_POSITION } from "../store/marks.ts";
import type { Store } from "../store/open.ts";
import { labels } from "../store/queries/lives.ts";
import { type MarkRecord, marksIn } from "../store/queries/marks.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MOST_SHOWN = 1_000;

export function marksView(store: Store, window: AskedWindow, query: MarksQuery = {}): MarksView {
  const { gateway, node, kind } = query;
  const found = marksIn(store, window, MOST_SHOWN + 1, { gatewayEui: gateway, devAddr: node, kind });
  return {
    window: windowView(window),
    marks: markRows(store, found.slice(0, MOST_SHOWN)),
    cut: found.length > MOST_SHOWN,
  };
}

/** Marks in the contract's shape, with the names that people gave. */
export function markRows(store: Store, records: readonly MarkRecord[]): MarkRow[] {
  if (records.length === 0) return [];
  const gateways = labels(store, "gateway");
  const nodes = labels(store, "node");
  return records.map(({ id, atUs, untilUs, kind, text, gatewayEui, devAddr, ...where }) => ({
    id,
    at: isoTime(atUs),
    until: untilUs === null ? null : isoTime(untilUs),
    kind,
    text,
    gatewayEui,
    gatewayName: gatewayEui === null ? null : (gateways.get(gatewayEui)?.name ?? null),
    devAddr,
    nodeName: devAddr === null ? null : (nodes.get(devAddr)?.name ?? null),
    position: positionOf(where),
  }));
}

/** A person's mark as the store takes it; without a time it is pinned to `nowUs`. */
export function newMark(asked: MarkRequest, nowUs: number): NewMark {
  const { at, until, kind, text, gatewayEui, devAddr, position } = asked;
  return {
    atUs: at === undefined ? nowUs : timeUs(at),
    untilUs: until === null ? null : timeUs(until),
    kind,
    text,
    gatewayEui,
    devAddr,
    ...positionColumns(position),
  };
}

/** A person's change as the store takes it. */
export function markEdit({ at, until, text, gatewayEui, devAddr, position }: MarkChange): MarkEdit {
  return {
    ...(at === undefined ? {} : { atUs: timeUs(at) }),
    ...(until === undefined ? {} : { untilUs: until === null ? null : timeUs(until) }),
    ...(text === undefined ? {} : { text }),
    ...(gatewayEui === undefined ? {} : { gatewayEui }),
    ...(devAddr === undefined ? {} : { devAddr }),
    ...(position === undefined ? {} : positionColumns(position)),
  };
}

function positionColumns(position: Position | null): MarkPosition {
  return position === null ? NO_POSITION : { ...NO_POSITION, ...position };
}

/** Where a mark says it was. */
export function positionOf({ latitude, longitude, eastMetres, northMetres }: MarkPosition): Position | null {
  if (latitude !== null && longitude !== null) return { latitude, longitude };
  if (eastMetres !== null && northMetres !== null) return { eastMetres, northMetres };
  return null;
}

function timeUs(iso: string): number {
  return Date.parse(iso) * 1000;
}
