/** How are rows shown? A plain table: sortable where asked, scrolling in its own frame when it is wide. */
import { Component, type ComponentChildren, type RefObject } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import type { Term } from "../../../src/words/glossary.ts";
import { Explained, ExplainMark, helper, termOf } from "./Explain.tsx";
import { LinkButton } from "./form.tsx";
import "./DataTable.css";

export interface Column<Row> {
  readonly head: string;
  /** What the order is called in the address bar, where it stands there; left out: the head. */
  readonly key?: string;
  /** The word of the glossary that explains the column, where its head alone does not name it. */
  readonly term?: Term;
  /** Beneath the head, such as the scale of what is drawn in the column. */
  readonly under?: ComponentChildren;
  readonly cell: (row: Row) => ComponentChildren;
  /** What the column is sorted by; a column without it is not sortable. Null goes last both ways. */
  readonly sort?: (row: Row) => number | string | null;
  /** Figures stand at the right. */
  readonly right?: boolean;
  /** Left out on a narrow screen, where the row's own page says it. */
  readonly wideOnly?: boolean;
}

/** For columns of figures. */
export const RIGHT = { right: true } as const;
/** For columns that a narrow screen leaves out. */
export const WIDE_ONLY = { wideOnly: true } as const;

type How<Row> = Omit<Column<Row>, "head" | "cell">;
type Cell<Row> = Column<Row>["cell"];

/** Returns a column with what stands in its cells, and how it is set and sorted. */
export function column<Row>(head: string, cell: Cell<Row>): Column<Row>;
export function column<Row>(head: string, how: How<Row>, cell: Cell<Row>): Column<Row>;
export function column<Row>(head: string, how: How<Row> | Cell<Row>, cell?: Cell<Row>): Column<Row> {
  if (typeof how === "function") return { head, cell: how };
  return { head, cell: cell ?? (() => null), ...how };
}

/** Returns a column of figures, at the right, sorted by the value that it writes. */
export function figureColumn<Row, Value extends number | null>(
  head: string,
  value: (row: Row) => Value,
  write: (value: Value) => ComponentChildren,
  how: How<Row> = {},
): Column<Row> {
  return { head, right: true, sort: value, cell: (row) => write(value(row)), ...how };
}

/** Returns a column of words, sorted by what it shows. */
export function textColumn<Row>(
  head: string,
  text: (row: Row) => string | null,
  how: How<Row> = {},
): Column<Row> {
  return { head, sort: text, cell: text, ...how };
}

/** `figureColumn` of a field of the row. */
export function figureField<Key extends string, Row extends { readonly [K in Key]: number | null }>(
  head: string,
  field: Key,
  write: (value: Row[Key]) => ComponentChildren,
  how: How<Row> = {},
): Column<Row> {
  return figureColumn(head, (row: Row) => row[field], write, how);
}

/** `textColumn` of a field of the row. */
export function textField<Key extends string, Row extends { readonly [K in Key]: string | null }>(
  head: string,
  field: Key,
  how: How<Row> = {},
): Column<Row> {
  return textColumn(head, (row: Row) => row[field], how);
}

/** What tells a column from the others of its table. */
function keyOf<Row>({ key, head }: Column<Row>): string {
  return key ?? head;
}

export interface Sorting {
  readonly key: string;
  readonly down: boolean;
}

export interface DataTableProps<Row> {
  readonly label: string;
  readonly columns: readonly Column<Row>[];
  readonly rows: readonly Row[];
  readonly rowKey: (row: Row) => string;
  /** Said in place of rows when there are none. */
  readonly none?: string;
  readonly sorting?: Sorting;
  /** Given when the order lives outside, as in the address bar. */
  readonly onSort?: (sorting: Sorting) => void;
  /** Many narrow columns: smaller, and no cell in two lines. */
  readonly dense?: boolean;
  /** Heads that are names: broken into lines, so that the figures beneath set the width. */
  readonly wrapHeads?: boolean;
  /** On a narrow screen each row is a card: every column stands in it, beneath the first. */
  readonly cards?: boolean;
  /** Its words are explained before it in the same part of the page. */
  readonly repeated?: boolean;
  /** Something opened beneath a row, or null. */
  readonly beneath?: (row: Row) => ComponentChildren;
}

