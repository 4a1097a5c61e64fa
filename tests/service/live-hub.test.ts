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
  /** What every computation waits for; a test holds one up. */
  gate: Promise<void> = Promise.resolve();
  readonly signals: AbortSignal[] = [];
  readonly hub = new LiveHub({
    clock: this.clock,
    pace: LIVE_PACE,
    compute: async (question, signal) => {
      this.computed.push(question);
      this.signals.push(signal);
      await this.gate;
      this.clock.nowMs += this.costMs;
      if (this.trouble !== null) throw new Error(this.trouble);
      return { ...this.answer };
    },
    describe: (error) => (error instanceof Error ? error.message : "?"),
  });

  /** Holds computations up until the result is called. */
  hold(): () => void {
    let open = () => {};
    this.gate = new Promise((resolve) => {
      open = resolve;
    });
    return open;
  }
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
  async joined(topic: Topic = "site", more: { last?: number; key?: string } = {}) {
    const one = this.join();
    one.watch(1, topic, more);
    await this.clock.passing(0);
    one.socket.take();
    return one;
  }
}

describe("a subscription", () => {
  it("begins with a snapshot; deltas follow, each numbered one higher, with what changed and no more", async () => {
    const scene = new Scene();
    scene.answer = { count: 1, words: "same" };
    const { socket, watch } = scene.join();
    watch(7, "site");
    await scene.clock.passing(0);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 7, seq: 1, view: { count: 1, words: "same" } }]);
    for (const count of [2, 3]) {
      scene.answer = { count, words: "same" };
      scene.hub.committed(WIDE);
      await scene.clock.passing(1000);
      expect(socket.take()).toEqual([{ type: "delta", id: 7, seq: count, set: { count } }]);
    }
  });

  it("asks the store at most once a second, however often is committed, and once for all who watch the same", async () => {
    const scene = new Scene();
    const clients = [await scene.joined(), await scene.joined(), await scene.joined()];
    scene.computed.length = 0;
    for (let i = 0; i < 50; i++) {
      scene.answer = { count: i + 10 };
      scene.hub.committed(WIDE);
      await scene.clock.passing(100);
    }
    expect(scene.computed.length).toBeGreaterThanOrEqual(4);
    expect(scene.computed.length).toBeLessThanOrEqual(6);
    for (const { socket } of clients) expect(socket.take().length).toBe(scene.computed.length);
  });

  it("of the air is asked for every three seconds, as its cells are minutes", async () => {
    const scene = new Scene();
    await scene.joined("air");
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    await scene.clock.passing(2_999);
    expect(scene.computed).toEqual([]);
    await scene.clock.passing(1);
    expect(scene.computed).toHaveLength(1);
  });

  it("gives the store more rest the longer its answers take", async () => {
    const scene = new Scene();
    await scene.joined();
    scene.costMs = 2_000;
    scene.hub.committed(WIDE);
    await scene.clock.passing(1_000);
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    await scene.clock.passing(7_900);
    expect(scene.computed.length).toBe(0);
    await scene.clock.passing(200);
    expect(scene.computed.length).toBe(1);
  });

  it("is not asked for twice at once; what was committed meanwhile is asked for afterwards", async () => {
    const scene = new Scene();
    const { socket } = await scene.joined();
    scene.computed.length = 0;
    const open = scene.hold();
    scene.hub.committed(WIDE);
    await scene.clock.passing(1_000);
    scene.hub.committed(WIDE);
    await scene.clock.passing(5_000);
    expect(scene.computed).toHaveLength(1);
    scene.answer = { count: 2 };
    open();
    await scene.clock.passing(0);
    expect(socket.take()).toMatchObject([{ type: "delta", set: { count: 2 } }]);
    // Five seconds of work may take a quarter of the time.
    await scene.clock.passing(19_999);
    expect(scene.computed).toHaveLength(1);
    await scene.clock.passing(1);
    expect(scene.computed).toHaveLength(2);
  });

  it("drops the question under way with its last watcher", async () => {
    const scene = new Scene();
    const { client, socket } = await scene.joined();
    const open = scene.hold();
    scene.hub.committed(WIDE);
    await scene.clock.passing(1_000);
    expect(scene.signals.at(-1)?.aborted).toBe(false);
    client?.gone();
    expect(scene.signals.at(-1)?.aborted).toBe(true);
    scene.answer = { count: 2 };
    open();
    await scene.clock.passing(60_000);
    expect([socket.take(), scene.computed.length]).toEqual([[], 2]);
  });

  it("moves with the clock even when nothing arrives", async () => {
    const scene = new Scene();
    const { socket } = await scene.joined();
    scene.answer = { count: 1, silentSeconds: 10 };
    await scene.clock.passing(10_000);
    expect(socket.take()).toEqual([{ type: "delta", id: 1, seq: 2, set: { silentSeconds: 10 } }]);
  });

  it("sends nothing when nothing changed", async () => {
    const scene = new Scene();
    const { socket } = await scene.joined();
    scene.hub.committed(WIDE);
    await scene.clock.passing(30_000);
    expect(socket.take()).toEqual([]);
  });

  it("gets a new snapshot for resync, numbered on", async () => {
    const scene = new Scene();
    const { socket, say } = await scene.joined();
    say({ type: "resync", id: 1 });
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 1 } }]);
    say({ type: "resync", id: 99 });
    expect(socket.take()).toEqual([]);
  });

  it("ends with unsubscribe, and its view with its last watcher", async () => {
    const scene = new Scene();
    const { socket, say } = await scene.joined();
    say({ type: "unsubscribe", id: 1 });
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    await scene.clock.passing(60_000);
    expect(scene.computed).toEqual([]);
    expect(socket.take()).toEqual([]);
  });

  it("of a node rests when only others were heard", async () => {
    const scene = new Scene();
    await scene.joined("node", { key: "01A2B3C4/1" });
    scene.computed.length = 0;
    const heard = (devAddr: string) => ({ ...WIDE, wide: false, nodes: [devAddr] });
    scene.hub.committed(heard("01A2B3C5"));
    await scene.clock.passing(2_000);
    expect(scene.computed).toEqual([]);
    scene.hub.committed(heard("01A2B3C4"));
    await scene.clock.passing(2_000);
    expect(scene.computed).toHaveLength(1);
  });

  it("of captures moves with the reading of a capture", async () => {
    const scene = new Scene();
    await scene.joined("captures");
    scene.computed.length = 0;
    scene.hub.captureMoved();
    await scene.clock.passing(1_000);
    expect(scene.computed).toHaveLength(1);
  });

  it("under a number in use takes that number's place", async () => {
    const scene = new Scene();
    const { socket, watch } = await scene.joined("site");
    watch(1, "gaps");
    await scene.clock.passing(0);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 1, view: { count: 1 } }]);
    scene.computed.length = 0;
    scene.hub.committed(WIDE);
    await scene.clock.passing(1_000);
    expect(scene.computed.map(({ topic }) => topic)).toEqual(["gaps"]);
  });
});

