import { describe, expect, it } from "vitest";
import { ServerMessage, type Topic } from "../../src/contract/live.ts";
import {
  LiveHub,
  type LiveSocket,
  MAX_CLIENTS,
  MAX_SUBSCRIPTIONS,
  MAX_VIEWS,
} from "../../src/service/live-hub.ts";
import { LIVE_PACE, type LiveQuestion } from "../../src/service/live-view.ts";
import { HandClock } from "./hand-clock.ts";
import { WIDE } from "./parts.ts";

class FakeSocket implements LiveSocket {
  bufferedAmount = 0;
  pings = 0;
  /** What a browser does by itself; null: this one is dead. */
  onPing: (() => void) | null = null;
  closed: number | null = null;
  terminated = false;
  readonly got: ServerMessage[] = [];
  send(text: string): void {
    this.got.push(ServerMessage.parse(JSON.parse(text)));
  }
  ping(): void {
    this.pings += 1;
    this.onPing?.();
  }
  close(code: number): void {
    this.closed = code;
  }
  terminate(): void {
    this.terminated = true;
  }
  take(): ServerMessage[] {
    return this.got.splice(0);
  }
}

class Scene {
  readonly clock = new HandClock();
  readonly computed: LiveQuestion[] = [];
  /** What every topic shows; a test changes it. */
  answer: Record<string, unknown> = { count: 1 };
  trouble: string | null = null;
  costMs = 0;
  readonly hub = new LiveHub({
    clock: this.clock,
    pace: LIVE_PACE,
    compute: (question) => {
      this.computed.push(question);
      this.clock.nowMs += this.costMs;
      if (this.trouble !== null) throw new Error(this.trouble);
      return { ...this.answer };
    },
    describe: (error) => (error instanceof Error ? error.message : "?"),
  });

  join() {
    const socket = new FakeSocket();
    const client = this.hub.admit(socket);
    socket.onPing = () => client?.alive();
    const say = (message: object) => client?.receive(JSON.stringify(message));
    const watch = (id: number, topic: Topic, more: { last?: number; key?: string } = {}) =>
      say({ type: "subscribe", id, topic, ...more });
    return { socket, client, say, watch };
  }
  /** A client that has its first snapshot of a topic. */
  joined(topic: Topic = "site", more: { last?: number; key?: string } = {}) {
    const one = this.join();
    one.watch(1, topic, more);
    this.clock.pass(0);
    one.socket.take();
    return one;
  }
}

