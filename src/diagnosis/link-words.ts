/** How are the figures of a link written? With a true minus, and a thin space at which no line breaks. */
const THIN = "\u202F";

/** "−6.1 dB" */
export function decibels(value: number, digits = 1): string {
  return withUnit(value, "dB", digits);
}

/** "−6.1" and its unit. */
export function withUnit(value: number, unit: string, digits: number): string {
  const text = Math.abs(value).toFixed(digits);
  return `${value < 0 && /[1-9]/.test(text) ? "\u2212" : ""}${text}${THIN}${unit}`;
}

/** "97.2 %"; never a certainty that is not there. */
export function share(ratio: number): string {
  const text = (ratio * 100).toFixed(1);
  if (ratio < 1 && text === "100.0") return `>${THIN}99.9${THIN}%`;
  if (ratio > 0 && text === "0.0") return `<${THIN}0.1${THIN}%`;
  return `${ratio === 1 || ratio === 0 ? (ratio * 100).toFixed(0) : text}${THIN}%`;
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** "09:40 UTC on 14 Mar": for readers of JSON and of commands; the dashboard writes local time. */
export function momentUtc(atUs: number): string {
  const at = new Date(Math.round(atUs / 60e6) * 60e3);
  return `${at.toISOString().slice(11, 16)} UTC on ${at.getUTCDate()} ${MONTHS[at.getUTCMonth()] ?? ""}`;
}

/** "p 0.002", "p < 0.001" */
export function pWords(p: number): string {
  return p < 0.001 ? `p <${THIN}0.001` : `p ${p.toPrecision(2)}`;
}
