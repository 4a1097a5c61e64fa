/** How fast does a gateway's counter run, over all stretches between its restarts? */
import type { TimeRange } from "../model/time-range.ts";
import { type CounterDrift, counterDrift } from "../radio/counter-drift.ts";
import { READING_CELL_US } from "../store/hours/packet-columns.ts";
import type { Store } from "../store/open.ts";
import { counterReadings } from "../store/queries/gateway-packets.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { removedToUs } from "../store/retention.ts";

/** Readings of a window at most, and so the width of the cells that each give one. */
const MAX_READINGS = 4_000;
/** Up to cells of this length, in windows of half a day, packets are read one by one. Chosen. */
const MAX_FINE_US = 10_800_000;
/** The newest stretches: a gateway that restarts all the time has no longer ones than these. */
const MAX_STRETCHES = 20;

/** `restartsUs`: when the counter restarted within the window, in order. */
export function driftOfGateway(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  restartsUs: readonly number[],
): CounterDrift {
  return onceAnAnswer(store, window, `drift ${gatewayId}`, () =>
    findDrift(store, gatewayId, window, restartsUs),
  );
}

function findDrift(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  restartsUs: readonly number[],
): CounterDrift {
  const begins = [window.fromUs, ...restartsUs].slice(-MAX_STRETCHES);
  const fromUs = begins[0] ?? window.fromUs;
  const finest = Math.max(1, Math.ceil((window.toUs - fromUs) / MAX_READINGS));
  // Of days, cells as they are gathered: a prompt packet of each ten minutes tells no less.
  const isFine = finest <= MAX_FINE_US && fromUs >= removedToUs(store);
  const cellUs = isFine ? finest : Math.ceil(finest / READING_CELL_US) * READING_CELL_US;
  return counterDrift(
    begins.map((beginUs, i) =>
      counterReadings(store, gatewayId, { fromUs: beginUs, toUs: begins[i + 1] ?? window.toUs }, cellUs),
    ),
  );
}
