/**
 * How often are all demodulators of a gateway busy?
 */

/** Demodulators for 125 kHz LoRa: SX1301 has 8; SX1302 16, of which 8 do not reach SF11 and SF12 (SX1302 data sheet). */
export const DEMODULATORS = { sx1301: 8, sx1302: 16 } as const;

/**
 * Chance that a frame finds every demodulator busy. Erlang's B formula by its recursion; `offeredErlang` is the sum of
 * rate x airtime over everything detected, foreign networks included. 1 % at 3.13 Erlang with 8 demodulators.
 */
export function erlangB(offeredErlang: number, servers: number): number {
  let blocking = 1;
  for (let k = 1; k <= servers; k += 1) {
    blocking = (offeredErlang * blocking) / (k + offeredErlang * blocking);
  }
  return blocking;
}
