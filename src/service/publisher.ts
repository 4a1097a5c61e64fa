/**
 * Publishes what the store takes in to an MQTT broker, as the contract's JSON: receptions and frames once each, gaps when
 * they or their finding change, gateways and nodes as retained states. It hears of commits as the dashboard does, and reads
 * by the reading threads. While the broker is away the store itself is the queue, up to a bound; what is beyond it is
 * counted as dropped. The place reached is kept in the store, so that the next start goes on from there.
 */
import { FrameView, ReceptionRow } from "../contract/nodes.ts";
import { type PublishedService, PublishPlace, type PublishStatus } from "../contract/service.ts";
import type { CommitDelta } from "../intake/handle.ts";
import { readAs } from "../store/settings.ts";
import { figure } from "../words/format.ts";
import type { LiveClock } from "./live-view.ts";
import {
  type Broker,
  type BrokerAddress,
  type BrokerOptions,
  brokerName,
  openBroker,
  type PublishMessage,
  PublishQueue,
} from "./mqtt.ts";
import { PublishedStates } from "./published-states.ts";
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
/** How often the place reached is kept: after a kill, what was published since comes twice. Chosen: a commit more. */
const KEEP_EVERY_MS = 10_000;
const KEEP_WITHIN_MS = 1_000;

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
  /** The place that an earlier run kept, as text; null: none did. */
  readonly place: string | null;
  /** Keeps the place in the store. */
  readonly keep: (place: string) => Promise<unknown>;
  /** For tests. */
  readonly open?: (address: BrokerAddress, options: BrokerOptions) => Promise<Broker>;
  readonly pace?: { readonly settleMs: number; readonly readEveryMs: number; readonly reconnectMs: number };
}