describe("a subscription", () => {
  it("begins with a snapshot; deltas follow, each numbered one higher, with what changed and no more", () => {
    const scene = new Scene();
    scene.answer = { count: 1, words: "same" };
    const { socket, watch } = scene.join();
    watch(7, "site");
    scene.clock.pass(0);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 7, seq: 1, view: { count: 1, words: "same" } }]);
    for (const count of [2, 3]) {
      scene.answer = { count, words: "same" };
      scene.hub.committed(WIDE);
      scene.clock.pass(1000);
      expect(socket.take()).toEqual([{ type: "delta", id: 7, seq: count, set: { count } }]);
    }
  });

  it("asks the store at most once a second, however often is committed, and once for all who watch the same", () => {
    const scene = new Scene();
    const clients = [scene.joined(), scene.joined(), scene.joined()];
    scene.computed.length = 0;
    for (let i = 0; i < 50; i++) {
      scene.answer = { count: i + 10 };
      scene.hub.committed(WIDE);
      scene.clock.pass(100);
    }
    expect(scene.computed.length).toBeGreaterThanOrEqual(4);
    expect(scene.computed.length).toBeLessThanOrEqual(6);
    for (const { socket } of clients) expect(socket.take().length).toBe(scene.computed.length);
  });

  it("gives the store more rest the longer its answers take", () => {
    const scene = new Scene();
    scene.joined();
    scene.costMs = 2_000;
    scene.hub.committed(WIDE);
    scene.clock.pass(1_000);
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    scene.clock.pass(7_900);
    expect(scene.computed.length).toBe(0);
    scene.clock.pass(200);
    expect(scene.computed.length).toBe(1);
  });

  it("moves with the clock even when nothing arrives", () => {
    const scene = new Scene();
    const { socket } = scene.joined();
    scene.answer = { count: 1, silentSeconds: 10 };
    scene.clock.pass(10_000);
    expect(socket.take()).toEqual([{ type: "delta", id: 1, seq: 2, set: { silentSeconds: 10 } }]);
  });

  it("sends nothing when nothing changed", () => {
    const scene = new Scene();
    const { socket } = scene.joined();
    scene.hub.committed(WIDE);
    scene.clock.pass(30_000);
    expect(socket.take()).toEqual([]);
  });

  it("gets a new snapshot for resync, numbered on", () => {
    const scene = new Scene();
    const { socket, say } = scene.joined();
    say({ type: "resync", id: 1 });
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 1 } }]);
    say({ type: "resync", id: 99 });
    expect(socket.take()).toEqual([]);
  });

  it("ends with unsubscribe, and its view with its last watcher", () => {
    const scene = new Scene();
    const { socket, say } = scene.joined();
    say({ type: "unsubscribe", id: 1 });
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    scene.clock.pass(60_000);
    expect(scene.computed).toEqual([]);
    expect(socket.take()).toEqual([]);
  });

  it("of a node rests when only others were heard", () => {
    const scene = new Scene();
    scene.joined("node", { key: "01A2B3C4/1" });
    scene.computed.length = 0;
    const heard = (devAddr: string) => ({ ...WIDE, wide: false, nodes: [devAddr] });
    scene.hub.committed(heard("01A2B3C5"));
    scene.clock.pass(2_000);
    expect(scene.computed).toEqual([]);
    scene.hub.committed(heard("01A2B3C4"));
    scene.clock.pass(2_000);
    expect(scene.computed).toHaveLength(1);
  });

  it("of captures moves with the reading of a capture", () => {
    const scene = new Scene();
    scene.joined("captures");
    scene.computed.length = 0;
    scene.hub.captureMoved();
    scene.clock.pass(1_000);
    expect(scene.computed).toHaveLength(1);
  });

  it("under a number in use takes that number's place", () => {
    const scene = new Scene();
    const { socket, watch } = scene.joined("site");
    watch(1, "air");
    scene.clock.pass(0);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 1, view: { count: 1 } }]);
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    scene.clock.pass(1_000);
    expect(scene.computed.map(({ topic }) => topic)).toEqual(["air"]);
  });
});

describe("trouble", () => {
  it("is told once in a sentence, and ends with a snapshot", () => {
    const scene = new Scene();
    const { socket } = scene.joined();
    scene.trouble = "The store is busy.";
    scene.clock.pass(40_000);
    expect(socket.take()).toEqual([{ type: "trouble", id: 1, sentence: "The store is busy." }]);
    scene.trouble = null;
    scene.clock.pass(10_000);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 1 } }]);
  });

  it.each([
    ["no JSON", "{"],
    ["no message of the protocol", '{"type":"shout"}'],
    ["a topic that is none", '{"type":"subscribe","id":1,"topic":"keys"}'],
    ["octets instead of text", null],
    ["a window of years", '{"type":"subscribe","id":1,"topic":"site","last":999999999}'],
  ])("is told of %s", (_words, text) => {
    const scene = new Scene();
    const { socket, client } = scene.join();
    client?.receive(text);
    expect(socket.take()).toMatchObject([{ type: "trouble", id: null }]);
    expect(socket.closed).toBeNull();
  });

  it("is told of a node that is not named", () => {
    const scene = new Scene();
    const { socket, watch } = scene.join();
    watch(3, "node", { key: "01A2B3C4" });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: 3 }]);
  });
});

