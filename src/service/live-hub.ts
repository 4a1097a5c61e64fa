/**
 * Who looks at what over the live line? Clients and their subscriptions, bounded in number, size and rate, whatever
 * a client sends; the views behind them are shared. The protocol is in src/contract/live.ts.
 */
import { ClientMessage, type Topic } from "../contract/live.ts";
import type { CommitDelta } from "../intake/handle.ts";
import { type LiveQuestion, LiveView, type LiveViewTools, type Subscriber } from "./live-view.ts";

export const MAX_CLIENTS = 64;
export const MAX_SUBSCRIPTIONS = 16;
/** Octets of one message of a client. */
export const MAX_MESSAGE_OCTETS = 64 * 1024;
/** Different views that are kept fresh at once: many dashboards share a few, and no client may ask for thousands. */
export const MAX_VIEWS = 128;
const MESSAGES_A_SECOND = 20;
const MESSAGES_AT_ONCE = 60;

// RFC 6455 section 7.4.1, and the registry of close codes for 1013.
const GOING_AWAY = 1001;
const POLICY_VIOLATION = 1008;
const TRY_AGAIN_LATER = 1013;

/** The part of a websocket that is used. */
export interface LiveSocket {
  readonly bufferedAmount: number;
  send(text: string): void;
  ping(): void;
  close(code: number, reason: string): void;
  terminate(): void;
}

/** A client that was let in. */
export interface LiveClient {
  /** Takes a message; null stands for one that is not text. Never throws. */
  receive(text: string | null): void;
  /** The client answered a ping. */
  alive(): void;
  /** The line is gone. */
  gone(): void;
}

interface Subscription extends Subscriber {
  readonly view: LiveView;
}

interface Seated {
  readonly socket: LiveSocket;
  readonly subscriptions: Map<number, Subscription>;
  awaitsPong: boolean;
  allowance: number;
  allowanceAtMs: number;
}

export class LiveHub {
  readonly #tools: LiveViewTools;
  readonly #clients = new Set<Seated>();
  readonly #views = new Map<string, LiveView>();
  #cancelHeartbeat: (() => void) | null = null;
  #closed = false;

  constructor(tools: LiveViewTools) {
    this.#tools = tools;
  }

  get clientCount(): number {
    return this.#clients.size;
  }

  get isFull(): boolean {
    return this.#clients.size >= MAX_CLIENTS;
  }

  /** Lets a client in; closes its line and gives null when there is no room. */
  admit(socket: LiveSocket): LiveClient | null {
    if (this.isFull || this.#closed) {
      socket.close(TRY_AGAIN_LATER, "no room");
      return null;
    }
    const nowMs = this.#tools.clock.monotonicMs();
    const client: Seated = {
      socket,
      subscriptions: new Map(),
      awaitsPong: false,
      allowance: MESSAGES_AT_ONCE,
      allowanceAtMs: nowMs,
    };
    this.#clients.add(client);
    this.#beat();
    return {
      receive: (text) => this.#receive(client, text),
      alive: () => {
        client.awaitsPong = false;
      },
      gone: () => this.#leave(client),
    };
  }

