/**
 * Which receptions and frames are published, and how far has that come? They are read from the store by their numbers and
 * queued while there is room; what waits in the store beyond a bound is dropped and counted.
 */
import { createHash } from "node:crypto";
import type { WindowQuery } from "../contract/common.ts";
import { DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import { GatewayRow } from "../contract/gateways.ts";
import { FrameView, NodeRow, ReceptionRow } from "../contract/nodes.ts";
import { figure } from "../words/format.ts";
import type { LiveClock } from "./live-view.ts";
import type { PublishMessage, PublishQueue } from "./mqtt.ts";
import type { AskedViews } from "./views.ts";

/** Rows of each kind in one reading. */
const ROWS_AT_ONCE = 200;
/** Rows of each kind that may wait in the store. Chosen: a day at one a second, made up for in minutes. */
export const MAX_BEHIND = 100_000;
/** A frame is published this long after it was stored: further gateways report the same one meanwhile (see group-receptions.ts). */
const SETTLE_MS = 3_000;
const READ_EVERY_MS = 1_000;
const RETRY_MS = 5_000;

export interface PublishedRowsOptions {
  readonly views: Pick<AskedViews, "rowsAfter">;
  readonly clock: LiveClock;
  readonly pace?: { readonly settleMs: number; readonly readEveryMs: number } | undefined;
  readonly queue: PublishQueue;
  readonly message: (path: string, row: object) => PublishMessage;
  readonly isConnected: () => boolean;
  /** Rows were queued. */
  readonly onTaken: () => void;
  readonly onDropped: (count: number, sentence: string) => void;
}

interface RowPlace {
  readonly receptionId: number;
  readonly frameId: number;
}

const KINDS = ["receptionId", "frameId"] as const;

export class PublishedRows {
  readonly #options: PublishedRowsOptions;
  /** Rows up to these were queued; null: not known yet. */
  #done: { receptionId: number; frameId: number } | null = null;
  #newest = { receptionId: 0, frameId: 0 };
  /** The newest frame by the moment at which it was seen. */
  #seenFrames: { readonly atMs: number; readonly frameId: number }[] = [];
  #isReading = false;
  #cancelRead: (() => void) | null = null;
  /** Rows that were queued and not taken by the broker yet, in ascending order. */
  readonly #unsettled = { receptionId: new Set<number>(), frameId: new Set<number>() };
  #isClosing = false;

  constructor(options: PublishedRowsOptions) {
    this.#options = options;
  }

  /** The rows up to which the broker took all; null: nothing was read yet. */
  get reached(): RowPlace | null {
    if (this.#done === null) return null;
    return {
      receptionId: this.#settled("receptionId", this.#done.receptionId),
      frameId: this.#settled("frameId", this.#done.frameId),
    };
  }

  /** Goes on from what an earlier run reached. */
  goOnFrom({ receptionId, frameId }: RowPlace): void {
    this.#done = { receptionId, frameId };
  }

  /** Reads no more. */
  close(): void {
    this.#isClosing = true;
    this.#cancelRead?.();
  }

  /** The row up to which the broker took all. */
  #settled(kind: (typeof KINDS)[number], done: number): number {
    for (const first of this.#unsettled[kind]) return first - 1;
    return done;
  }

  readSoon(): void {
    if (this.#cancelRead !== null || this.#isReading || this.#isClosing) return;
    this.#readIn(this.#options.pace?.readEveryMs ?? READ_EVERY_MS);
  }

  #readIn(delayMs: number): void {
    this.#cancelRead?.();
    this.#cancelRead = this.#options.clock.after(delayMs, () => {
      this.#cancelRead = null;
      void this.read();
    });
  }

  /** Never rejects: what cannot be read now is read later. */
  async read(): Promise<void> {
    this.#isReading = true;
    const before = this.#done;
    let nextMs: number | null = null;
    try {
      const { receptions, frames, newest } = await this.#options.views.rowsAfter({
        receptionId: before?.receptionId ?? 0,
        frameId: before?.frameId ?? 0,
        frameUpTo: this.#settledFrame(),
        most: before !== null && this.#options.queue.hasRoom ? ROWS_AT_ONCE : 0,
      });
      this.#newest = newest;
      this.#noteFrame(newest.frameId);
      if (before === null) this.#done = { ...newest };
      else this.#take(before, receptions, frames);
      const isMore = receptions.length === ROWS_AT_ONCE || frames.length === ROWS_AT_ONCE;
      if (isMore && this.#options.queue.hasRoom) nextMs = 0;
      // While the broker is away and nothing more is taken, the next commit is time enough.
      else if (this.behind > 0 && (this.#options.isConnected() || this.#options.queue.hasRoom))
        nextMs = this.#options.pace?.readEveryMs ?? READ_EVERY_MS;
    } catch {
      nextMs = RETRY_MS;
    }
    this.#isReading = false;
    if (nextMs !== null && !this.#isClosing) this.#readIn(nextMs);
  }

  #take(
    done: { receptionId: number; frameId: number },
    receptions: readonly ReceptionRow[],
    frames: readonly FrameView[],
  ): void {
    this.#options.queue.add(
      receptions.map((row) => ({
        ...this.#options.message(`receptions/${row.gatewayEui}`, ReceptionRow.parse(row)),
        onSettled: this.#await("receptionId", row.id),
      })),
    );
    this.#options.queue.add(
      frames.map((frame) => ({
        ...this.#options.message(
          `frames/${frame.receptions[0]?.devAddr ?? "no-address"}`,
          FrameView.parse(frame),
        ),
        onSettled: this.#await("frameId", frame.id),
      })),
    );
    done.receptionId = receptions.at(-1)?.id ?? done.receptionId;
    done.frameId = frames.at(-1)?.id ?? done.frameId;
    for (const kind of KINDS) {
      // Rows that were forgotten give their numbers back.
      done[kind] = Math.min(done[kind], this.#newest[kind]);
      const beyond = this.#newest[kind] - done[kind] - MAX_BEHIND;
      if (beyond <= 0 || this.#options.queue.hasRoom) continue;
      this.#options.onDropped(
        beyond,
        `More than ${figure(MAX_BEHIND)} rows wait for the MQTT broker: the oldest are dropped from here on.`,
      );
      done[kind] += beyond;
    }
    this.#options.onTaken();
  }

  /** Notes a row that is queued; returns what is to be called when the broker took or refused it. */
  #await(kind: (typeof KINDS)[number], id: number): () => void {
    this.#unsettled[kind].add(id);
    return () => void this.#unsettled[kind].delete(id);
  }

  /** Rows in the store that were not queued yet. */
  get behind(): number {
    if (this.#done === null) return 0;
    return (
      Math.max(0, this.#newest.receptionId - this.#done.receptionId) +
      Math.max(0, this.#newest.frameId - this.#done.frameId)
    );
  }

  #noteFrame(frameId: number): void {
    if (frameId === this.#seenFrames.at(-1)?.frameId) return;
    this.#seenFrames.push({ atMs: this.#options.clock.monotonicMs(), frameId });
  }

  /** The newest frame that no further gateway is to report. */
  #settledFrame(): number {
    const untilMs = this.#options.clock.monotonicMs() - (this.#options.pace?.settleMs ?? SETTLE_MS);
    const settled = this.#seenFrames.findLast(({ atMs }) => atMs <= untilMs);
    if (settled === undefined) return 0;
    this.#seenFrames = this.#seenFrames.filter(({ atMs }) => atMs >= settled.atMs);
    return settled.frameId;
  }
}

// What is to be published of gateways, nodes and gaps: those that are other than they were published
// last. States of gateways and nodes are retained by the broker; a gap goes out when it begins, ends or
// gets another finding.

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
