/** Which marks touch a stretch of time? */
import type { TimeWindow } from "../../model/window.ts";
import type { NewMark } from "../marks.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface MarkRecord extends NewMark {
  readonly id: number;
}

export interface MarkFilter {
  readonly gatewayEui?: string | undefined;
  readonly devAddr?: string | undefined;
  readonly kind?: "note" | "stop" | undefined;
}

const MARK = `SELECT id, at_us AS atUs, until_us AS untilUs, kind, text, gateway_eui AS gatewayEui, dev_addr AS devAddr,
  latitude, longitude, east_metres AS eastMetres, north_metres AS northMetres FROM mark`;

/** The marks that touch the window (`null`: all), newest first, at most `most`. */
export function marksIn(
  store: Store,
  window: TimeWindow | null,
  most: number,
  filter: MarkFilter = {},
): MarkRecord[] {
  return prepared(
    store,
    `${MARK} WHERE at_us < ? AND coalesce(until_us, at_us) >= ? AND (? IS NULL OR gateway_eui = ?)
       AND (? IS NULL OR dev_addr = ?) AND (? IS NULL OR kind = ?)
     ORDER BY at_us DESC, id DESC LIMIT ?`,
  ).all(
    window?.toUs ?? Number.MAX_SAFE_INTEGER,
    window?.fromUs ?? Number.MIN_SAFE_INTEGER,
    ...[filter.gatewayEui, filter.devAddr, filter.kind].flatMap((value) => [value ?? null, value ?? null]),
    most,
  ) as MarkRecord[];
}
