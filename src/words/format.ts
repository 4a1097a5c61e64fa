/**
 * Figures as text, for screen, paper, sentences and the commands alike: one rule for each kind of figure. JSON and CSV
 * carry plain numbers instead. Minus is U+2212. Between thousands, and between a figure and its unit, stands U+202F, a
 * narrow space at which no line breaks.
 */

/** The narrow no-break space between a figure and its unit, and between thousands. */
export const THIN = "\u202F";

/** Stands where there is no figure. */
export const NOTHING = "–";

type Figure = number | null | undefined;

const isFigure = (value: Figure): value is number => typeof value === "number" && Number.isFinite(value);

/** Returns "1 234.5" with a true minus and a fixed number of decimals; "–" without a finite number. No "−0". */
export function figure(value: Figure, decimals = 0): string {
  if (!isFigure(value)) return NOTHING;
  const [whole = "", fraction] = Math.abs(value).toFixed(decimals).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, THIN);
  const text = fraction === undefined ? grouped : `${grouped}.${fraction}`;
  return value < 0 && /[1-9]/.test(text) ? `\u2212${text}` : text;
}

/** Returns a figure with its sign always shown: "+2.9", "−0.4", and "0.0" for what rounds to nothing. */
export function signed(value: Figure, decimals = 1): string {
  const text = figure(value, decimals);
  return isFigure(value) && value > 0 && /[1-9]/.test(text) ? `+${text}` : text;
}

/** Returns "−97 dBm": a figure and its unit; "–" alone without a figure. */
export function withUnit(value: Figure, decimals: number, unit: string): string {
  return isFigure(value) ? `${figure(value, decimals)}${THIN}${unit}` : NOTHING;
}

/** Returns a power in whole dBm, as exact as a gateway's RSSI: "−97 dBm". */
export function dbm(value: Figure): string {
  return withUnit(value, 0, "dBm");
}

/** Returns a ratio in dB with one decimal: "6.2 dB". */
export function decibel(value: Figure): string {
  return withUnit(value, 1, "dB");
}

/** Returns a change in dB with its sign always shown: "+1.2 dB", "−3.0 dB". */
export function signedDb(value: Figure): string {
  return signedWithUnit(value, 1, "dB");
}

/** Returns how large a fall or rise is, with its interval where there is one: "at least 6.1 dB (5.2 to 7.0)". No sign. */
export function sizeInDb({
  sizeDb,
  sizeInterval95,
  atLeast,
}: {
  readonly sizeDb: number;
  readonly sizeInterval95: readonly [number, number] | null;
  readonly atLeast: boolean;
}): string {
  const size = `${atLeast ? "at least " : ""}${decibel(Math.abs(sizeDb))}`;
  if (sizeInterval95 === null) return size;
  const [low, high] = sizeDb < 0 ? [-sizeInterval95[1], -sizeInterval95[0]] : sizeInterval95;
  return `${size} (${figure(low, 1)} to ${figure(high, 1)})`;
}

/** Returns a change with its sign always shown, and its unit: "+3.20 ppm"; "–" alone without a figure. */
export function signedWithUnit(value: Figure, decimals: number, unit: string): string {
  return isFigure(value) ? `${signed(value, decimals)}${THIN}${unit}` : NOTHING;
}

/**
 * Returns a ratio of 0 to 1 as a percentage with one decimal: "97.2 %". "0 %" and "100 %" only where exact; 0.9996 is
 * "> 99.9 %" and 0.0004 is "< 0.1 %".
 */
export function percent(ratio: Figure, decimals = 1): string {
  if (!isFigure(ratio)) return NOTHING;
  if (ratio === 0 || ratio === 1) return withUnit(ratio * 100, 0, "%");
  const step = 10 ** -decimals;
  const least = step.toFixed(decimals);
  const text = (ratio * 100).toFixed(decimals);
  if (ratio > 0 && Number(text) === 0) return `<${THIN}${least}${THIN}%`;
  if (ratio < 1 && Number(text) >= 100) return `>${THIN}${(100 - step).toFixed(decimals)}${THIN}%`;
  return withUnit(ratio * 100, decimals, "%");
}

