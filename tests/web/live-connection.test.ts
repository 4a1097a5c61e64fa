import { describe, expect, test } from "vitest";
import { createLiveConnection, type Socket } from "../../web/src/state/live.ts";

/** A line whose socket and clock the test holds in its hand. */
function makeLine() {
  const sockets: (Socket & { sent: string[] })[] = [];
  const waits: { run: () => void; ms: number }[] = [];
  let nowMs = 1000;
  const line = createLiveConnection({
    open: () => {
      const sent: string[] = [];
      const socket = {
        sent,
        send: (text: string) => void sent.push(text),
        close: () => {},
        onopen: null,
        onclose: null,
        onmessage: null,
      };
      sockets.push(socket);
      return socket;
    },
    later: (run, ms) => void waits.push({ run, ms }),
    nowMs: () => nowMs,
  });
  const newest = () => sockets.at(-1)!;
  return {
    line,
    sockets,
    waits,
    newest,
    pass: (ms: number) => {
      nowMs += ms;
    },
    say: (message: unknown) => newest().onmessage?.({ data: JSON.stringify(message) }),
    heard: () => newest().sent.map((text) => JSON.parse(text) as Record<string, unknown>),
  };
}

describe("the live line", () => {
  test("asks for what was subscribed before it was open", () => {
    const at = makeLine();
    at.line.subscribe("node", 3600, "01A2B3C4/1");
    expect(at.heard()).toEqual([]);
    at.newest().onopen?.();
    expect(at.heard()).toEqual([{ type: "subscribe", id: 1, topic: "node", last: 3600, key: "01A2B3C4/1" }]);
  });

  test("keeps what was shown when it is lost, says since when, and asks again when it is back", () => {
    const at = makeLine();
    const subscription = at.line.subscribe("site", 3600, null);
    at.newest().onopen?.();
    at.say({ type: "snapshot", id: 1, seq: 1, view: { heard: 1 } });
    at.newest().onclose?.();
    expect(at.line.line.value).toBe("lost");
    expect(at.line.lostAtMs.value).toBe(1000);
    expect(subscription.state.value.view).toEqual({ heard: 1 });
    at.pass(60_000);
    at.waits.at(-1)!.run();
    at.newest().onclose?.();
    expect(at.line.lostAtMs.value).toBe(1000);
    at.waits.at(-1)!.run();
    at.newest().onopen?.();
    expect(at.line.lostAtMs.value).toBe(null);
    expect(at.heard()).toHaveLength(1);
    at.say({ type: "snapshot", id: 1, seq: 7, view: { heard: 7 } });
    expect(subscription.state.value.view).toEqual({ heard: 7 });
  });

  test("waits longer after each failure, but never longer than a quarter of a minute", () => {
    const at = makeLine();
    for (let attempt = 0; attempt < 8; attempt += 1) {
      at.newest().onclose?.();
      at.waits.at(-1)!.run();
    }
    expect(at.waits.map((wait) => wait.ms)).toEqual([500, 1000, 2000, 4000, 8000, 15_000, 15_000, 15_000]);
  });

  test("sends one resync for a hole", () => {
    const at = makeLine();
    at.line.subscribe("nodes", 600, null);
    at.newest().onopen?.();
    at.say({ type: "snapshot", id: 1, seq: 1, view: {} });
    at.say({ type: "delta", id: 1, seq: 3, set: {} });
    at.say({ type: "delta", id: 1, seq: 4, set: {} });
    expect(at.heard().filter((message) => message.type === "resync")).toEqual([{ type: "resync", id: 1 }]);
  });

  test("does not stumble over what it does not understand", () => {
    const at = makeLine();
    const subscription = at.line.subscribe("status", 600, null);
    at.newest().onopen?.();
    at.newest().onmessage?.({ data: "{" });
    at.newest().onmessage?.({ data: new ArrayBuffer(2) });
    at.say({ type: "later-word", id: 1 });
    at.say({ type: "snapshot", id: 99, seq: 1, view: {} });
    at.say({ type: "trouble", id: null, sentence: "?" });
    expect(subscription.state.value.view).toBe(null);
  });

  test("an unsubscribed topic is told to the service and heard no more", () => {
    const at = makeLine();
    const subscription = at.line.subscribe("air", 600, null);
    at.newest().onopen?.();
    subscription.close();
    at.say({ type: "snapshot", id: 1, seq: 1, view: { late: true } });
    expect(at.heard().at(-1)).toEqual({ type: "unsubscribe", id: 1 });
    expect(subscription.state.value.view).toBe(null);
  });

  test("a message of an old socket does not count any more", () => {
    const at = makeLine();
    const subscription = at.line.subscribe("site", 600, null);
    const old = at.newest();
    old.onopen?.();
    old.onclose?.();
    at.line.retryNow();
    at.newest().onopen?.();
    old.onmessage?.({ data: JSON.stringify({ type: "snapshot", id: 1, seq: 1, view: { old: true } }) });
    old.onclose?.();
    expect(subscription.state.value.view).toBe(null);
    expect(at.line.line.value).toBe("open");
  });
});
