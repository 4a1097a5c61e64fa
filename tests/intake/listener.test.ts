import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { ListenedDatagram } from "../../src/intake/datagram-batch.ts";
import { RateLimit } from "../../src/intake/guards.ts";
import { Listener } from "../../src/intake/listener.ts";
import type { Arrival, Endpoint } from "../../src/model/datagram.ts";
import { arrivalOf, phy, pull, push, SHED, START_US } from "../store/traffic.ts";
import { HandClock } from "./hand-clock.ts";

const HONEST = { address: "192.0.2.7", port: 40_123 };

function setUp(sparing = false) {
  const clock = new HandClock();
  const posted: ListenedDatagram[] = [];
  const answers: { answer: number[]; to: Endpoint; atMs: number }[] = [];
  const listener = new Listener({
    clock,
    post: (datagrams) => posted.push(...datagrams),
    isOwnEndpoint: (endpoint) => endpoint.port === 1700 && endpoint.address === "127.0.0.1",
    sparing,
  });
  const receive = (arrival: Arrival, from = arrival.from) =>
    listener.receive({ ...arrival, from }, (answer, to) =>
      answers.push({ answer: [...answer], to, atMs: clock.nowMs }),
    );
  /** A recorder that stores all it was handed, and what it is handed thereupon. */
  let stored = 0;
  const storeAll = () => {
    while (stored < posted.length) {
      const count = posted.length - stored;
      stored += count;
      listener.stored(count);
    }
  };
  const store = (count: number) => {
    stored += count;
    listener.stored(count);
  };
  return { clock, posted, answers, listener, receive, store, storeAll };
}

const uplink = (atS: number, token = 0x1234) =>
  push(SHED, atS, [{ payload: phy("01A2B3C4", atS) }], token).arrival;

describe("the listener, sparing", () => {
  it("answers at once, counts it as before storing, and calls no second of gathering slow", () => {
    const { clock, answers, listener, receive, storeAll } = setUp(true);
    for (let i = 0; i < 20; i++) receive(uplink(i, i));
    clock.pass(1_000);
    expect(answers.map(({ atMs }) => atMs)).toEqual(Array(20).fill(0));
    expect(listener.figures()).toMatchObject({
      answeredAfterCommit: 0,
      answeredBeforeStored: 20,
      slowness: "",
    });
    storeAll();
    expect(answers.length).toBe(20);
    expect(listener.figures()).toMatchObject({ answeredAfterCommit: 0, waiting: 0 });
  });

  it("still says when the store lags behind", () => {
    const { clock, listener, receive } = setUp(true);
    receive(uplink(1));
    clock.pass(5_000);
    expect(listener.figures().slowness).toBe(
      "The store lags behind by 5\u202Fs: 1 datagram waits in memory.",
    );
  });
});