/**
 * Returns a ratio of 0 to 1 as a percentage within a sentence, with two digits or so: "97 %", "2.4 %", "0.25 %". What is
 * near all or nothing keeps a digit more: "99.4 %", "<0.01 %"; 0.9996 is "99.9 %".
 */
export function percentInWords(ratio: number): string {
  const value = ratio * 100;
  // Little is not nothing.
  if (value > 0 && value < 0.005) return `<0.01${THIN}%`;
  const digits = value === 100 || value === 0 ? 0 : value < 1 ? 2 : value < 10 || value > 99 ? 1 : 0;
  // 99.96 must not print as 100 when something was lost.
  const rounded = value < 100 && value > 99.9 ? "99.9" : value.toFixed(digits);
  return `${rounded}${THIN}%`;
}

/** Returns an interval of two ratios, the unit once: "95.1–98.6 %". */
export function percentInterval(interval: readonly [number, number] | null): string {
  if (interval === null) return NOTHING;
  const [low, high] = interval;
  return `${figure(low * 100, 1)}–${figure(high * 100, 1)}${THIN}%`;
}

/** Returns a frequency in MHz without the unit, as short as exact, at least one decimal: 867312500 Hz is "867.3125". */
export function megahertzFigure(frequencyHz: number): string {
  const digits = (frequencyHz / 1e6).toFixed(6).replace(/0+$/, "");
  return digits.endsWith(".") ? `${digits}0` : digits;
}

/** Returns a frequency in Hz as "868.1 MHz"; "–" without one. */
export function megahertz(frequencyHz: Figure): string {
  return isFigure(frequencyHz) ? `${megahertzFigure(frequencyHz)}${THIN}MHz` : NOTHING;
}

/** Returns a probability of chance, as statistics give it: "0.42", "0.012", "< 0.001". */
export function probability(p: Figure): string {
  if (!isFigure(p)) return NOTHING;
  return p < 0.001 ? `<${THIN}0.001` : figure(p, p < 0.1 ? 3 : 2);
}

/**
 * Returns a length of time in its two largest units: "41.2 ms", "2.5 s", "45 s", "1 h 30 min", "2 d 4 h". Below a
 * second in ms, below ten with one decimal unless whole; the lesser unit is rounded, and left out where it is 0.
 */
export function duration(seconds: Figure): string {
  if (!isFigure(seconds)) return NOTHING;
  if (seconds < 0) return `\u2212${duration(-seconds)}`;
  if (seconds > 0 && seconds < 0.9995) return withUnit(seconds * 1000, seconds < 0.09995 ? 1 : 0, "ms");
  if (seconds < 9.95) return withUnit(seconds, Number.isInteger(seconds) ? 0 : 1, "s");
  const whole = Math.round(seconds);
  if (whole < 60) return withUnit(whole, 0, "s");
  if (whole < 3600) return inTwo(whole, 60, "min", "s");
  const minutes = Math.round(seconds / 60);
  if (minutes < 24 * 60) return inTwo(minutes, 60, "h", "min");
  return inTwo(Math.round(seconds / 3600), 24, "d", "h");
}

/**
 * Returns a length of time that is only estimated, a minute or more, rounded up to about two digits: "9 min", "3 h 30 min",
 * "13 h", "1 d 4 h".
 */
export function roughDuration(seconds: number): string {
  const minutes = Math.max(1, Math.ceil(seconds / 60));
  const hours = minutes / 60;
  if (hours < 1) return duration(60 * minutes);
  if (hours < 10) return duration(600 * Math.ceil(minutes / 10));
  if (hours < 24) return duration(3_600 * Math.ceil(hours));
  return duration(hours < 240 ? 14_400 * Math.ceil(hours / 4) : 86_400 * Math.ceil(hours / 24));
}

