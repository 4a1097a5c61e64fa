/** How are receptions listed? Newest first, a line each; one opens its frame in place. */
import { useEffect, useMemo, useState } from "preact/hooks";
import type { Problem } from "../../../src/contract/common.ts";
import type { ReceptionPage, ReceptionRow } from "../../../src/contract/nodes.ts";
import { dbm, decibel, duration, figure, megahertz } from "../../../src/words/format.ts";
import { fullDate, gatewayTitle, preciseTime } from "../format.ts";
import { getJson, problemWords } from "../state/api.ts";
import { now } from "../state/clock.ts";
import { type Column, column, DataTable, RIGHT } from "./DataTable.tsx";
import { FrameOpened } from "./Frame.tsx";
import { Button, LinkButton } from "./form.tsx";

export interface ReceptionTableProps {
  readonly list: ReceptionList;
  /** Given where receptions of several nodes stand together. */
  readonly withNode?: boolean;
  readonly none: string;
}

/** The table, and the button for older ones. */
export function ReceptionTable({ list, withNode = false, none }: ReceptionTableProps) {
  const [opened, setOpened] = useState<number | null>(null);
  // Times name their day where it is not today: the columns stay the same until it is another.
  const today = fullDate(now.value);
  const columns = useMemo(
    () => columnsOf(withNode, opened, setOpened, now.peek()),
    [withNode, opened, today],
  );
  return (
    <>
      {list.problem === null ? null : (
        <p class="notice notice-bad" role="alert">
          ✕ {problemWords(list.problem)}
        </p>
      )}
      <DataTable
        dense
        label="Receptions, newest first"
        columns={columns}
        rows={list.rows}
        rowKey={(one) => String(one.id)}
        beneath={(one) =>
          opened === one.id && one.frameId !== null ? (
            <FrameOpened key={one.frameId} id={one.frameId} onClose={() => setOpened(null)} />
          ) : null
        }
        {...(list.loading ? {} : { none })}
      />
      {list.more ? (
        <p class="beneath">
          <Button class="plain screen-only" disabled={list.loading} onClick={list.older}>
            show 50 older
          </Button>
        </p>
      ) : null}
    </>
  );
}

function columnsOf(
  withNode: boolean,
  opened: number | null,
  open: (id: number | null) => void,
  nowMs: number,
): readonly Column<ReceptionRow>[] {
  return [
    column("Time", (one) =>
      one.frameId === null ? (
        preciseTime(Date.parse(one.at), nowMs)
      ) : (
        <LinkButton
          class="link nowrap"
          aria-expanded={opened === one.id}
          onClick={() => open(opened === one.id ? null : one.id)}
        >
          {preciseTime(Date.parse(one.at), nowMs)}
        </LinkButton>
      ),
    ),
    ...(withNode ? [column("Node", (one: ReceptionRow) => one.nodeName ?? one.devAddr ?? "–")] : []),
    column("FCnt", RIGHT, (one) => one.counter ?? "–"),
    column("Gateway", gatewayTitle),
    column("What", what),
    column("Channel", RIGHT, (one) => megahertz(one.frequencyHz)),
    column("Data rate", (one) => one.dataRate),
    column("RSSI", RIGHT, (one) => dbm(one.rssiDbm)),
    column("SNR", RIGHT, (one) => decibel(one.snrDb)),
    column("Margin", RIGHT, (one) => decibel(one.marginDb)),
    column("Airtime", RIGHT, airtimeText),
    column("Octets", RIGHT, (one) => figure(one.size)),
  ];
}

function what(one: ReceptionRow): string {
  const parts = [one.port === null ? one.messageType : `${one.messageType}, FPort ${one.port}`];
  if (one.repeat) parts.push("repeat");
  if (one.ghost) parts.push("weak copy, not counted");
  return parts.join(", ");
}

function airtimeText(one: ReceptionRow): string {
  return one.airtimeNotKnown ?? duration(one.airtimeMs / 1000);
}

// Which receptions lie beneath a figure or a sentence? Newest first, a page at a time.

interface ReceptionQuery {
  /** Null: of every node. */
  readonly devAddr: string | null;
  /** With an address; null: the first life. */
  readonly life: number | null;
  /** Null: of every gateway. */
  readonly gatewayEui: string | null;
  readonly from: string;
  readonly to: string;
}

interface ReceptionList {
  readonly rows: readonly ReceptionRow[];
  readonly more: boolean;
  readonly loading: boolean;
  readonly problem: Problem | null;
  older(): void;
}

const PAGE = 50;

/** The newer rows, each the very object of before where nothing of it changed: its table row is then left as it is. */
function sameWhereEqual(before: readonly ReceptionRow[], after: readonly ReceptionRow[]): ReceptionRow[] {
  const known = new Map(before.map((row) => [row.id, row]));
  return after.map((row) => {
    const old = known.get(row.id);
    return old !== undefined && JSON.stringify(old) === JSON.stringify(row) ? old : row;
  });
}

interface Held {
  readonly of: string;
  readonly rows: readonly ReceptionRow[];
  readonly next: string | null;
  readonly loading: boolean;
  readonly problem: Problem | null;
}

/**
 * The receptions of `query`; `total` is how many there are, and when it grows while only the first page is shown,
 * that page is asked for anew. Pages that were opened stay as they are.
 */
export function useReceptions(query: ReceptionQuery, total: number): ReceptionList {
  const asked = new URLSearchParams();
  for (const [name, value] of [
    ["devAddr", query.devAddr],
    ["life", query.life],
    ["gateway", query.gatewayEui],
  ] as const)
    if (value !== null) asked.set(name, String(value));
  const of = asked.toString();
  const [held, setHeld] = useState<Held>({ of: "", rows: [], next: null, loading: true, problem: null });
  const paged = held.of === of && held.rows.length > PAGE;

  const ask = async (before: string | null, isOver: () => boolean) => {
    const ends = `from=${encodeURIComponent(query.from)}&to=${encodeURIComponent(query.to)}`;
    const cursor = before === null ? "" : `&before=${encodeURIComponent(before)}`;
    const answer = await getJson<ReceptionPage>(
      `/api/receptions?${of === "" ? "" : `${of}&`}${ends}&limit=${PAGE}${cursor}`,
    );
    if (isOver()) return;
    setHeld((held) => {
      if (!answer.ok) return { ...held, of, loading: false, problem: answer.problem };
      const kept = before === null || held.of !== of ? [] : held.rows;
      const rows = [...kept, ...sameWhereEqual(held.rows, answer.value.receptions)];
      return { of, rows, next: answer.value.next, loading: false, problem: null };
    });
  };

  // `of` and `total` say when there is something else to show; a window that only moves on does not.
  useEffect(() => {
    if (paged) return;
    let over = false;
    void ask(null, () => over);
    return () => {
      over = true;
    };
  }, [of, total]);

  const mine = held.of === of;
  return {
    rows: mine ? held.rows : [],
    more: mine && held.next !== null,
    loading: !mine || held.loading,
    problem: mine ? held.problem : null,
    older: () => {
      setHeld((held) => ({ ...held, loading: true }));
      void ask(held.next, () => false);
    },
  };
}
