/** Which small things do all sections of the report share: a state with its shape, a sentence, a table. */
import type { ComponentChildren } from "preact";
import type { Sentence as SentenceParts } from "../contract/common.ts";

const STATES: Readonly<Record<string, { readonly shape: string; readonly word: string }>> = {
  good: { shape: "✓", word: "good" },
  pass: { shape: "✓", word: "pass" },
  look: { shape: "▲", word: "needs a look" },
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
    <table class={keep ? "keep" : ""}>
      {caption === undefined ? null : <caption>{caption}</caption>}
      <thead>
        <tr>
          {columns.map(({ title, kind }) => (
            <th key={title} scope="col" class={kind ?? ""}>
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
              <td key={title} class={kind ?? ""}>
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

/** An address or identifier. */
export function Mono({ text }: { readonly text: string }) {
  return <span class="mono">{text}</span>;
}