/** Rows in the order of `sorting`; equal ones keep their order. */
export function sortRows<Row>(
  rows: readonly Row[],
  columns: readonly Column<Row>[],
  sorting: Sorting | undefined,
): Row[] {
  const value = columns.find((one) => keyOf(one) === sorting?.key)?.sort;
  if (value === undefined || sorting === undefined) return [...rows];
  const sign = sorting.down ? -1 : 1;
  return [...rows].sort((a, b) => {
    const [x, y] = [value(a), value(b)];
    if (x === null || y === null) return Number(x === null) - Number(y === null);
    if (typeof x === "string" || typeof y === "string") return sign * String(x).localeCompare(String(y));
    return sign * (x - y);
  });
}

export function DataTable<Row>(props: DataTableProps<Row>) {
  const { label, columns, rows, rowKey, none, beneath } = props;
  const [own, setOwn] = useState<Sorting | undefined>(props.sorting);
  const sorting = props.onSort === undefined ? own : props.sorting;
  const body = useRef<HTMLTableSectionElement>(null);
  const part = useWindowedRows(body, rows.length);
  const choose = (key: string) => {
    const next = { key, down: sorting?.key === key ? !sorting.down : false };
    if (props.onSort === undefined) setOwn(next);
    else props.onSort(next);
  };
  if (rows.length === 0 && none !== undefined) return <p class="quiet">{none}</p>;
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: a frame that scrolls must be reachable by keyboard
    <section class="table-frame" aria-label={label} tabIndex={0}>
      {props.cards === true ? (
        <p class="table-words screen-only">
          <LinkButton class="link small" onClick={() => (helper.value = { kind: "words" })}>
            what the words mean
          </LinkButton>
        </p>
      ) : null}
      <table
        aria-rowcount={part === null ? undefined : rows.length + 1}
        class={`table ${props.dense === true ? "table-dense" : ""} ${props.wrapHeads === true ? "table-wrap-heads" : ""} ${props.cards === true ? "table-cards" : ""}`.trim()}
      >
        <thead>
          <tr>
            {explained(columns, props.repeated === true).map(({ column, term }) => (
              <th
                key={keyOf(column)}
                scope="col"
                class={classes(column)}
                aria-sort={ariaSort(column, sorting)}
              >
                {column.sort === undefined ? (
                  <Explained text={column.head} term={term} />
                ) : (
                  <span class="head-words">
                    <LinkButton onClick={() => choose(keyOf(column))}>
                      {column.head}
                      <span aria-hidden="true">
                        {sorting?.key === keyOf(column) ? (sorting.down ? " ↓" : " ↑") : ""}
                      </span>
                    </LinkButton>
                    {term === null ? null : <ExplainMark text={column.head} term={term} />}
                  </span>
                )}
                {column.under ?? null}
              </th>
            ))}
          </tr>
        </thead>
        <tbody ref={body}>
          {part === null || part.first === 0 ? null : <Empty px={part.first * part.rowPx} />}
          {sortRows(rows, columns, sorting)
            .slice(part?.first, part?.end)
            .map((row, at) => {
              const opened = beneath?.(row) ?? null;
              return [
                <TableRow
                  key={rowKey(row)}
                  row={row}
                  columns={columns}
                  cards={props.cards === true}
                  index={part === null ? null : part.first + at + 2}
                />,
                opened === null ? null : (
                  <tr key={`${rowKey(row)}-opened`} class="table-opened">
                    <td colSpan={columns.length}>{opened}</td>
                  </tr>
                ),
              ];
            })}
          {part === null || part.end >= rows.length ? null : (
            <Empty px={(rows.length - part.end) * part.rowPx} />
          )}
        </tbody>
      </table>
    </section>
  );
}

interface TableRowProps<Row> {
  readonly row: Row;
  readonly columns: readonly Column<Row>[];
  readonly cards: boolean;
  /** Among all rows, where only a part of them is drawn. */
  readonly index: number | null;
}

/** One row; where neither it nor the columns are others than before, nothing of it is made again. */
class TableRow<Row> extends Component<TableRowProps<Row>> {
  override shouldComponentUpdate(next: TableRowProps<Row>): boolean {
    const { row, columns, cards, index } = this.props;
    return row !== next.row || columns !== next.columns || cards !== next.cards || index !== next.index;
  }

