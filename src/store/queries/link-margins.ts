/** How did each gateway hear each transmission of a life? The evidence for what is said of its links. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { columnsOf } from "./statement.ts";

/** One hearing by one antenna; levels in tenths. */
export interface LinkHearing {
  readonly gatewayId: number;
  readonly frameId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly repeat: number;
  readonly dataRate: number;
  readonly frequencyHz: number | null;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
  readonly signalRssiTenths: number | null;
  readonly frequencyOffsetHz: number | null;
}

const COLUMNS = [
  "gateway_id",
  "frame_id",
  "at_us",
  "counter",
  "repeat",
  "data_rate",
  "frequency_hz",
  "snr_tenths",
  "rssi_tenths",
  "signal_rssi_tenths",
  "frequency_offset_hz",
];

/** Hearings of the newest `most` frames of the window, by gateway and time. Replays are none of the node's. */
export function linkHearings(
  store: Store,
  lifeId: number,
  { fromUs, toUs }: TimeWindow,
  most: number,
): LinkHearing[] {
  const columns = columnsOf(
    store,
    COLUMNS,
    `FROM (
       SELECT r.gateway_id, r.frame_id, r.at_us, f.counter, f.repeat, f.data_rate, r.frequency_hz, r.snr_tenths,
              r.rssi_tenths, r.signal_rssi_tenths, r.frequency_offset_hz
       FROM (SELECT id, counter, repeat, data_rate FROM frame
             WHERE life_id = ? AND at_us >= ? AND at_us < ? AND replay = 0 ORDER BY at_us DESC LIMIT ?) f
         CROSS JOIN reception r ON r.frame_id = f.id
       ORDER BY r.gateway_id, r.at_us, r.id)`,
    [lifeId, fromUs, toUs, most],
  );
  const [gatewayIds = []] = columns;
  return gatewayIds.map((gatewayId, i) => {
    const at = (column: number) => columns[column]?.[i] ?? null;
    return {
      gatewayId: gatewayId ?? 0,
      frameId: at(1) ?? 0,
      atUs: at(2) ?? 0,
      counter: at(3) ?? 0,
      repeat: at(4) ?? 0,
      dataRate: at(5) ?? 0,
      frequencyHz: at(6),
      snrTenths: at(7),
      rssiTenths: at(8),
      signalRssiTenths: at(9),
      frequencyOffsetHz: at(10),
    };
  });
}
