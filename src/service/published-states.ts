/**
 * What is to be published of gateways, nodes and gaps: those that are other than they were published last. States of
 * gateways and nodes are retained by the broker; a gap goes out when it begins, ends or gets another finding.
 */
import { createHash } from "node:crypto";
import type { WindowQuery } from "../contract/common.ts";
import { DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import { GatewayRow } from "../contract/gateways.ts";
import { NodeRow } from "../contract/nodes.ts";
import type { AskedViews } from "./views.ts";

/** States are of a day: a node that sends every few hours is overdue only in a long window. */
const STATES_WINDOW: WindowQuery = { last: 86_400 };
/** A finding rests on what was known two hours after its gap. */
const GAPS_WINDOW_S = 3 * 3_600;
/** Gaps that changed while Mastlog did not run are published where they end in the last day. Chosen, as for states. */
const MAX_GAPS_WINDOW_S = 86_400;

export interface PublishedStatesOptions {
  readonly views: Pick<AskedViews, "gateways" | "nodes" | "gaps">;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
  /** Has the broker retain a state; null takes the retained one away. */
  readonly retain: (path: string, row: object | null) => void;
  /** Publishes a gap; `key`: the newest of it replaces one that waits. */
  readonly publish: (key: string, path: string, row: object, onSettled: () => void) => void;
}

export class PublishedStates {
  readonly #options: PublishedStatesOptions;
  /** Signs of retained states as they were published last, by path. */
  readonly #retained = new Map<string, string>();
  /** Signs of gaps as they were queued last; null: none was looked at yet. */
  #gaps: ReadonlyMap<string, string> | null = null;
  /** Of gaps as the broker took them last, and of those that were there before the first start. */
  readonly #taken = new Map<string, string>();
  /** When gaps were looked at last, in microseconds since 1970. */
  #gapsAtUs = 0;

  constructor(options: PublishedStatesOptions) {
    this.#options = options;
  }

  /** The gaps that the broker took, to be kept for the next start; null: none was looked at yet. */
  get reached(): { readonly gaps: [string, string][] | null; readonly gapsAtUs: number } {
    return { gaps: this.#gaps === null ? null : [...this.#taken], gapsAtUs: this.#gapsAtUs };
  }

  /** Goes on from what an earlier run reached. */
  goOnFrom(gaps: readonly (readonly [string, string])[], gapsAtUs: number): void {
    this.#gaps = new Map(gaps);
    this.#gapsAtUs = gapsAtUs;
    for (const [key, sign] of gaps) this.#taken.set(key, sign);
  }

  /** A broker that restarted may have forgotten what it retained. */
  forgetRetained(): void {
    this.#retained.clear();
  }

  /** Publishes what changed since the last look. Rejects with the error of a view that did not answer. */
  async look(): Promise<void> {
    const { views, nowUs, retain } = this.#options;
    const listed = new Set<string>();
    const { gateways } = await views.gateways(STATES_WINDOW, nowUs());
    for (const row of gateways) {
      const { eui, name, lastHeard, standing, clause, events } = row;
      const kinds = events.map(({ kind, open }) => [kind, open]);
      const sign = signOf([name, lastHeard, standing, clause, kinds]);
      listed.add(this.#state(`gateways/${eui}`, sign, () => GatewayRow.parse(row)));
    }
    const { nodes } = await views.nodes(STATES_WINDOW, nowUs());
    for (const row of nodes) {
      if (row.stranger) continue;
      const { devAddr, life, name, lastHeard, overdue, standing, clause, why } = row;
      const sign = signOf([name, lastHeard, overdue, standing, clause, why]);
      listed.add(this.#state(`nodes/${devAddr}/${life}`, sign, () => NodeRow.parse(row)));
    }
    for (const path of this.#retained.keys()) {
      if (listed.has(path)) continue;
      this.#retained.delete(path);
      retain(path, null);
    }
    await this.#lookAtGaps();
  }

  async #lookAtGaps(): Promise<void> {
    const nowUs = this.#options.nowUs();
    const before = this.#gaps;
    const sinceS = before === null ? 0 : Math.max(0, Math.ceil((nowUs - this.#gapsAtUs) / 1e6));
    const last = Math.min(MAX_GAPS_WINDOW_S, GAPS_WINDOW_S + sinceS);
    const { gaps, episodes } = await this.#options.views.gaps({ last }, nowUs);
    const now = new Map<string, string>();
    const note = (key: string, path: string, row: DropoutRow | EpisodeRow, cut: () => object) => {
      const { open, missedCounters, finding, mark } = row;
      const sign = signOf([open, missedCounters, finding.cause, finding.word, finding.sentence, mark?.id]);
      now.set(key, sign);
      const onSettled = () => void this.#taken.set(key, sign);
      if (before === null) onSettled();
      else if (before.get(key) !== sign) this.#options.publish(key, path, cut(), onSettled);
    };
    for (const row of gaps) note(`gap ${row.id}`, `gaps/${row.devAddr}`, row, () => DropoutRow.parse(row));
    for (const row of episodes)
      note(`episode ${row.id}`, `episodes/${row.gateway ?? "site"}`, row, () => EpisodeRow.parse(row));
    this.#gaps = now;
    this.#gapsAtUs = nowUs;
    for (const key of this.#taken.keys()) if (!now.has(key)) this.#taken.delete(key);
  }

  /** Publishes a retained state when its sign is another one than before; returns its path. */
  #state(path: string, sign: string, cut: () => object): string {
    if (this.#retained.get(path) !== sign) {
      this.#retained.set(path, sign);
      this.#options.retain(path, cut());
    }
    return path;
  }
}

function signOf(what: unknown): string {
  return createHash("sha256").update(JSON.stringify(what)).digest("base64url").slice(0, 12);
}