describe("a slow client", () => {
  it("is passed over without holding up others, and gets the newest snapshot once it has room", () => {
    const scene = new Scene();
    const slow = scene.joined();
    const quick = scene.joined();
    slow.socket.bufferedAmount = LIVE_PACE.mostBuffered + 1;
    for (const count of [2, 3, 4]) {
      scene.answer = { count };
      scene.hub.committed(WIDE);
      scene.clock.pass(1_000);
    }
    expect(slow.socket.take()).toEqual([]);
    expect(quick.socket.take()).toHaveLength(3);
    slow.socket.bufferedAmount = 0;
    scene.clock.pass(LIVE_PACE.retryMs);
    expect(slow.socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 4 } }]);
    scene.answer = { count: 5 };
    scene.hub.committed(WIDE);
    scene.clock.pass(1_000);
    expect(slow.socket.take()).toEqual([{ type: "delta", id: 1, seq: 3, set: { count: 5 } }]);
  });

  it("that answers no ping is cut off", () => {
    const scene = new Scene();
    const dead = scene.joined();
    const alive = scene.joined();
    dead.socket.onPing = null;
    scene.clock.pass(2 * LIVE_PACE.heartbeatMs);
    expect([dead.socket.terminated, alive.socket.terminated]).toEqual([true, false]);
    expect(scene.hub.clientCount).toBe(1);
    expect(alive.socket.pings).toBe(2);
  });
});

describe("bounds", () => {
  it("hold for clients", () => {
    const scene = new Scene();
    for (let i = 0; i < MAX_CLIENTS; i++) scene.join();
    const late = scene.join();
    expect([late.client, late.socket.closed]).toEqual([null, 1013]);
    expect(scene.hub.clientCount).toBe(MAX_CLIENTS);
  });

  it("hold for subscriptions of one client", () => {
    const scene = new Scene();
    const { socket, watch } = scene.join();
    for (let id = 0; id <= MAX_SUBSCRIPTIONS; id++) watch(id, "site", { last: 60 + id });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: MAX_SUBSCRIPTIONS }]);
  });

  it("hold for different views, while known ones are shared still", () => {
    const scene = new Scene();
    for (let i = 0; i < MAX_VIEWS; i += MAX_SUBSCRIPTIONS) {
      const { watch } = scene.join();
      for (let id = 0; id < MAX_SUBSCRIPTIONS; id++) watch(id, "site", { last: 60 + i + id });
    }
    const { socket, watch } = scene.join();
    watch(1, "site", { last: 10_000 });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: 1 }]);
    watch(2, "site", { last: 60 });
    scene.clock.pass(0);
    expect(socket.take()).toMatchObject([{ type: "snapshot", id: 2 }]);
  });

  it("hold for messages: a client that floods is shown out", () => {
    const scene = new Scene();
    const { socket, say } = scene.joined();
    for (let i = 0; i < 200; i++) say({ type: "resync", id: 1 });
    expect(socket.closed).toBe(1008);
    expect(socket.take().length).toBeLessThanOrEqual(60);
    expect(scene.hub.clientCount).toBe(0);
  });

  it("leave a client alone that speaks at a normal rate for long", () => {
    const scene = new Scene();
    const { socket, say } = scene.joined();
    for (let i = 0; i < 300; i++) {
      say({ type: "resync", id: 1 });
      scene.clock.pass(100);
    }
    expect(socket.closed).toBeNull();
  });
});

describe("the end", () => {
  it("says goodbye at once, cuts off who stays, and leaves no timer", () => {
    const scene = new Scene();
    const { socket, client } = scene.joined();
    scene.hub.close(500);
    expect([socket.closed, socket.terminated]).toEqual([1001, false]);
    scene.clock.pass(500);
    expect(socket.terminated).toBe(true);
    client?.gone();
    client?.receive('{"type":"resync","id":1}');
    expect(scene.clock.waiting).toBe(0);
    expect(scene.join().client).toBeNull();
  });
});
