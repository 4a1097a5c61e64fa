/** Which colours do drawings use? The page's tokens as they stand now; nothing is coloured by another list. */

export interface Inks {
  readonly paper: string;
  readonly sheet: string;
  readonly ink: string;
  readonly quiet: string;
  readonly line: string;
  readonly accent: string;
  readonly look: string;
  readonly bad: string;
  readonly sans: string;
  /** Okabe and Ito (2008): blue, vermilion, green, purple. */
  readonly series: readonly string[];
}

/** The tokens of base.css, read from the page. */
export function readInks(): Inks {
  const style = getComputedStyle(document.documentElement);
  const token = (name: string) => style.getPropertyValue(`--${name}`).trim();
  return {
    paper: token("paper"),
    sheet: token("sheet"),
    ink: token("ink"),
    quiet: token("quiet"),
    line: token("line"),
    accent: token("accent"),
    look: token("look"),
    bad: token("bad"),
    sans: token("sans"),
    series: [1, 2, 3, 4].map((index) => token(`series-${index}`)),
  };
}

/** Colour and dash of the n-th series: four colours, then the same again in dashes. */
export function seriesInk(inks: Inks, index: number): { colour: string; dash: number[] } {
  const colour = inks.series[index % inks.series.length] ?? inks.ink;
  const round = Math.floor(index / inks.series.length);
  return { colour, dash: round === 0 ? [] : [6, 3 * round] };
}
