/** Which small things do all sections of the report share: a state with its shape, a sentence, a table. */
import type { ComponentChildren } from "preact";
import type { Sentence as SentenceParts } from "../contract/common.ts";

export const STATES: Readonly<Record<string, { readonly shape: string; readonly word: string }>> = {
  good: { shape: "✓", word: "good" },
  pass: { shape: "✓", word: "pass" },
  look: { shape: "▲", word: "check" },
  warn: { shape: "▲", word: "warn" },
  marginal: { shape: "▲", word: "marginal" },
  bad: { shape: "✕", word: "bad" },
  dead: { shape: "✕", word: "dead" },
  fail: { shape: "✕", word: "fail" },
  waiting: { shape: "○", word: "waiting" },
};

/** A state as word and shape; colour only adds. */
export function State({ state }: { readonly state: string }) {
  const { shape, word } = STATES[state] ?? { shape: "○", word: state };
  return (
    <span class={`state ${state}`}>
      {shape} {word}
    </span>
  );
}

/** A view's sentence; its links lead nowhere on paper and are left out. */
export function Sentence({ parts }: { readonly parts: SentenceParts }) {
  return <p class="lead">{parts.map(({ text }) => text).join("")}</p>;
}

export interface Column<Row> {
  readonly title: string;
  readonly of: (row: Row) => ComponentChildren;
  /** Figures stand right; words are given room. */
  readonly kind?: "number" | "words";
}

export interface TableProps<Row> {
  readonly caption?: string;
  readonly columns: readonly Column<Row>[];
  readonly rows: readonly Row[];
  /** A short table that must not be torn between pages. */
  readonly keep?: boolean;
}

/** A table whose head is repeated on every page that it runs over. */
export function Table<Row>({ caption, columns, rows, keep = false }: TableProps<Row>) {
  return (
    <table class={keep ? "keep" : undefined}>
      {caption === undefined ? null : <caption>{caption}</caption>}
      <thead>
        <tr>
          {columns.map(({ title, kind }) => (
            <th key={title} scope="col" class={kind}>
              {title}
            </th>
          ))}
        </tr>
      </thead>
      <tbody>
        {rows.map((row, index) => (
          // Rows of a page that is written once never move.
          <tr key={index}>
            {columns.map(({ title, of, kind }) => (
              <td key={title} class={kind}>
                {of(row)}
              </td>
            ))}
          </tr>
        ))}
      </tbody>
    </table>
  );
}

/** A gateway's name with its identifier, or the identifier alone. */
export function GatewayTitle({ name, eui }: { readonly name: string | null; readonly eui: string }) {
  return name === null ? (
    <Mono text={eui} />
  ) : (
    <>
      {name} <Mono text={eui} />
    </>
  );
}

/** A gateway in a drawing: its name, else its whole identifier. */
export function nameOrEui(name: string | null, eui: string): string {
  return name ?? eui;
}

/** An address or identifier. */
export function Mono({ text }: { readonly text: string }) {
  return <span class="mono">{text}</span>;
}

// Moments as the report writes them: in one zone, named once on the first page.

/** Writes moments of one time zone. */
export class Clock {
  readonly #moment: Intl.DateTimeFormat;
  readonly #minute: Intl.DateTimeFormat;
  readonly #day: Intl.DateTimeFormat;
  readonly #zone: Intl.DateTimeFormat;
  readonly timeZone: string;

  /** `timeZone`: an IANA name; throws RangeError when there is none of that name. */
  constructor(timeZone: string) {
    this.timeZone = timeZone;
    const day = { timeZone, day: "numeric", month: "short", year: "numeric" } as const;
    const minute = { timeZone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" } as const;
    this.#moment = new Intl.DateTimeFormat("en-GB", { ...day, ...minute });
    this.#minute = new Intl.DateTimeFormat("en-GB", minute);
    this.#day = new Intl.DateTimeFormat("en-GB", { timeZone, day: "numeric", month: "short" });
    this.#zone = new Intl.DateTimeFormat("en-GB", { timeZone, timeZoneName: "longOffset" });
  }

  /** "14 Mar 2026, 09:40". */
  moment(iso: string): string {
    return this.#moment.format(new Date(iso));
  }

  /** A moment as short as its surroundings allow: "09:40" in a stretch of one day, else "14 Mar, 09:40"; the year where it is another. */
  near(iso: string, from: string, to: string): string {
    const day = (one: string) => this.moment(one).split(",")[0] ?? "";
    if (day(iso) === day(from) && day(iso) === day(to)) return this.minute(iso);
    const year = (one: string) => day(one).split(" ").at(-1);
    if (year(iso) !== year(from)) return this.moment(iso);
    return `${this.#day.format(new Date(iso))}, ${this.minute(iso)}`;
  }

  /** "09:40". */
  minute(iso: string): string {
    return this.#minute.format(new Date(iso));
  }

  /** A label of a time axis: "09:40", at midnight the day: "14 Mar". */
  tick(ms: number): string {
    const time = this.#minute.format(ms);
    return time === "00:00" ? this.#day.format(ms) : time;
  }

  /** "14 Mar 2026, 09:00 to 15 Mar 2026, 09:00"; the date once when it is one day. */
  stretch(from: string, to: string): string {
    const [begin, end] = [this.moment(from), this.moment(to)];
    const sameDay = begin.split(",")[0] === end.split(",")[0];
    return `${begin} to ${sameDay ? this.minute(to) : end}`;
  }

  /** "Europe/Berlin (UTC+1)" as it was at a moment. */
  zoneAt(iso: string): string {
    if (this.timeZone === "UTC") return "UTC";
    const part = this.#zone.formatToParts(new Date(iso)).find(({ type }) => type === "timeZoneName");
    // "GMT+02:00" is written UTC+2, "GMT-03:30" UTC−3:30.
    const offset = (part?.value ?? "GMT")
      .replace("GMT", "UTC")
      .replace(/([+-])0(\d)/, "$1$2")
      .replace(":00", "")
      .replace("-", "\u2212");
    return `${this.timeZone} (${offset})`;
  }
}
