/** What has a check found? The few words that every check fills in, and the item that the list shows. */
import type { BenchItem, BenchState } from "../../contract/index.ts";

export interface Found {
  readonly state: BenchState;
  readonly reason: string;
  /** With its unit; left out, a dash. */
  readonly figure?: string;
  readonly value?: number | null;
  readonly unit?: string;
  readonly advice?: string;
  /** Of a waiting item: what has yet to arrive. */
  readonly awaits?: string;
  /** Of a waiting item: about so long until that has arrived. */
  readonly awaitsSeconds?: number | null;
}

/** The item that a finding about the gateway itself makes. `basis`: where its limits come from. */
export function itemOf(id: string, title: string, basis: string, found: Found): BenchItem {
  const value = found.value ?? null;
  return {
    id,
    title,
    state: found.state,
    figure: found.figure ?? "–",
    value: value === null ? null : Math.round(value * 1000) / 1000,
    unit: found.unit ?? null,
    reason: found.reason,
    advice: found.advice ?? null,
    awaits: found.state === "waiting" ? (found.awaits ?? null) : null,
    awaitsSeconds: found.state === "waiting" ? roundedUp(found.awaitsSeconds ?? null) : null,
    basis,
    since: null,
    part: "gateway",
    channel: null,
  };
}

/** Whole seconds, and at least one: a countdown never shows nothing while something is awaited. */
function roundedUp(seconds: number | null): number | null {
  return seconds === null ? null : Math.max(1, Math.ceil(seconds));
}

/** Seconds until `missing` more have come, when `count` came in `seconds`; null before any came. */
export function secondsFor(missing: number, count: number, seconds: number): number | null {
  return count > 0 && seconds > 0 ? (missing * seconds) / count : null;
}

/** "1 packet", "12 packets", "1,200 packets". */
export function counted(count: number, one: string, many = `${one}s`): string {
  return `${count.toLocaleString("en")} ${count === 1 ? one : many}`;
}

/** "a, b and c". */
export function listed(words: readonly string[]): string {
  const last = words.at(-1) ?? "";
  return words.length < 2 ? last : `${words.slice(0, -1).join(", ")} and ${last}`;
}