describe("trouble", () => {
  it("is told once in a sentence, and ends with a snapshot", async () => {
    const scene = new Scene();
    const { socket } = await scene.joined();
    scene.trouble = "The store is busy.";
    await scene.clock.passing(40_000);
    expect(socket.take()).toEqual([{ type: "trouble", id: 1, sentence: "The store is busy." }]);
    scene.trouble = null;
    await scene.clock.passing(10_000);
    expect(socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 1 } }]);
  });

  it.each([
    ["no JSON", "{"],
    ["no message of the protocol", '{"type":"shout"}'],
    ["a topic that is none", '{"type":"subscribe","id":1,"topic":"keys"}'],
    ["octets instead of text", null],
    ["a window of years", '{"type":"subscribe","id":1,"topic":"site","last":999999999}'],
  ])("is told of %s", async (_words, text) => {
    const scene = new Scene();
    const { socket, client } = scene.join();
    client?.receive(text);
    expect(socket.take()).toMatchObject([{ type: "trouble", id: null }]);
    expect(socket.closed).toBeNull();
  });

  it("is told of a node that is not named", async () => {
    const scene = new Scene();
    const { socket, watch } = scene.join();
    watch(3, "node", { key: "01A2B3C4" });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: 3 }]);
  });
});

describe("a slow client", () => {
  it("is passed over without holding up others, and gets the newest snapshot once it has room", async () => {
    const scene = new Scene();
    const slow = await scene.joined();
    const quick = await scene.joined();
    slow.socket.bufferedAmount = LIVE_PACE.mostBuffered + 1;
    for (const count of [2, 3, 4]) {
      scene.answer = { count };
      scene.hub.committed(WIDE);
      await scene.clock.passing(1_000);
    }
    expect(slow.socket.take()).toEqual([]);
    expect(quick.socket.take()).toHaveLength(3);
    slow.socket.bufferedAmount = 0;
    await scene.clock.passing(LIVE_PACE.retryMs);
    expect(slow.socket.take()).toEqual([{ type: "snapshot", id: 1, seq: 2, view: { count: 4 } }]);
    scene.answer = { count: 5 };
    scene.hub.committed(WIDE);
    await scene.clock.passing(1_000);
    expect(slow.socket.take()).toEqual([{ type: "delta", id: 1, seq: 3, set: { count: 5 } }]);
  });

  it("that answers no ping is cut off", async () => {
    const scene = new Scene();
    const dead = await scene.joined();
    const alive = await scene.joined();
    dead.socket.onPing = null;
    await scene.clock.passing(2 * LIVE_PACE.heartbeatMs);
    expect([dead.socket.terminated, alive.socket.terminated]).toEqual([true, false]);
    expect(scene.hub.clientCount).toBe(1);
    expect(alive.socket.pings).toBe(2);
  });
});

