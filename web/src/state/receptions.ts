/** Which receptions lie beneath a figure or a sentence? Newest first, a page at a time. */
import { useEffect, useState } from "preact/hooks";
import type { Problem } from "../../../src/contract/common.ts";
import type { ReceptionPage, ReceptionRow } from "../../../src/contract/nodes.ts";
import { getJson } from "./api.ts";

export interface ReceptionQuery {
  /** Null: of every node. */
  readonly devAddr: string | null;
  /** With an address; null: the first life. */
  readonly life: number | null;
  /** Null: of every gateway. */
  readonly gatewayEui: string | null;
  readonly from: string;
  readonly to: string;
}

export interface ReceptionList {
  readonly rows: readonly ReceptionRow[];
  readonly more: boolean;
  readonly loading: boolean;
  readonly problem: Problem | null;
  older(): void;
}

const PAGE = 50;

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
      const rows = [...kept, ...answer.value.receptions];
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
