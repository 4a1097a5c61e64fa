/**
 * Publishes what the store takes in to an MQTT broker, as the contract's JSON: receptions and frames once each, gaps when
 * they or their finding change, gateways and nodes as retained states. It hears of commits as the dashboard does, and reads
 * by the reading threads. While the broker is away the store itself is the queue, up to a bound; what is beyond it is
 * counted as dropped.
 */
import type { WindowQuery } from "../contract/common.ts";
import { DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import { GatewayRow } from "../contract/gateways.ts";
import { FrameView, NodeRow, ReceptionRow } from "../contract/nodes.ts";
import type { PublishedService, PublishStatus } from "../contract/service.ts";
import type { CommitDelta } from "../intake/handle.ts";
import { figure } from "../words/format.ts";
import type { LiveClock } from "./live-view.ts";
import { type Broker, type BrokerAddress, type BrokerOptions, brokerName, openBroker } from "./mqtt.ts";
import { type PublishMessage, PublishQueue } from "./publish-queue.ts";
import type { AskedViews } from "./views.ts";

/** Rows of each kind in one reading. */
const ROWS_AT_ONCE = 200;
/** Rows of each kind that may wait in the store. Chosen: a day at one a second, made up for in minutes. */
export const MAX_BEHIND = 100_000;
/** Sent and not acknowledged. Chosen: fewer than brokers take at once (20 in Mosquitto). */
const MAX_IN_FLIGHT = 10;
/** A frame is published this long after it was stored: further gateways report the same one meanwhile (see group-receptions.ts). */
const SETTLE_MS = 3_000;
const READ_EVERY_MS = 1_000;
const RETRY_MS = 5_000;
const STATES_EVERY_MS = 60_000;
/** The log says at most so often that the broker went away. */
const AWAY_EVERY_MS = 60_000;
/** States are of a day: a node that sends every few hours is overdue only in a long window. */
const STATES_WINDOW: WindowQuery = { last: 86_400 };
/** A finding rests on what was known two hours after its gap. */
const GAPS_WINDOW: WindowQuery = { last: 3 * 3_600 };

export interface PublisherOptions {
  readonly address: BrokerAddress;
  readonly prefix: string;
  readonly service: Omit<PublishedService, "state" | "siteName">;
  readonly siteName: () => string;
  readonly views: Pick<AskedViews, "rowsAfter" | "gateways" | "nodes" | "gaps">;
  readonly onCommit: (listener: (delta: CommitDelta) => void) => () => void;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
  readonly clock: LiveClock;
  readonly log: (sentence: string) => void;
  /** For tests. */
  readonly open?: (address: BrokerAddress, options: BrokerOptions) => Promise<Broker>;
  readonly pace?: { readonly settleMs: number; readonly readEveryMs: number; readonly reconnectMs: number };
}

interface Shown {
  readonly sign: string;
  readonly topic: string;
}

export class Publisher {
  readonly #options: PublisherOptions;
  readonly #queue = new PublishQueue();
  #broker: Broker | null = null;
  #isConnected = false;
  #isAwayTold = false;
  #awayToldMs = Number.NEGATIVE_INFINITY;
  #isClosing = false;
  #why = "";
  #published = 0;
  #dropped = 0;
  #inFlight = 0;
  /** Rows up to these were queued; null: not known yet. */
  #done: { receptionId: number; frameId: number } | null = null;
  #newest = { receptionId: 0, frameId: 0 };
  /** The newest frame by the moment at which it was seen. */
  #seenFrames: { readonly atMs: number; readonly frameId: number }[] = [];
  #isReading = false;
  #cancelRead: (() => void) | null = null;
  #cancelStates: (() => void) | null = null;
  #stopListening: () => void = () => undefined;
  /** Retained states as they were published last. */
  readonly #states = new Map<string, Shown>();
  /** Gaps as they were published last; null: none was looked at yet. */
  #gaps: Map<string, string> | null = null;
  #onMoved: () => void = () => undefined;

  constructor(options: PublisherOptions) {
    this.#options = options;
  }

  /** Calls back when the broker comes or goes. */
  onMoved(listener: () => void): void {
    this.#onMoved = listener;
  }

  async start(): Promise<void> {
    const { address, open = openBroker, pace, onCommit } = this.#options;
    this.#stopListening = onCommit(() => this.#readSoon());
    // What is stored before the start is not published.
    await this.#read();
    this.#broker = await open(address, {
      will: { topic: this.#topic("service"), payload: this.#serviceState("offline") },
      ...(pace === undefined ? {} : { reconnectMs: pace.reconnectMs }),
      onConnected: () => this.#connected(),
      onAway: (why) => this.#away(why),
    });
    this.#statesIn(0);
  }

  status(): PublishStatus {
    const { address, prefix } = this.#options;
    const name = brokerName(address.url);
    const why = this.#why === "" ? "" : ` (${this.#why})`;
    return {
      broker: name,
      prefix,
      state: this.#isConnected ? "connected" : "away",
      words: this.#isConnected ? `Connected to ${name}.` : `${name} does not answer${why}.`,
      published: this.#published,
      waiting: this.#queue.size + this.#inFlight + this.#behind(),
      dropped: this.#dropped,
    };
  }

  /** Says "offline" and goes, within about two seconds. */
  async close(): Promise<void> {
    this.#isClosing = true;
    this.#stopListening();
    this.#cancelRead?.();
    this.#cancelStates?.();
    const { waiting } = this.status();
    if (waiting > 0) this.#options.log(`At the end ${waiting} messages had not reached the MQTT broker.`);
    if (this.#broker === null) return;
    if (this.#isConnected) {
      const told = this.#broker.publish(this.#topic("service"), this.#serviceState("offline"), true);
      await Promise.race([told.catch(() => undefined), new Promise((done) => setTimeout(done, 1_000))]);
    }
    await this.#broker.close();
  }

  #connected(): void {
    if (this.#isAwayTold) this.#options.log(`${brokerName(this.#options.address.url)} answers again.`);
    this.#isConnected = true;
    this.#isAwayTold = false;
    this.#why = "";
    this.#put("service", {
      topic: this.#topic("service"),
      payload: this.#serviceState("online"),
      retain: true,
    });
    // A broker that restarted may have forgotten what it retained.
    this.#states.clear();
    this.#statesIn(0);
    this.#pump();
    this.#readSoon();
    this.#onMoved();
  }

  #away(why: string): void {
    if (this.#isClosing) return;
    const isNews = this.#isConnected || this.#why !== why;
    this.#isConnected = false;
    this.#why = why;
    if (isNews) this.#onMoved();
    const nowMs = this.#options.clock.monotonicMs();
    if (this.#isAwayTold || nowMs - this.#awayToldMs < AWAY_EVERY_MS) return;
    this.#isAwayTold = true;
    this.#awayToldMs = nowMs;
    this.#options.log(`${this.status().words} What is to be published waits.`);
  }

  #readSoon(): void {
    if (this.#cancelRead !== null || this.#isReading || this.#isClosing) return;
    this.#readIn(this.#options.pace?.readEveryMs ?? READ_EVERY_MS);
  }

  #readIn(delayMs: number): void {
    this.#cancelRead?.();
    this.#cancelRead = this.#options.clock.after(delayMs, () => {
      this.#cancelRead = null;
      void this.#read();
    });
  }

  /** Never rejects: what cannot be read now is read later. */
  async #read(): Promise<void> {
    this.#isReading = true;
    const before = this.#done;
    let nextMs: number | null = null;
    try {
      const { receptions, frames, newest } = await this.#options.views.rowsAfter({
        receptionId: before?.receptionId ?? 0,
        frameId: before?.frameId ?? 0,
        frameUpTo: this.#settledFrame(),
        most: before !== null && this.#queue.hasRoom ? ROWS_AT_ONCE : 0,
      });
      this.#newest = newest;
      this.#noteFrame(newest.frameId);
      if (before === null) this.#done = { ...newest };
      else this.#take(before, receptions, frames);
      const isMore = receptions.length === ROWS_AT_ONCE || frames.length === ROWS_AT_ONCE;
      if (isMore && this.#queue.hasRoom) nextMs = 0;
      // While the broker is away and nothing more is taken, the next commit is time enough.
      else if (this.#behind() > 0 && (this.#isConnected || this.#queue.hasRoom))
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
    this.#queue.add(
      receptions.map((row) => this.#message(`receptions/${row.gatewayEui}`, ReceptionRow.parse(row), false)),
    );
    this.#queue.add(
      frames.map((frame) =>
        this.#message(
          `frames/${frame.receptions[0]?.devAddr ?? "no-address"}`,
          FrameView.parse(frame),
          false,
        ),
      ),
    );
    done.receptionId = receptions.at(-1)?.id ?? done.receptionId;
    done.frameId = frames.at(-1)?.id ?? done.frameId;
    for (const kind of ["receptionId", "frameId"] as const) {
      // Rows that were forgotten give their numbers back.
      done[kind] = Math.min(done[kind], this.#newest[kind]);
      const beyond = this.#newest[kind] - done[kind] - MAX_BEHIND;
      if (beyond <= 0 || this.#queue.hasRoom) continue;
      if (this.#dropped === 0)
        this.#options.log(
          `More than ${figure(MAX_BEHIND)} rows wait for the MQTT broker: the oldest are dropped from here on.`,
        );
      this.#dropped += beyond;
      done[kind] += beyond;
    }
    this.#pump();
  }

  #behind(): number {
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

  #statesIn(delayMs: number): void {
    if (this.#isClosing) return;
    this.#cancelStates?.();
    this.#cancelStates = this.#options.clock.after(delayMs, () => {
      this.#statesIn(STATES_EVERY_MS);
      void this.#lookAtStates().catch(() => undefined);
      this.#readSoon();
    });
  }

  async #lookAtStates(): Promise<void> {
    const { views, nowUs } = this.#options;
    const listed = new Set<string>();
    const { gateways } = await views.gateways(STATES_WINDOW, nowUs());
    for (const row of gateways) {
      const { eui, name, lastHeard, standing, clause, events } = row;
      const sign = JSON.stringify([
        name,
        lastHeard,
        standing,
        clause,
        events.map(({ kind, open }) => [kind, open]),
      ]);
      listed.add(this.#state(`gateways/${eui}`, sign, () => GatewayRow.parse(row)));
    }
    const { nodes } = await views.nodes(STATES_WINDOW, nowUs());
    for (const row of nodes) {
      if (row.stranger) continue;
      const { devAddr, life, name, lastHeard, overdue, standing, clause, why } = row;
      const sign = JSON.stringify([name, lastHeard, overdue, standing, clause, why]);
      listed.add(this.#state(`nodes/${devAddr}/${life}`, sign, () => NodeRow.parse(row)));
    }
    for (const [key, { topic }] of this.#states) {
      if (listed.has(key)) continue;
      // An empty message takes a retained one away (MQTT 5, section 3.3.1.3).
      this.#states.delete(key);
      this.#put(key, { topic, payload: "", retain: true });
    }
    await this.#lookAtGaps();
    this.#pump();
  }

  async #lookAtGaps(): Promise<void> {
    const { gaps, episodes } = await this.#options.views.gaps(GAPS_WINDOW, this.#options.nowUs());
    const before = this.#gaps;
    const now = new Map<string, string>();
    const note = (
      key: string,
      topic: string,
      row: DropoutRow | EpisodeRow,
      cut: () => DropoutRow | EpisodeRow,
    ) => {
      const { open, missedCounters, finding, mark } = row;
      const sign = JSON.stringify([
        open,
        missedCounters,
        finding.cause,
        finding.word,
        finding.sentence,
        mark?.id,
      ]);
      now.set(key, sign);
      if (before !== null && before.get(key) !== sign) this.#put(key, this.#message(topic, cut(), false));
    };
    for (const row of gaps) note(`gap ${row.id}`, `gaps/${row.devAddr}`, row, () => DropoutRow.parse(row));
    for (const row of episodes)
      note(`episode ${row.id}`, `episodes/${row.gateway ?? "site"}`, row, () => EpisodeRow.parse(row));
    this.#gaps = now;
  }

  /** Publishes a retained state when its sign is another one than before; returns its key. */
  #state(path: string, sign: string, cut: () => unknown): string {
    if (this.#states.get(path)?.sign === sign) return path;
    const message = this.#message(path, cut(), true);
    this.#states.set(path, { sign, topic: message.topic });
    this.#put(path, message);
    return path;
  }

  #put(key: string, message: PublishMessage): void {
    this.#dropped += this.#queue.put(key, message);
  }

  #pump(): void {
    while (this.#isConnected && this.#broker !== null && this.#inFlight < MAX_IN_FLIGHT) {
      const message = this.#queue.take();
      if (message === undefined) return;
      void this.#send(this.#broker, message);
    }
  }

  async #send(broker: Broker, { topic, payload, retain }: PublishMessage): Promise<void> {
    this.#inFlight += 1;
    try {
      await broker.publish(topic, payload, retain);
      this.#published += 1;
    } catch (error) {
      if (this.#isClosing) return;
      if (this.#dropped === 0)
        this.#options.log(
          `The MQTT broker refused a message at ${topic}: ${error instanceof Error ? error.message : error}.`,
        );
      this.#dropped += 1;
    }
    this.#inFlight -= 1;
    this.#pump();
    if (this.#behind() > 0 && this.#queue.hasRoom) this.#readSoon();
  }

  #message(path: string, row: unknown, retain: boolean): PublishMessage {
    return { topic: this.#topic(path), payload: JSON.stringify(row), retain };
  }

  #topic(path: string): string {
    return `${this.#options.prefix}/${path}`;
  }

  #serviceState(state: PublishedService["state"]): string {
    const { service, siteName } = this.#options;
    const shown: PublishedService = { state, siteName: siteName(), ...service };
    return JSON.stringify(shown);
  }
}
