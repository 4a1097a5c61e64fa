/**
 * How is a figure written? One place for signs, units, percentages and ages, so that no view invents its own.
 * Minus is U+2212; between figure and unit stands U+202F, a thin space at which a line does not break.
 */

/** The thin space between a figure and its unit. */
export const THIN = "\u202F";
/** The service writes thin spaces before units; on the page they must not let a line end between figure and unit. */
export function unbroken(text: string): string {
  return text.replaceAll("\u2009", THIN);
}

/** Stands where there is no figure. */
export const NOTHING = "–";

/** 1 234 567 with thin spaces, a true minus, and a fixed number of decimals; "–" for null or a non-number. */
export function figure(value: number | null | undefined, decimals = 0): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return NOTHING;
  const [whole = "", fraction] = Math.abs(value).toFixed(decimals).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, THIN);
  const text = fraction === undefined ? grouped : `${grouped}.${fraction}`;
  return value < 0 && /[1-9]/.test(text) ? `\u2212${text}` : text;
}

/** "−97 dBm": a figure and its unit; "–" alone when there is no figure. */
export function withUnit(value: number | null | undefined, decimals: number, unit: string): string {
  const text = figure(value, decimals);
  return text === NOTHING ? text : `${text}${THIN}${unit}`;
}

/** Power in dBm: whole figures are exact enough for a gateway's RSSI. */
export function dbm(value: number | null | undefined): string {
  return withUnit(value, 0, "dBm");
}

/** A ratio in dB with one decimal. */
export function db(value: number | null | undefined): string {
  return withUnit(value, 1, "dB");
}

/** A change with its sign always said: "+1.2 dB", "−3.0 dB". */
export function signedDb(value: number | null | undefined): string {
  const text = db(value);
  return typeof value === "number" && value > 0 && /[1-9]/.test(text) ? `+${text}` : text;
}

/**
 * A ratio 0…1 as a percentage. Never rounds to a certainty that is not there: 0.9996 is "> 99.9 %",
 * 0.0004 is "< 0.1 %".
 */
export function percent(ratio: number | null | undefined, decimals = 1): string {
  if (ratio === null || ratio === undefined || !Number.isFinite(ratio)) return NOTHING;
  const step = 10 ** -decimals;
  const value = ratio * 100;
  if (ratio > 0 && ratio < 1) {
    if (value < step / 2) return `<${THIN}${step.toFixed(decimals)}${THIN}%`;
    if (value > 100 - step / 2) return `>${THIN}${(100 - step).toFixed(decimals)}${THIN}%`;
  }
  const whole = ratio === 0 || ratio === 1;
  return withUnit(value, whole ? 0 : decimals, "%");
}

/** A 95 % interval of a ratio: "95.1–98.6 %". */
export function percentInterval(interval: readonly [number, number] | null): string {
  if (interval === null) return NOTHING;
  const [low, high] = interval;
  return `${figure(low * 100, 1)}–${figure(high * 100, 1)}${THIN}%`;
}

/** 868 100 000 Hz is "868.1 MHz"; no digit that matters is cut. */
export function megahertz(frequencyHz: number | null | undefined): string {
  if (frequencyHz === null || frequencyHz === undefined) return NOTHING;
  const digits = (frequencyHz / 1e6).toFixed(6).replace(/0+$/, "");
  return `${digits.endsWith(".") ? `${digits}0` : digits}${THIN}MHz`;
}

/** A length of time in its two largest parts: "41.2 ms", "45 s", "10 min", "1 h 30 min", "2 d 4 h". */
export function duration(seconds: number | null | undefined): string {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return NOTHING;
  if (seconds > 0 && seconds < 1) return withUnit(seconds * 1000, seconds < 0.1 ? 1 : 0, "ms");
  if (seconds < 10 && !Number.isInteger(seconds)) return withUnit(seconds, 1, "s");
  const whole = Math.round(seconds);
  const parts: [number, string][] = [
    [Math.floor(whole / 86_400), "d"],
    [Math.floor(whole / 3600) % 24, "h"],
    [Math.floor(whole / 60) % 60, "min"],
    [whole % 60, "s"],
  ];
  const first = parts.findIndex(([count]) => count > 0);
  if (first < 0) return `0${THIN}s`;
  return parts
    .slice(first, first + 2)
    .filter(([count]) => count > 0)
    .map(([count, unit]) => withUnit(count, 0, unit))
    .join(" ");
}

/** The size of a store or a file: "812 B", "1.2 MB" (decimal prefixes). */
export function fileSize(bytes: number | null | undefined): string {
  if (bytes === null || bytes === undefined) return NOTHING;
  const units = ["B", "kB", "MB", "GB", "TB"];
  let value = bytes;
  let unit = 0;
  while (value >= 999.5 && unit < units.length - 1) {
    value /= 1000;
    unit += 1;
  }
  return withUnit(value, unit === 0 || value >= 100 ? 0 : 1, units[unit] ?? "B");
}

/** "1 node", "3 nodes", "no nodes". */
export function counted(count: number, one: string, many = `${one}s`): string {
  if (count === 0) return `no ${many}`;
  return `${figure(count)} ${count === 1 ? one : many}`;
}

/** A device address or an identifier's short form for narrow places: "…0000 0012". */
export function shortEui(eui: string): string {
  return `…${eui.slice(-4)}`;
}

/** The name a person gave, else the gateway's identifier. */
export function gatewayTitle(gateway: { gatewayName: string | null; gatewayEui: string }): string {
  return gateway.gatewayName ?? gateway.gatewayEui;
}
