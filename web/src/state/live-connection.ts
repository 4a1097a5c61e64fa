/**
 * How does the page stay live? One websocket, many subscriptions; when it is lost the data stay, are called
 * stale, and every subscription is asked for anew once the line is back. Socket and timer are handed in.
 */
import { type Signal, signal } from "@preact/signals";
import type { ClientMessage, ServerMessage, Topic } from "../../../src/contract/live.ts";
import { applyMessage, type Subscribed, UNBORN } from "./live-store.ts";

export type LineState = "connecting" | "open" | "lost";

/** The part of a browser's WebSocket that is used. */
export interface Socket {
  send(text: string): void;
  close(): void;
  onopen: (() => void) | null;
  onclose: (() => void) | null;
  onmessage: ((event: { data: unknown }) => void) | null;
}

export interface LiveSettings {
  readonly open: () => Socket;
  readonly later: (run: () => void, ms: number) => void;
  readonly nowMs: () => number;
}

export interface LiveSubscription {
  readonly state: Signal<Subscribed>;
  close(): void;
}

export interface LiveConnection {
  readonly line: Signal<LineState>;
  /** When the line was lost, epoch milliseconds; null while it is not. */
  readonly lostAtMs: Signal<number | null>;
  subscribe(topic: Topic, lastSeconds: number, key: string | null): LiveSubscription;
  /** Tries again at once, for instance when the browser says that the network is back. */
  retryNow(): void;
}

// Half a second at first, then doubling to a quarter of a minute: quick after a restart, quiet after a shutdown.
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 15_000;

interface Entry {
  readonly request: { topic: Topic; last: number; key: string | null };
  readonly state: Signal<Subscribed>;
}

/** Opens the line and keeps it. */
export function createLiveConnection(settings: LiveSettings): LiveConnection {
  const line = signal<LineState>("connecting");
  const lostAtMs = signal<number | null>(null);
  const entries = new Map<number, Entry>();
  let socket: Socket | null = null;
  let nextId = 1;
  let waitMs = FIRST_WAIT_MS;
  let attempt = 0;

  const send = (message: ClientMessage) => {
    if (line.value === "open") socket?.send(JSON.stringify(message));
  };

  const ask = (id: number, entry: Entry) => {
    const { topic, last, key } = entry.request;
    send({ type: "subscribe", id, topic, last, ...(key === null ? {} : { key }) });
  };

  const receive = (data: unknown) => {
    const message = readMessage(data);
    if (message === null || message.id === null) return;
    const entry = entries.get(message.id);
    if (entry === undefined) return;
    const step = applyMessage(entry.state.value, message);
    entry.state.value = step.next;
    if (step.resync) send({ type: "resync", id: message.id });
  };

  const connect = () => {
    attempt += 1;
    const mine = attempt;
    const opened = settings.open();
    socket = opened;
    opened.onopen = () => {
      if (mine !== attempt) return;
      line.value = "open";
      lostAtMs.value = null;
      waitMs = FIRST_WAIT_MS;
      for (const [id, entry] of entries) {
        // The old numbering ended with the old line; what was shown stays until the new snapshot.
        entry.state.value = { ...entry.state.value, seq: null, holed: true };
        ask(id, entry);
      }
    };
    opened.onmessage = (event) => {
      if (mine === attempt) receive(event.data);
    };
    opened.onclose = () => {
      if (mine !== attempt) return;
      socket = null;
      line.value = "lost";
      lostAtMs.value ??= settings.nowMs();
      settings.later(() => {
        if (mine === attempt) connect();
      }, waitMs);
      waitMs = Math.min(waitMs * 2, LONGEST_WAIT_MS);
    };
  };
  connect();

  return {
    line,
    lostAtMs,
    subscribe(topic, lastSeconds, key) {
      const id = nextId;
      nextId += 1;
      const entry: Entry = { request: { topic, last: lastSeconds, key }, state: signal(UNBORN) };
      entries.set(id, entry);
      ask(id, entry);
      return {
        state: entry.state,
        close: () => {
          entries.delete(id);
          send({ type: "unsubscribe", id });
        },
      };
    },
    retryNow() {
      if (line.value === "lost") connect();
    },
  };
}

/** A message of the contract's shape, or null: an unknown one is left alone, not fatal. */
function readMessage(data: unknown): ServerMessage | null {
  if (typeof data !== "string") return null;
  try {
    const value = JSON.parse(data) as ServerMessage;
    return value.type === "snapshot" || value.type === "delta" || value.type === "trouble" ? value : null;
  } catch {
    return null;
  }
}