function inTwo(amount: number, ratio: number, unit: string, lesser: string): string {
  const rest = amount % ratio;
  const most = withUnit(Math.floor(amount / ratio), 0, unit);
  return rest === 0 ? most : `${most} ${withUnit(rest, 0, lesser)}`;
}

/** Returns the name of a live window: "last hour", "last 15 min", "last 1 d". */
export function lastName(seconds: number): string {
  return Math.abs(seconds - 3600) < 2 ? "last hour" : `last ${duration(seconds)}`;
}

/** Returns a length of time given in milliseconds, written as `duration` does. */
export function milliseconds(ms: Figure): string {
  return duration(isFigure(ms) ? ms / 1000 : null);
}

/** Returns the size of a store or a file with decimal prefixes: "812 B", "1.2 MB". */
export function fileSize(bytes: Figure): string {
  if (!isFigure(bytes)) return NOTHING;
  const units = ["B", "kB", "MB", "GB", "TB"];
  let value = bytes;
  let unit = 0;
  while (value >= 999.5 && unit < units.length - 1) {
    value /= 1000;
    unit += 1;
  }
  return withUnit(value, unit === 0 || value >= 99.95 ? 0 : 1, units[unit] ?? "B");
}

const STAMP = /\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z/g;

/** Returns a sentence with each ISO 8601 moment in it written by `write`: screen and paper tell local time. */
export function withMoments(sentence: string, write: (ms: number) => string): string {
  return sentence.replace(STAMP, (stamp) => write(Date.parse(stamp)));
}

/** Returns a count and its noun: "1 node", "1 204 nodes", "0 nodes". */
export function plural(count: number, one: string, many = `${one}s`): string {
  return `${figure(count)} ${count === 1 ? one : many}`;
}

/** Returns a count and its noun for the start or the middle of a sentence: "1 node", "3 nodes", "no nodes". */
export function counted(count: number, one: string, many = `${one}s`): string {
  return count === 0 ? `no ${many}` : plural(count, one, many);
}

/** Returns "a, b and c"; empty for an empty list. */
export function listed(parts: readonly string[]): string {
  const last = parts.at(-1) ?? "";
  return parts.length < 2 ? last : `${parts.slice(0, -1).join(", ")} and ${last}`;
}

// How is it said that receptions were removed by the rule of what is kept? One wording for screen, commands and errors.

/** What is kept. Both null: everything. */
export interface KeptRule {
  /** Days before the newest datagram. */
  readonly maxAgeDays: number | null;
  /** Octets of the store's file. */
  readonly maxBytes: number | null;
}

/** Returns the rule in words: "90 days", "2 GB", "90 days and 2 GB"; "everything" without one. */
export function keptRuleText({ maxAgeDays, maxBytes }: KeptRule): string {
  const parts = [
    ...(maxAgeDays === null ? [] : [plural(maxAgeDays, "day")]),
    ...(maxBytes === null ? [] : [fileSize(maxBytes)]),
  ];
  return parts.length === 0 ? "everything" : parts.join(" and ");
}

/** An answer begins behind the time whose receptions were removed, rests on its hours, or tells those of its figures that are sums. */
export type RemovedBasis = "cut" | "hours" | "sums";

const BASES: Readonly<Record<RemovedBasis, string>> = {
  cut: "This answer begins there.",
  hours: "Before that, this answer rests on whole hours.",
  sums: "Before that, sums rest on whole hours, and what rests on single receptions is left out.",
};

/** Returns how an answer goes about the time whose receptions were removed. */
export function removedBasis(basis: RemovedBasis): string {
  return BASES[basis];
}

/** Returns the sentence; `before`: the moment as the reader is shown times, `rule`: as it was when they were removed. */
export function removedSentence(before: string, rule: string): string {
  return `Receptions before ${before} were removed by the rule of ${rule}; sums of whole hours, gaps and findings remain.`;
}
