/** Figures as answers carry them: rounded numbers, and levels out of the tenths that the store keeps. No −0. */

/** Returns the value to so many decimals; null stays null. */
export function rounded(value: number, decimals: number): number;
export function rounded(value: number | null, decimals: number): number | null;
export function rounded(value: number | null, decimals: number): number | null {
  return value === null ? null : Math.round(value * 10 ** decimals) / 10 ** decimals + 0;
}

/** Returns a level in dB or dBm out of tenths; null stays null. */
export function fromTenths(tenths: number | null): number | null {
  return tenths === null ? null : tenths / 10;
}
