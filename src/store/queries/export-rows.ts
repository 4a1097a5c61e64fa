/** Receptions and frames in order of time, page by page of a key, for taking them out: flat memory, however many. */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

/** Rows read at once. Chosen. */
const PAGE = 4_000;

export interface RowScope {
  readonly window: TimeRange;
  /** Row id. */
  readonly gatewayId?: number | undefined;
  readonly devAddr?: number | undefined;
}

/** The columns of a reception, in this order; levels in tenths. */
export type ReceptionTuple = [
  id: number,
  atUs: number,
  frameId: number | null,
  gatewayId: number,
  antenna: number,
  devAddr: number | null,
  life: number | null,
  messageType: number | null,
  counter: number | null,
  port: number | null,
  repeat: number | null,
  ghost: number,
  secondary: number,
  crc: number,
  frequencyHz: number | null,
  dataRate: number,
  codingRate: number,
  rssiTenths: number | null,
  signalRssiTenths: number | null,
  snrTenths: number | null,
  frequencyOffsetHz: number | null,
  airtimeUs: number,
  size: number | null,
  lateUs: number,
];

/** Receptions in order of time, ghosts among them. */
export function* receptionRows(store: Store, scope: RowScope): Generator<ReceptionTuple[]> {
  const { gatewayId, devAddr, window } = scope;
  const index = gatewayId === undefined ? "reception_by_time" : "reception_by_gateway";
  const conditions = [
    "(r.at_us, r.id) > (@atUs, @id)",
    "r.at_us < @to",
    ...(gatewayId === undefined ? [] : ["r.gateway_id = @gatewayId"]),
    ...(devAddr === undefined ? [] : ["f.dev_addr = @devAddr"]),
  ];
  const rows = prepared(
    store,
    `SELECT r.id, r.at_us, r.frame_id, r.gateway_id, r.antenna, f.dev_addr, l.number, f.message_type,
            coalesce(f.counter, f.fcnt), f.port, f.repeat, r.ghost, r.further, r.crc, r.frequency_hz, r.data_rate,
            r.coding_rate, r.rssi_tenths, r.signal_rssi_tenths, r.snr_tenths, r.frequency_offset_hz,
            coalesce(f.airtime_us, r.airtime_us), length(r.payload), r.late_us
     FROM reception r INDEXED BY ${index} LEFT JOIN main.frame f ON f.id = r.frame_id LEFT JOIN main.life l ON l.id = f.life_id
     WHERE ${conditions.join(" AND ")} ORDER BY r.at_us, r.id LIMIT ${PAGE}`,
  ).raw();
  yield* pagesOf<ReceptionTuple>(rows, window, given({ gatewayId, devAddr }));
}

/** The columns of a frame, in this order. */
export type FrameTuple = [
  id: number,
  atUs: number,
  devAddr: number | null,
  life: number | null,
  devEui: string | null,
  messageType: number,
  fcnt: number | null,
  counter: number | null,
  repeat: number,
  replay: number,
  port: number | null,
  frequencyHz: number | null,
  dataRate: number,
  airtimeUs: number,
  micVerdict: number | null,
];

/** Frames in order of time. With a gateway: those that it heard. */
export function* frameRows(store: Store, scope: RowScope): Generator<FrameTuple[]> {
  const { gatewayId, devAddr, window } = scope;
  const index = devAddr === undefined ? "frame_by_time" : "frame_by_address";
  const conditions = [
    "(f.at_us, f.id) > (@atUs, @id)",
    "f.at_us < @to",
    ...(devAddr === undefined ? [] : ["f.dev_addr = @devAddr"]),
    ...(gatewayId === undefined
      ? []
      : ["EXISTS (SELECT 1 FROM reception WHERE frame_id = f.id AND gateway_id = @gatewayId)"]),
  ];
  const rows = prepared(
    store,
    `SELECT f.id, f.at_us, f.dev_addr, l.number, f.dev_eui, f.message_type, f.fcnt, f.counter, f.repeat, f.replay,
            f.port, f.frequency_hz, f.data_rate, f.airtime_us, f.mic_verdict
     FROM frame f INDEXED BY ${index} LEFT JOIN main.life l ON l.id = f.life_id
     WHERE ${conditions.join(" AND ")} ORDER BY f.at_us, f.id LIMIT ${PAGE}`,
  ).raw();
  yield* pagesOf<FrameTuple>(rows, window, given({ gatewayId, devAddr }));
}

function given(values: Readonly<Record<string, number | undefined>>): Record<string, number> {
  return Object.fromEntries(
    Object.entries(values).filter((one): one is [string, number] => one[1] !== undefined),
  );
}

function* pagesOf<Tuple extends [id: number, atUs: number, ...unknown[]]>(
  rows: { all(values: Readonly<Record<string, number>>): unknown[] },
  { fromUs, toUs }: TimeRange,
  values: Readonly<Record<string, number>>,
): Generator<Tuple[]> {
  let last = { id: Number.MAX_SAFE_INTEGER, atUs: fromUs - 1 };
  for (;;) {
    const page = rows.all({ ...values, ...last, to: toUs }) as Tuple[];
    const end = page.at(-1);
    if (end === undefined) return;
    yield page;
    if (page.length < PAGE) return;
    last = { id: end[0], atUs: end[1] };
  }
}

/** How a frame was heard. */
export interface FrameHearing {
  readonly frameId: number;
  readonly gatewayId: number;
  readonly rssiTenths: number | null;
  readonly snrTenths: number | null;
}

/** Receptions of some frames. */
export function hearingsOfFrames(store: Store, frameIds: readonly number[]): FrameHearing[] {
  return prepared(
    store,
    `SELECT frame_id AS frameId, gateway_id AS gatewayId, rssi_tenths AS rssiTenths, snr_tenths AS snrTenths
     FROM reception WHERE frame_id IN (SELECT value FROM json_each(?)) ORDER BY frame_id, id`,
  ).all(JSON.stringify(frameIds)) as FrameHearing[];
}

/** When the first reception of a gateway at or after a moment was heard; null: none. */
export function nextReceptionUs(store: Store, gatewayId: number, fromUs: number): number | null {
  return prepared(store, "SELECT min(at_us) FROM reception WHERE gateway_id = ? AND at_us >= ?")
    .pluck()
    .get(gatewayId, fromUs) as number | null;
}

/** When the first frame at or after a moment was sent; null: none. */
export function nextFrameUs(store: Store, fromUs: number): number | null {
  return prepared(store, "SELECT min(at_us) FROM frame WHERE at_us >= ?").pluck().get(fromUs) as
    | number
    | null;
}
