/**
 * Publishes what the store takes in to an MQTT broker, as the contract's JSON: receptions and frames once each, gaps when
 * they or their finding change, gateways and nodes as retained states. It hears of commits as the dashboard does, and reads
 * by the reading threads. While the broker is away the store itself is the queue, up to a bound; what is beyond it is
 * counted as dropped. The place reached is kept in the store, so that the next start goes on from there.
 */
import { type PublishedService, PublishPlace, type PublishStatus } from "../contract/service.ts";
import type { CommitDelta } from "../intake/handle.ts";
import { errorText } from "../model/fault.ts";
import { readAs } from "../store/settings.ts";
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
import { PublishedRows, PublishedStates } from "./published.ts";
import type { AskedViews } from "./views.ts";

/** Sent and not acknowledged. Chosen: fewer than brokers take at once (20 in Mosquitto). */
const MAX_IN_FLIGHT = 10;
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
  #cancelStates: (() => void) | null = null;
  #stopListening: () => void = () => undefined;
  readonly #states: PublishedStates;
  readonly #rows: PublishedRows;
  #kept = "";
  #cancelKeep: (() => void) | null = null;
  #onMoved: () => void = () => undefined;

  constructor(options: PublisherOptions) {
    this.#options = options;
    const { views, nowUs, clock, pace } = options;
    this.#rows = new PublishedRows({
      views,
      clock,
      pace,
      queue: this.#queue,
      message: (path, row) => this.#message(path, row),
      isConnected: () => this.#isConnected,
      onTaken: () => {
        this.#pump();
        if ((this.#rows.reached?.receptionId ?? 0) > 0) this.#keepSoon();
      },
      onDropped: (count, sentence) => this.#noteDropped(count, sentence),
    });
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
    this.#stopListening = onCommit(() => this.#rows.readSoon());
    this.#goOnFromKept();
    // What is stored before the first start is not published.
    await this.#rows.read();
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
      waiting: this.#queue.size + this.#inFlight + this.#rows.behind,
      dropped: this.#dropped,
    };
  }

  /** Says "offline" and goes, within about three seconds; what is not published by then is kept for the next start. */
  async close(): Promise<void> {
    this.#isClosing = true;
    this.#stopListening();
    this.#rows.close();
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
    this.#rows.goOnFrom(place);
    if (place.gaps !== null) this.#states.goOnFrom(place.gaps, place.gapsAtUs);
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
    const { reached } = this.#rows;
    if (reached === null) return;
    const { gaps, gapsAtUs } = this.#states.reached;
    const place = {
      broker: this.#brokerName,
      prefix: this.#options.prefix,
      ...reached,
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

  get #brokerName(): string {
    return brokerName(this.#options.address.url);
  }

  #connected(): void {
    if (this.#isAwayTold) this.#options.log(`${this.#brokerName} answers again.`);
    this.#isConnected = true;
    this.#isAwayTold = false;
    this.#why = "";
    const payload = this.#serviceState("online");
    this.#put("service", { topic: this.#topic("service"), payload, retain: true });
    // A broker that restarted may have forgotten what it retained.
    this.#states.forgetRetained();
    this.#statesIn(0);
    this.#pump();
    this.#rows.readSoon();
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

  #statesIn(delayMs: number): void {
    if (this.#isClosing) return;
    this.#cancelStates?.();
    this.#cancelStates = this.#options.clock.after(delayMs, () => {
      this.#statesIn(STATES_EVERY_MS);
      void this.#lookAtStates();
      this.#rows.readSoon();
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

  /** The log has the first time; after it only the count grows. */
  #noteDropped(count: number, sentence: string): void {
    if (this.#dropped === 0) this.#options.log(sentence);
    this.#dropped += count;
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
      this.#noteDropped(1, `The MQTT broker refused a message at ${topic}: ${errorText(error)}.`);
    }
    onSettled?.();
    this.#inFlight -= 1;
    this.#pump();
    this.#keepSoon();
    if (this.#rows.behind > 0 && this.#queue.hasRoom) this.#rows.readSoon();
  }

  #message(path: string, row: object): PublishMessage {
    return { topic: this.#topic(path), payload: JSON.stringify(row), retain: false };
  }

  #topic(path: string): string {
    return `${this.#options.prefix}/${path}`;
  }

  #serviceState(state: PublishedService["state"]): string {
    const { service, siteName } = this.#options;
    return JSON.stringify({ state, siteName: siteName(), ...service } satisfies PublishedService);
  }
}
