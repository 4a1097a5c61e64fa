/**
 * Which shade stands for a share? Cividis (Nuñez, Anderton, Renslow 2018, "Optimizing colormaps with
 * consideration for color vision deficiency"): perceptually uniform, the same to colour-blind eyes.
 */

// Polynomial fit of the published map in eight-bit channels, highest power last; from memory, ends checked by a test.
const RED = [-4.54, -35.34, 2381.73, -6402.7, 7024.72, -2710.57];
const GREEN = [32.49, 170.73, 52.82, -131.46, 176.58, -67.37];
const BLUE = [81.24, 442.36, -2482.43, 6167.24, -6614.94, 2475.67];

/** Red, green and blue, 0…255, of a share 0…1. */
export function cividis(share: number): [number, number, number] {
  const t = Math.min(1, Math.max(0, share));
  return [RED, GREEN, BLUE].map((fit) => {
    const value = fit.reduceRight((sum, factor) => sum * t + factor, 0);
    return Math.min(255, Math.max(0, Math.round(value)));
  }) as [number, number, number];
}

/** The round number, 1 % to 100 %, up to which a scale must reach to hold `largest`. */
export function scaleTop(largest: number): number {
  return [0.01, 0.02, 0.05, 0.1, 0.2, 0.5].find((top) => largest <= top) ?? 1;
}