  /** The intake has committed something. */
  committed(delta: CommitDelta): void {
    for (const view of this.#views.values()) if (isTouched(view.question, delta)) view.markDirty();
  }

  /** The reading of a capture has gone on. */
  captureMoved(): void {
    for (const view of this.#views.values()) if (view.question.topic === "captures") view.markDirty();
  }

  /** The status shows something that no commit brought. */
  statusMoved(): void {
    for (const view of this.#views.values()) if (view.question.topic === "status") view.markDirty();
  }

  /** Says goodbye to every client, and cuts those off that do not answer within `patienceMs`. */
  close(patienceMs: number): void {
    this.#closed = true;
    this.#cancelHeartbeat?.();
    for (const client of [...this.#clients]) {
      this.#leave(client);
      client.socket.close(GOING_AWAY, "the service ends");
      this.#tools.clock.after(patienceMs, () => client.socket.terminate());
    }
  }

  #receive(client: Seated, text: string | null): void {
    if (!this.#clients.has(client)) return;
    if (!this.#maySpeak(client)) {
      client.socket.close(POLICY_VIOLATION, "too many messages");
      this.#leave(client);
      return;
    }
    const message = readMessage(text);
    if (message === null) {
      tell(client, null, "The service did not understand a message of this page.");
    } else if (message.type === "subscribe") {
      const trouble = this.#subscribe(client, message);
      if (trouble !== null) tell(client, message.id, trouble);
    } else {
      const subscription = client.subscriptions.get(message.id);
      if (subscription === undefined) return;
      if (message.type === "resync") subscription.view.resync(subscription);
      else this.#unsubscribe(client, subscription);
    }
  }

  /** Gives a sentence when it cannot be done. */
  #subscribe(
    client: Seated,
    { id, topic, last, key, site }: Extract<ClientMessage, { type: "subscribe" }>,
  ): string | null {
    const before = client.subscriptions.get(id);
    if (before !== undefined) this.#unsubscribe(client, before);
    if (topic === "node" && !/^[0-9A-F]{8}\/[1-9]\d{0,8}$/.test(key ?? ""))
      return "A node is named by its address and life, as in 01A2B3C4/1.";
    if (topic === "bench" && !/^[0-9A-F]{16}(\/.+)?$/.test(key ?? ""))
      return "A gateway is named by its identifier, 16 hex digits, and its plan after it, as in …/US915/2.";
    if (client.subscriptions.size >= MAX_SUBSCRIPTIONS)
      return `One page may watch ${MAX_SUBSCRIPTIONS} views at once.`;
    const isOfAll = topic === "status" || topic === "captures";
    const view = this.#viewOf({
      topic,
      // Two topics know no window: all who watch them share one view.
      last: isOfAll ? 0 : last,
      site: isOfAll ? null : (site ?? null),
      key: KEYED_TOPICS.has(topic) ? (key ?? null) : null,
    });
    if (view === null) return "As many different views are watched as the service keeps fresh.";
    const { socket } = client;
    const subscription: Subscription = {
      id,
      view,
      isFull: () => socket.bufferedAmount > this.#tools.pace.mostBuffered,
      send: (text) => socket.send(text),
    };
    client.subscriptions.set(id, subscription);
    view.add(subscription);
    return null;
  }

  #viewOf(question: LiveQuestion): LiveView | null {
    const name = nameOf(question);
    const known = this.#views.get(name);
    if (known !== undefined) return known;
    if (this.#views.size >= MAX_VIEWS) return null;
    const view = new LiveView(question, this.#tools);
    this.#views.set(name, view);
    return view;
  }

  #unsubscribe(client: Seated, subscription: Subscription): void {
    client.subscriptions.delete(subscription.id);
    subscription.view.remove(subscription);
    if (subscription.view.isUnwatched) this.#views.delete(nameOf(subscription.view.question));
  }

  #leave(client: Seated): void {
    this.#clients.delete(client);
    for (const subscription of [...client.subscriptions.values()]) this.#unsubscribe(client, subscription);
  }

  #maySpeak(client: Seated): boolean {
    const nowMs = this.#tools.clock.monotonicMs();
    const earned = ((nowMs - client.allowanceAtMs) / 1000) * MESSAGES_A_SECOND;
    client.allowance = Math.min(MESSAGES_AT_ONCE, client.allowance + earned) - 1;
    client.allowanceAtMs = nowMs;
    return client.allowance >= 0;
  }

  #beat(): void {
    this.#cancelHeartbeat ??= this.#tools.clock.after(this.#tools.pace.heartbeatMs, () => {
      this.#cancelHeartbeat = null;
      for (const client of [...this.#clients]) {
        if (client.awaitsPong) {
          client.socket.terminate();
          this.#leave(client);
        } else {
          client.awaitsPong = true;
          client.socket.ping();
        }
      }
      if (this.#clients.size > 0) this.#beat();
    });
  }
}

/** Topics of which a page asks for one thing among many. */
const KEYED_TOPICS: ReadonlySet<Topic> = new Set(["node", "bench", "trials"]);

/** Whether a commit can have changed what a view says. */
function isTouched({ topic, key }: LiveQuestion, delta: CommitDelta): boolean {
  const touched: Readonly<Record<Topic, boolean>> = {
    status: true,
    site: true,
    nodes: true,
    air: true,
    gaps: true,
    bench: delta.wide || delta.gateways.includes((key ?? "").slice(0, 16)),
    trials: true,
    feed: true,
    captures: delta.wide,
    marks: delta.wide,
    node: delta.wide || delta.nodes.includes((key ?? "").slice(0, 8)),
  };
  return touched[topic];
}

function nameOf({ topic, last, key, site }: LiveQuestion): string {
  return JSON.stringify([topic, last, key, site]);
}

function readMessage(text: string | null): ClientMessage | null {
  if (text === null) return null;
  try {
    return ClientMessage.parse(JSON.parse(text));
  } catch {
    return null;
  }
}

function tell(client: Seated, id: number | null, sentence: string): void {
  client.socket.send(JSON.stringify({ type: "trouble", id, sentence }));
}