  override render({ row, columns, cards, index }: TableRowProps<Row>) {
    return (
      <tr data-row="" aria-rowindex={index ?? undefined}>
        {columns.map((column) => (
          <td key={keyOf(column)} class={classes(column)} data-head={cards ? column.head : undefined}>
            {column.cell(row)}
          </td>
        ))}
      </tr>
    );
  }
}

/** Each column with the word that explains it; a word that stands in several heads is explained at the first. */
function explained<Row>(columns: readonly Column<Row>[], repeated: boolean) {
  const seen = new Set<Term>();
  return columns.map((column) => {
    const term = column.term ?? termOf(column.head);
    if (repeated || term === undefined || seen.has(term)) return { column, term: null };
    seen.add(term);
    return { column, term };
  });
}

/** Stands for rows that are not drawn. */
function Empty({ px }: { px: number }) {
  return (
    <tr class="table-empty">
      <td style={{ height: `${px}px` }} />
    </tr>
  );
}

function classes<Row>(column: Column<Row>): string {
  return `${column.right === true ? "right" : ""}${column.wideOnly === true ? " wide-only" : ""}`.trim();
}

function ariaSort<Row>(column: Column<Row>, sorting: Sorting | undefined) {
  if (sorting?.key !== keyOf(column)) return "none";
  return sorting.down ? "descending" : "ascending";
}

// Which rows of a long table are drawn? Those near the screen; empty rows above and below keep the page's length.

/** Shorter tables are drawn whole: so the browser's own search finds every row. Chosen. */
const WHOLE_UP_TO = 60;
/** Drawn beyond each edge of the screen, so that a quick scroll shows no white. */
const BEYOND = 6;
/** Until rows were measured. */
const FIRST_GUESS_PX = 64;

interface Part {
  readonly first: number;
  /** One after the last. */
  readonly end: number;
  readonly rowPx: number;
}

/** Returns the part of `count` rows that lies within `[topPx, bottomPx]` of the table's own pixels, and a little more. */
export function partInSight(count: number, rowPx: number, topPx: number, bottomPx: number): Part {
  const first = Math.min(count, Math.max(0, Math.floor(topPx / rowPx) - BEYOND));
  const end = Math.max(first, Math.min(count, Math.ceil(bottomPx / rowPx) + BEYOND));
  return { first, end, rowPx };
}

/** The rows to draw of a table body; null: all of them. Follows scroll and size; paper gets every row. */
function useWindowedRows(body: RefObject<HTMLTableSectionElement | null>, count: number): Part | null {
  const isLong = count > WHOLE_UP_TO;
  const [part, setPart] = useState<Part>({ first: 0, end: WHOLE_UP_TO / 2, rowPx: FIRST_GUESS_PX });
  const [isPrinted, setPrinted] = useState(false);
  useLayoutEffect(() => {
    if (!isLong) return;
    const look = () => {
      const element = body.current;
      if (element === null) return;
      const drawn = [...element.querySelectorAll<HTMLElement>("tr[data-row]")];
      const [first, last] = [drawn[0]?.getBoundingClientRect(), drawn.at(-1)?.getBoundingClientRect()];
      const measured =
        first === undefined || last === undefined ? 0 : (last.bottom - first.top) / drawn.length;
      const { top } = element.getBoundingClientRect();
      setPart((before) => {
        // A new mean of a pixel or less would only make the page tremble.
        const rowPx =
          measured > 0 && Math.abs(measured - before.rowPx) > before.rowPx * 0.05 ? measured : before.rowPx;
        const next = partInSight(count, rowPx, -top, innerHeight - top);
        return next.first === before.first && next.end === before.end && rowPx === before.rowPx
          ? before
          : next;
      });
    };
    look();
    let asked = 0;
    const later = () => {
      cancelAnimationFrame(asked);
      asked = requestAnimationFrame(look);
    };
    addEventListener("scroll", later, { passive: true });
    addEventListener("resize", later);
    return () => {
      cancelAnimationFrame(asked);
      removeEventListener("scroll", later);
      removeEventListener("resize", later);
    };
  }, [isLong, count]);
  useEffect(() => {
    const query = matchMedia("print");
    const follow = () => setPrinted(query.matches);
    query.addEventListener("change", follow);
    return () => query.removeEventListener("change", follow);
  }, []);
  return isLong && !isPrinted ? part : null;
}
