/**
 * Which of two overlapping LoRa frames survives? By the ratio of their powers, as two published tables see it.
 */

/** Least signal-to-interference ratio in dB. Rows: wanted SF7 to SF12; columns: interferer SF7 to SF12. */
export type CaptureTable = readonly (readonly number[])[];

/** Goursaud and Gorce 2015 (theory), as carried by the ns-3 LoRaWAN module, lora-interference-helper.cc. */
export const CAPTURE_GOURSAUD_2015: CaptureTable = [
  [6, -16, -18, -19, -19, -20],
  [-24, 6, -20, -22, -22, -22],
  [-27, -27, 6, -23, -25, -25],
  [-30, -30, -30, 6, -26, -28],
  [-33, -33, -33, -33, 6, -29],
  [-36, -36, -36, -36, -36, 6],
];

/** Croce et al. 2018, DOI 10.1109/LCOMM.2018.2797057 (simulated and measured), as carried by public simulators. */
export const CAPTURE_CROCE_2018: CaptureTable = [
  [1, -8, -9, -9, -9, -9],
  [-11, 1, -11, -12, -13, -13],
  [-15, -13, 1, -13, -14, -15],
  [-19, -18, -17, 1, -17, -18],
  [-22, -22, -21, -20, 1, -20],
  [-25, -25, -25, -24, -23, 1],
];

/**
 * `survives` when both tables say so, `lost` when neither does, `unknown` where they differ (by 5 dB at equal
 * spreading factors, up to 13 dB otherwise), or for spreading factors outside 7 to 12.
 * Timing matters too and is not judged here: the stronger frame must come before the last 5 preamble symbols.
 */
export function captureOutcome(
  wantedSpreadingFactor: number,
  interferingSpreadingFactor: number,
  signalToInterferenceDb: number,
): "survives" | "unknown" | "lost" {
  const theory = CAPTURE_GOURSAUD_2015[wantedSpreadingFactor - 7]?.[interferingSpreadingFactor - 7];
  const measured = CAPTURE_CROCE_2018[wantedSpreadingFactor - 7]?.[interferingSpreadingFactor - 7];
  if (theory === undefined || measured === undefined) {
    return "unknown";
  }
  if (signalToInterferenceDb >= Math.max(theory, measured)) {
    return "survives";
  }
  return signalToInterferenceDb >= Math.min(theory, measured) ? "unknown" : "lost";
}
