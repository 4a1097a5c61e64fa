/**
 * How weak may a LoRa signal be against the noise before the demodulator loses it?
 */

// SX1276/77/78/79 data sheet, Table 13; SX1272 data sheet Rev 2, Table 13 (SF6 to SF12).
// SF5: common practice, no source (the table extended by one step).
const FLOOR_DB: readonly number[] = [-2.5, -5, -7.5, -10, -12.5, -15, -17.5, -20];

/**
 * SNR floor in dB for SF5 to SF12; null for any other spreading factor and so for FSK.
 *
 * It is an SNR within the channel's bandwidth, hence the same at every bandwidth. A knee, not a cliff: expect frames
 * 2 to 3 dB below it and losses up to 5 dB above it (common practice, no source). Some papers use another
 * table (-6, -9, -12, -15, -17.5, -20 for SF7 to SF12); the data sheets win.
 */
export function demodulationFloorDb(spreadingFactor: number): number | null {
  return FLOOR_DB[spreadingFactor - 5] ?? null;
}
