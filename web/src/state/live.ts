/**
 * The page's one live line, opened when first needed, to the place the page came from.
 */
import { createLiveConnection, type LiveConnection, type Socket } from "./live-connection.ts";

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
