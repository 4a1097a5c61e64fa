/**
 * How strong is the signal itself, and by which of three figures? One series never mixes them.
 */
import { expectedSignalPowerDbm } from "./noise.ts";

/** `signal-rssi`: the modem's signal-only average. `esp`: from channel RSSI and SNR. `channel-rssi`: FSK, noise included. */
export type SignalPowerSource = "signal-rssi" | "esp" | "channel-rssi";

export interface PowerReadings {
  readonly rssiDbm: number | null;
  readonly signalRssiDbm: number | null;
  readonly snrDb: number | null;
}

/**
 * The figure to use for a whole series: signal RSSI when every frame with an RSSI has one, else ESP when any frame
 * has an SNR, else the channel RSSI. A series that gains signal RSSI midway keeps ESP, so that the change of figure
 * does not look like a change of the link.
 */
export function chooseSignalPowerSource(series: Iterable<PowerReadings>): SignalPowerSource {
  let readings = 0;
  let withSignalRssi = 0;
  let withSnr = 0;
  for (const frame of series) {
    if (frame.rssiDbm !== null || frame.signalRssiDbm !== null) {
      readings += 1;
      withSignalRssi += frame.signalRssiDbm === null ? 0 : 1;
      withSnr += frame.snrDb === null || frame.rssiDbm === null ? 0 : 1;
    }
  }
  if (readings > 0 && withSignalRssi === readings) {
    return "signal-rssi";
  }
  return withSnr > 0 ? "esp" : "channel-rssi";
}

/** Signal power of one frame by the chosen figure, dBm; null when that frame lacks what the figure needs. */
export function signalPowerDbm(frame: PowerReadings, source: SignalPowerSource): number | null {
  switch (source) {
    case "signal-rssi":
      return frame.signalRssiDbm;
    case "esp":
      return frame.rssiDbm === null || frame.snrDb === null
        ? null
        : expectedSignalPowerDbm(frame.rssiDbm, frame.snrDb);
    case "channel-rssi":
      return frame.rssiDbm;
  }
}