describe("the listener's promise", () => {
  it("an acknowledgement leaves when its datagram is stored, to its exact source", () => {
    const { clock, answers, listener, receive, store } = setUp();
    receive(uplink(1));
    clock.pass(7);
    expect(answers).toEqual([]);
    store(1);
    expect(answers).toEqual([{ answer: [2, 0x12, 0x34, 1], to: HONEST, atMs: 7 }]);
    expect(listener.figures()).toMatchObject({ answeredAfterCommit: 1, answeredBeforeStored: 0, waiting: 0 });
  });

  it("an acknowledgement leaves within 25 ms when nothing is stored, once, and is counted", () => {
    const { clock, answers, listener, receive, storeAll } = setUp();
    receive(uplink(1));
    clock.pass(10);
    receive(uplink(2));
    clock.pass(5_000);
    expect(answers.map(({ atMs }) => atMs)).toEqual([23, 33]);
    expect(listener.figures()).toMatchObject({ answeredBeforeStored: 2, waiting: 2 });
    storeAll();
    expect(answers.length).toBe(2);
    expect(listener.figures()).toMatchObject({ answeredAfterCommit: 0, answeredBeforeStored: 2, waiting: 0 });
  });

  it("no answer is ever later than 25 ms, however the recorder stalls", () => {
    fc.assert(
      fc.property(
        fc.array(
          fc.record({
            restMs: fc.integer({ min: 0, max: 40 }),
            burst: fc.integer({ min: 0, max: 60 }),
            stored: fc.oneof(fc.constant(0), fc.integer({ min: 0, max: 200 })),
          }),
          { maxLength: 60 },
        ),
        (steps) => {
          const { clock, answers, listener, receive, store, posted } = setUp();
          const receivedMs: number[] = [];
          let storedCount = 0;
          for (const { restMs, burst, stored } of steps) {
            for (let i = 0; i < burst; i++) {
              receive(uplink(1, receivedMs.length));
              receivedMs.push(clock.nowMs);
            }
            clock.pass(restMs);
            const count = Math.min(stored, posted.length - storedCount);
            storedCount += count;
            store(count);
          }
          clock.pass(25);
          expect(answers.length).toBe(receivedMs.length);
          for (const { answer, atMs } of answers) {
            const token = ((answer[1] ?? 0) << 8) | (answer[2] ?? 0);
            expect(atMs - (receivedMs[token] ?? Number.NaN)).toBeLessThanOrEqual(25);
          }
          const figures = listener.figures();
          expect(figures.answeredAfterCommit + figures.answeredBeforeStored).toBe(receivedMs.length);
          expect(figures.waiting).toBe(receivedMs.length - storedCount);
        },
      ),
    );
  });

  it("a keepalive is answered at once, whatever waits", () => {
    const { answers, receive } = setUp();
    receive(pull(SHED, 1, 0x0506).arrival);
    expect(answers.map(({ answer, atMs }) => ({ answer, atMs }))).toEqual([
      { answer: [2, 5, 6, 4], atMs: 0 },
    ]);
  });

  it("datagrams go to the recorder together, never more than 128 not yet stored", () => {
    const { clock, posted, receive, store } = setUp();
    for (let i = 0; i < 5; i++) receive(uplink(i));
    expect(posted.length).toBe(0);
    clock.turn();
    expect(posted.length).toBe(5);
    for (let i = 0; i < 300; i++) receive(uplink(i));
    clock.turn();
    expect(posted.length).toBe(128);
    store(40);
    expect(posted.length).toBe(168);
  });

  it("all that waits is handed over at the end, and answered when it is stored", () => {
    const { posted, listener, receive, answers, storeAll } = setUp();
    for (let i = 1; i <= 300; i++) receive(uplink(i));
    listener.handOverAll();
    expect(posted.length).toBe(300);
    storeAll();
    expect(answers.length).toBe(300);
  });

  it.each([
    ["a source port of 0", { address: "192.0.2.7", port: 0 }, "source"],
    ["a multicast source", { address: "224.0.0.5", port: 4000 }, "source"],
    ["a broadcast source", { address: "255.255.255.255", port: 4000 }, "source"],
    ["an IPv6 multicast source", { address: "ff02::1", port: 4000 }, "source"],
    ["its own address and port", { address: "127.0.0.1", port: 1700 }, "loop"],
  ])("%s is never answered, and goes to the recorder by its fault", (_what, from, sourceFault) => {
    const { clock, posted, answers, receive } = setUp();
    receive(uplink(1), from);
    clock.pass(100);
    expect(answers).toEqual([]);
    expect(posted).toMatchObject([{ sourceFault }]);
  });

  it("a wrong header is never answered, and recorded", () => {
    const { clock, answers, posted, receive } = setUp();
    for (const bytes of [[], [2, 1], [3, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8], [2, 0, 0, 1]]) {
      receive(arrivalOf(Uint8Array.from(bytes), START_US, "udp"));
    }
    clock.pass(100);
    expect(answers).toEqual([]);
    expect(posted.length).toBe(4);
  });

  it("a good header with a broken body is acknowledged", () => {
    const { clock, answers, receive } = setUp();
    const head = [2, 7, 8, 0, 2, 0, 0x5e, 0x10, 0, 0, 0, 1];
    receive(arrivalOf(Uint8Array.from([...head, 0x7b, 0x22]), START_US, "udp"));
    clock.pass(25);
    expect(answers.map(({ answer }) => answer)).toEqual([[2, 7, 8, 1]]);
  });
});