describe("bounds", () => {
  it("hold for clients", async () => {
    const scene = new Scene();
    for (let i = 0; i < MAX_CLIENTS; i++) scene.join();
    const late = scene.join();
    expect([late.client, late.socket.closed]).toEqual([null, 1013]);
    expect(scene.hub.clientCount).toBe(MAX_CLIENTS);
  });

  it("hold for subscriptions of one client", async () => {
    const scene = new Scene();
    const { socket, watch } = scene.join();
    for (let id = 0; id <= MAX_SUBSCRIPTIONS; id++) watch(id, "site", { last: 60 + id });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: MAX_SUBSCRIPTIONS }]);
  });

  it("hold for different views, while known ones are shared still", async () => {
    const scene = new Scene();
    for (let i = 0; i < MAX_VIEWS; i += MAX_SUBSCRIPTIONS) {
      const { watch } = scene.join();
      for (let id = 0; id < MAX_SUBSCRIPTIONS; id++) watch(id, "site", { last: 60 + i + id });
    }
    const { socket, watch } = scene.join();
    watch(1, "site", { last: 10_000 });
    expect(socket.take()).toMatchObject([{ type: "trouble", id: 1 }]);
    watch(2, "site", { last: 60 });
    await scene.clock.passing(0);
    expect(socket.take()).toMatchObject([{ type: "snapshot", id: 2 }]);
  });

  it("hold for messages: a client that floods is shown out", async () => {
    const scene = new Scene();
    const { socket, say } = await scene.joined();
    for (let i = 0; i < 200; i++) say({ type: "resync", id: 1 });
    expect(socket.closed).toBe(1008);
    expect(socket.take().length).toBeLessThanOrEqual(60);
    expect(scene.hub.clientCount).toBe(0);
  });

  it("leave a client alone that speaks at a normal rate for long", async () => {
    const scene = new Scene();
    const { socket, say } = await scene.joined();
    for (let i = 0; i < 300; i++) {
      say({ type: "resync", id: 1 });
      await scene.clock.passing(100);
    }
    expect(socket.closed).toBeNull();
  });
});

describe("the end", () => {
  it("says goodbye at once, cuts off who stays, and leaves no timer", async () => {
    const scene = new Scene();
    const { socket, client } = await scene.joined();
    scene.hub.close(500);
    expect([socket.closed, socket.terminated]).toEqual([1001, false]);
    await scene.clock.passing(500);
    expect(socket.terminated).toBe(true);
    client?.gone();
    client?.receive('{"type":"resync","id":1}');
    expect(scene.clock.waiting).toBe(0);
    expect(scene.join().client).toBeNull();
  });
});
