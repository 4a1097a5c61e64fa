/**
 * The page's one live line, opened when first needed, to the place the page came from.
 */
import { type Signal, signal } from "@preact/signals";
import type { ClientMessage, Edit, ServerMessage, Topic } from "../../../src/contract/live.ts";

// What does a subscription know after the next message? Pure: a snapshot replaces, a delta changes, a hole in
// the numbering asks for a new snapshot and changes nothing until it comes.

export type View = Readonly<Record<string, unknown>>;

export interface Subscribed {
  /** Number of the last message taken; null before the first snapshot. */
  readonly seq: number | null;
  readonly view: View | null;
  /** True from the moment a hole was found until the snapshot that fills it. */
  readonly holed: boolean;
  readonly trouble: string | null;
}

export interface Step {
  readonly next: Subscribed;
  /** Whether `resync` must be sent now. Once a hole, however many messages follow it. */
  readonly resync: boolean;
}

export const UNBORN: Subscribed = { seq: null, view: null, holed: false, trouble: null };

/** Applies one message of this subscription. */
export function applyMessage(state: Subscribed, message: ServerMessage): Step {
  switch (message.type) {
    case "snapshot":
      return {
        next: {
          seq: message.seq,
          view: isRecord(message.view) ? message.view : {},
          holed: false,
          trouble: null,
        },
        resync: false,
      };
    case "trouble":
      return { next: { ...state, trouble: message.sentence }, resync: false };
    case "delta": {
      if (state.seq === null || state.view === null || message.seq !== state.seq + 1)
        return { next: { ...state, holed: true }, resync: !state.holed };
      // A hole further back is not mended by a number that happens to fit.
      if (state.holed) return { next: state, resync: false };
      const view = edited(state.view, message) as View;
      return { next: { seq: message.seq, view, holed: false, trouble: null }, resync: false };
    }
  }
}

/** The value after an edit (src/contract/live.ts): a new one, which shares with the older what did not change. */
function edited(value: unknown, { list, set, edit, gone }: Edit): unknown {
  const next: Record<string, unknown> | unknown[] = Array.isArray(value)
    ? (list?.flatMap((part) => ("add" in part ? part.add : value.slice(part[0], part[0] + part[1]))) ?? [
        ...value,
      ])
    : { ...(isRecord(value) ? value : {}) };
  const fields = next as Record<string, unknown>;
  Object.assign(fields, set);
  for (const [key, inside] of Object.entries(edit ?? {})) fields[key] = edited(fields[key], inside);
  for (const key of gone ?? []) delete fields[key];
  return next;
}

function isRecord(value: unknown): value is View {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

// How does the page stay live? One websocket, many subscriptions; when it is lost the data stay, are called
// stale, and every subscription is asked for anew once the line is back. Socket and timer are handed in.

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

interface LiveConnection {
  readonly line: Signal<LineState>;
  /** When the line was lost, epoch milliseconds; null while it is not. */
  readonly lostAtMs: Signal<number | null>;
  subscribe(topic: Topic, lastSeconds: number, key: string | null, site?: string | null): LiveSubscription;
  /** Tries again at once, for instance when the browser says that the network is back. */
  retryNow(): void;
}

// Half a second at first, then doubling to a quarter of a minute: quick after a restart, quiet after a shutdown.
const FIRST_WAIT_MS = 500;
const MAX_WAIT_MS = 15_000;

interface Entry {
  readonly request: { topic: Topic; last: number; key: string | null; site: string | null };
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
    const { topic, last, key, site } = entry.request;
    send({
      type: "subscribe",
      id,
      topic,
      last,
      ...(key === null ? {} : { key }),
      ...(site === null ? {} : { site }),
    });
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
      waitMs = Math.min(waitMs * 2, MAX_WAIT_MS);
    };
  };
  connect();

  return {
    line,
    lostAtMs,
    subscribe(topic, lastSeconds, key, site = null) {
      const id = nextId;
      nextId += 1;
      const entry: Entry = { request: { topic, last: lastSeconds, key, site }, state: signal(UNBORN) };
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

let connection: LiveConnection | null = null;

/** The connection; opens it at the first call. */
export function live(): LiveConnection {
  if (connection === null) {
    connection = createLiveConnection({
      open: openSocket,
      later: (run, ms) => {
        setTimeout(run, ms);
      },
      nowMs: () => Date.now(),
    });
    addEventListener("online", () => connection?.retryNow());
  }
  return connection;
}

function openSocket(): Socket {
  const url = new URL("/live", location.href);
  url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
  url.hash = "";
  const socket = new WebSocket(url);
  const wrapped: Socket = {
    send: (text) => socket.send(text),
    close: () => socket.close(),
    onopen: null,
    onclose: null,
    onmessage: null,
  };
  socket.onopen = () => wrapped.onopen?.();
  socket.onclose = () => wrapped.onclose?.();
  socket.onmessage = (event: MessageEvent<unknown>) => wrapped.onmessage?.(event);
  return wrapped;
}