const KINDS = ["receptionId", "frameId"] as const;

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
  readonly #states: PublishedStates;
  /** Rows that were queued and not taken by the broker yet, in ascending order. */
  readonly #unsettled = { receptionId: new Set<number>(), frameId: new Set<number>() };
  #kept = "";
  #cancelKeep: (() => void) | null = null;
  #onMoved: () => void = () => undefined;

  constructor(options: PublisherOptions) {
    this.#options = options;
    const { views, nowUs } = options;
    this.#states = new PublishedStates({
      views,
      nowUs,
      publish: (key, path, row, onSettled) => this.#put(key, { ...this.#message(path, row), onSettled }),
      // An empty message takes a retained one away (MQTT 5, section 3.3.1.3).
      retain: (path, row) =>
        this.#put(path, {
          topic: this.#topic(path),
          payload: row === null ? "" : JSON.stringify(row),
          retain: true,
        }),
    });
  }

  /** Calls back when the broker comes or goes. */
  onMoved(listener: () => void): void {
    this.#onMoved = listener;
  }

  async start(): Promise<void> {
    const { address, open = openBroker, pace, onCommit } = this.#options;
    this.#stopListening = onCommit(() => this.#readSoon());
    this.#goOnFromKept();
    // What is stored before the first start is not published.
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
    const { prefix } = this.#options;
    const name = this.#brokerName;
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

  /** Says "offline" and goes, within about three seconds; what is not published by then is kept for the next start. */
  async close(): Promise<void> {
    this.#isClosing = true;
    this.#stopListening();
    this.#cancelRead?.();
    this.#cancelStates?.();
    const { waiting } = this.status();
    if (waiting > 0)
      this.#options.log(
        `At the end ${waiting} messages had not reached the MQTT broker. The next start with this broker and prefix goes on there.`,
      );
    this.#cancelKeep?.();
    if (this.#broker !== null) {
      if (this.#isConnected) {
        const offline = this.#broker.publish(this.#topic("service"), this.#serviceState("offline"), true);
        await Promise.race([offline.catch(() => undefined), new Promise((done) => setTimeout(done, 1_000))]);
      }
      await this.#broker.close();
    }
    // A store that takes nothing does not hold up the end.
    await Promise.race([this.#keepPlace(), new Promise((done) => setTimeout(done, KEEP_WITHIN_MS).unref())]);
  }

  /** A place of another broker or prefix says nothing of this one. */
  #goOnFromKept(): void {
    const place = readAs(PublishPlace, this.#options.place);
    if (place === null || place.broker !== this.#brokerName || place.prefix !== this.#options.prefix) return;
    const { receptionId, frameId, gaps, gapsAtUs } = place;
    this.#done = { receptionId, frameId };
    if (gaps !== null) this.#states.goOnFrom(gaps, gapsAtUs);
  }

  #keepSoon(): void {
    if (this.#cancelKeep !== null || this.#isClosing) return;
    this.#cancelKeep = this.#options.clock.after(KEEP_EVERY_MS, () => {
      this.#cancelKeep = null;
      void this.#keepPlace();
    });
  }

  /** Never rejects: what cannot be kept now is kept with what follows. */
  async #keepPlace(): Promise<void> {
    if (this.#done === null) return;
    const { gaps, gapsAtUs } = this.#states.reached;
    const place = {
      broker: this.#brokerName,
      prefix: this.#options.prefix,
      receptionId: this.#settled("receptionId", this.#done.receptionId),
      frameId: this.#settled("frameId", this.#done.frameId),
      gaps,
    };
    const text = JSON.stringify(place);
    if (text === this.#kept) return;
    const kept: PublishPlace = { ...place, gapsAtUs };
    try {
      await this.#options.keep(JSON.stringify(kept));
      this.#kept = text;
    } catch {
      this.#keepSoon();
    }
  }

  /** The row up to which the broker took all. */
  #settled(kind: (typeof KINDS)[number], done: number): number {
    for (const first of this.#unsettled[kind]) return first - 1;
    return done;
  }

  get #brokerName(): string {
    return brokerName(this.#options.address.url);
  }

  #connected(): void {
    if (this.#isAwayTold) this.#options.log(`${this.#brokerName} answers again.`);
    this.#isConnected = true;
    this.#isAwayTold = false;
    this.#why = "";
    this.#put("service", {
      topic: this.#topic("service"),
      payload: this.#serviceState("online"),
      retain: true,
    });
    // A broker that restarted may have forgotten what it retained.
    this.#states.forgetRetained();
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
      receptions.map((row) => ({
        ...this.#message(`receptions/${row.gatewayEui}`, ReceptionRow.parse(row)),
        onSettled: this.#await("receptionId", row.id),
      })),
    );
    this.#queue.add(
      frames.map((frame) => ({
        ...this.#message(`frames/${frame.receptions[0]?.devAddr ?? "no-address"}`, FrameView.parse(frame)),
        onSettled: this.#await("frameId", frame.id),
      })),
    );
    done.receptionId = receptions.at(-1)?.id ?? done.receptionId;
    done.frameId = frames.at(-1)?.id ?? done.frameId;
    for (const kind of KINDS) {
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
    if (this.#settled("receptionId", done.receptionId) > 0) this.#keepSoon();
  }

  /** Notes a row that is queued; returns what is to be called when the broker took or refused it. */
  #await(kind: (typeof KINDS)[number], id: number): () => void {
    this.#unsettled[kind].add(id);
    return () => void this.#unsettled[kind].delete(id);
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
      void this.#lookAtStates();
      this.#readSoon();
    });
  }

  /** Never rejects: what cannot be asked now is asked at the next look. */
  async #lookAtStates(): Promise<void> {
    try {
      await this.#states.look();
      this.#keepSoon();
    } catch {
      // The next look comes in a minute.
    }
    this.#pump();
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

  async #send(broker: Broker, { topic, payload, retain, onSettled }: PublishMessage): Promise<void> {
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
    onSettled?.();
    this.#inFlight -= 1;
    this.#pump();
    this.#keepSoon();
    if (this.#behind() > 0 && this.#queue.hasRoom) this.#readSoon();
  }

  #message(path: string, row: object): PublishMessage {
    return { topic: this.#topic(path), payload: JSON.stringify(row), retain: false };
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