describe("the listener under a flood", () => {
  it("one source fills its share of the buffer; what is dropped is counted and answered at once", () => {
    const { listener, receive, answers } = setUp();
    const one = uplink(1);
    for (let i = 0; i < 30_000; i++) receive(one);
    const { waiting, dropped, droppedBySource } = listener.figures();
    // Alone, a source and its one port hold 64/73 of 24,000, rounded up.
    expect(waiting).toBe(21_042);
    expect(dropped).toBe(30_000 - waiting);
    expect(droppedBySource).toMatchObject([{ address: HONEST.address, port: HONEST.port, count: dropped }]);
    expect(answers.length).toBe(dropped);
  });

  it.each([
    ["two addresses", (i: number) => ({ address: `198.51.100.${1 + (i % 2)}`, port: 5_000 })],
    ["two ports of one address", (i: number) => ({ address: "198.51.100.1", port: 5_000 + (i % 2) })],
    ["1,000 ports of one address", (i: number) => ({ address: "198.51.100.1", port: 5_000 + (i % 1_000) })],
    ["ports of the honest one's own address", (i: number) => ({ ...HONEST, port: 5_000 + (i % 2) })],
  ])("an honest source beside %s loses nothing and waits for a few turns only", (_what, flooder) => {
    const { clock, listener, posted, receive, store } = setUp();
    const one = uplink(1);
    let honest = 0;
    let longestWait = 0;
    for (let round = 0; round < 400; round++) {
      for (let i = 0; i < 100; i++) receive(one, flooder(round * 100 + i));
      receive(one, HONEST);
      honest += 1;
      clock.turn();
      const before = posted.length;
      store(20);
      // The recorder keeps up with a fifth of it: what is handed over next holds the honest one's newest.
      const ours = posted.slice(before).findIndex(({ from }) => from === HONEST);
      if (round >= 10) longestWait = Math.max(longestWait, ours < 0 ? Number.POSITIVE_INFINITY : ours);
    }
    const { dropped, droppedBySource } = listener.figures();
    expect(posted.filter(({ from }) => from === HONEST).length).toBe(honest);
    expect(longestWait).toBeLessThanOrEqual(8);
    expect(dropped).toBeGreaterThan(5_000);
    expect(droppedBySource.some(({ port }) => port === HONEST.port)).toBe(false);
    expect(droppedBySource.reduce((sum, { count }) => sum + count, 0)).toBe(dropped);
  });

  it("large datagrams get no more octets through than small ones", () => {
    const { clock, posted, receive, store } = setUp();
    const large = { ...uplink(1), bytes: new Uint8Array(15_000).fill(2) };
    for (let i = 0; i < 400; i++) {
      receive(large, { address: "198.51.100.1", port: 1 });
      for (let n = 0; n < 10; n++) receive({ ...uplink(1), bytes: new Uint8Array(1_500).fill(2) }, HONEST);
    }
    clock.turn();
    for (let i = 0; i < 40; i++) store(20);
    const octets = (isHonest: boolean) =>
      posted
        .filter(({ from }) => (from === HONEST) === isHonest)
        .reduce((sum, { bytes }) => sum + bytes.length, 0);
    expect(octets(true) / octets(false)).toBeGreaterThan(0.9);
    expect(octets(true) / octets(false)).toBeLessThan(1.2);
  });

  it("keepalives from one source are answered sparingly, those of others every time", () => {
    const { answers, receive } = setUp();
    for (let i = 0; i < 500; i++) receive(pull(SHED, i, i).arrival);
    receive(pull(SHED, 1, 77).arrival, { address: "198.51.100.9", port: 5 });
    expect(answers.filter(({ to }) => to.address === "192.0.2.7").length).toBe(50);
    expect(answers.filter(({ to }) => to.address === "198.51.100.9").length).toBe(1);
  });

  it("storing is called slow while a tenth of the answers leave early, for ten seconds", () => {
    const { clock, listener, receive, storeAll } = setUp();
    expect(listener.figures().slowness).toBe("");
    for (let i = 0; i < 30; i++) {
      receive(uplink(i));
      clock.pass(150);
      storeAll();
    }
    expect(listener.figures().slowness).toBe(
      "Storing takes longer than 25 ms: 30 of 30 answers of the last 10 s left before their datagrams were stored.",
    );
    clock.pass(11_000);
    expect(listener.figures().slowness).toBe("");
  });
});

describe("a backlog", () => {
  it("is told by its age and size until it is stored", () => {
    const { clock, listener, receive, storeAll } = setUp();
    for (let i = 0; i < 3; i++) receive(uplink(i));
    clock.pass(900);
    expect(listener.figures().slowness).toBe("");
    clock.pass(6_100);
    expect(listener.figures().slowness).toBe(
      "The store lags behind by 7\u202Fs: 3 datagrams wait in memory.",
    );
    storeAll();
    expect(listener.figures().slowness).toBe("");
  });
});

describe("the limit of answers", () => {
  it("gives back one second's worth after a second, and forgets the source longest unheard", () => {
    const limit = new RateLimit(2, 2);
    expect([limit.allows("a", 0), limit.allows("a", 0), limit.allows("a", 0)]).toEqual([true, true, false]);
    expect(limit.allows("a", 500)).toBe(true);
    limit.allows("b", 500);
    limit.allows("c", 500);
    expect(limit.allows("a", 500)).toBe(true);
  });
});
