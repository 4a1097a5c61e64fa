import { describe, expect, it } from "vitest";
import type { ListenedDatagram } from "../../src/intake/datagram-batch.ts";
import { RecordingQueue } from "../../src/intake/recording-queue.ts";
import type { HeldDatagram } from "../../src/store/held-log.ts";
import { nothingRecorded, type Recorded } from "../../src/store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, RecordOptions } from "../../src/store/recorder.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";
import { HandClock } from "./hand-clock.ts";

type Item = DecodedArrival | DownlinkArrival;

class FakeRecorder {
  readonly commits: Item[][] = [];
  trouble: Error | null = null;
  poison: Uint8Array | null = null;
  /** Milliseconds that each datagram costs. */
  costMs = 0;
  readonly clock: HandClock;

  constructor(clock: HandClock) {
    this.clock = clock;
  }

  get stored(): Item[] {
    return this.commits.flat();
  }

  readonly held: HeldDatagram[] = [];
  room: "ample" | "little" | "none" = "ample";

  hold(datagrams: readonly HeldDatagram[]): "ample" | "little" | "none" {
    if (this.trouble !== null) throw this.trouble;
    if (this.room !== "none") this.held.push(...datagrams);
    return this.room;
  }

  record(batch: readonly Item[], { isEnough }: RecordOptions = {}): Recorded {
    if (this.trouble !== null) throw this.trouble;
    const done: Item[] = [];
    for (const [index, item] of batch.entries()) {
      if (index > 0 && isEnough?.(index) === true) break;
      if (item.arrival.bytes === this.poison && "decoding" in item && item.decoding.ok)
        throw new TypeError("a fault of ours");
      this.clock.nowMs += this.costMs;
      done.push(item);
    }
    this.commits.push(done);
    return { ...nothingRecorded(), datagrams: done.length };
  }
}

function sqliteError(code: string): Error {
  return Object.assign(new Error("database or disk is full"), { code });
}

function setUp(gatherMs = 0) {
  const clock = new HandClock();
  const recorder = new FakeRecorder(clock);
  const reports: number[] = [];
  const queue = new RecordingQueue({
    recorder,
    clock,
    onRecorded: () => undefined,
    onStored: (count) => {
      // Reported after the commit, never before.
      expect(recorder.stored.length).toBeGreaterThanOrEqual(reports.reduce((sum, n) => sum + n, count));
      reports.push(count);
    },
    gatherMs,
  });
  return { clock, recorder, queue, reports };
}

function uplink(atS: number, packets = 1): ListenedDatagram {
  const { bytes, atUs, from, to } = push(
    SHED,
    atS,
    Array.from({ length: packets }, (_, n) => ({ payload: phy("01A2B3C4", atS * 1_000 + n) })),
    0x1234,
  ).arrival;
  return { bytes, atUs, from, to, sourceFault: null, sentTo: null };
}

describe("the recording queue, while nobody looks", () => {
  function holding() {
    const clock = new HandClock();
    const recorder = new FakeRecorder(clock);
    const reports: number[] = [];
    const state = { isAllowed: true };
    const queue = new RecordingQueue({
      recorder,
      clock,
      onRecorded: () => undefined,
      onStored: (count) => reports.push(count),
      holding: { recorder, isAllowed: () => state.isAllowed },
    });
    return { clock, recorder, queue, reports, state };
  }

  it("holds what comes, reports it as stored, and makes rows of all of it a minute later", () => {
    const { clock, recorder, queue, reports } = holding();
    queue.take(uplink(1));
    clock.pass(30_000);
    queue.take(uplink(2));
    clock.pass(29_999);
    expect([recorder.held.length, recorder.commits.length, queue.isBusy]).toEqual([2, 0, false]);
    expect(queue.heldFromUs).toBe(recorder.held[0]?.atUs);
    expect(reports).toEqual([1, 1]);
    clock.pass(1);
    expect(recorder.stored.map(({ arrival }) => arrival.atUs)).toEqual(recorder.held.map(({ atUs }) => atUs));
    expect(reports).toEqual([1, 1]);
    expect(queue.heldFromUs).toBeNull();
    clock.pass(120_000);
    expect(recorder.commits.length).toBe(1);
  });

  it("makes rows of what is held as soon as somebody looks, in steps of 10 ms", async () => {
    const { clock, recorder, queue } = holding();
    recorder.costMs = 4;
    for (let i = 1; i <= 5; i++) queue.take(uplink(i));
    clock.turn();
    const caughtUp = queue.catchUp();
    expect(queue.isBusy).toBe(true);
    clock.pass(100);
    await caughtUp;
    expect(recorder.commits.map((commit) => commit.length)).toEqual([3, 2]);
    expect(queue.isBusy).toBe(false);
    await queue.catchUp();
  });

  it("answers first what comes while held ones become rows, and keeps the order", () => {
    const { clock, recorder, queue, reports, state } = holding();
    recorder.costMs = 4;
    for (let i = 1; i <= 5; i++) queue.take(uplink(i));
    clock.turn();
    state.isAllowed = false;
    void queue.catchUp();
    clock.turn();
    queue.take(uplink(6));
    clock.turn();
    expect(reports).toEqual([5, 1]);
    clock.pass(100);
    expect(recorder.stored.map(({ arrival }) => arrival.atUs)).toEqual(
      [1, 2, 3, 4, 5, 6].map((atS) => uplink(atS).atUs),
    );
    queue.take(uplink(7));
    clock.turn();
    expect(recorder.held.length).toBe(6);
    expect(recorder.stored.length).toBe(7);
  });

  it("makes rows at once of what finds no room, and of a crowd", () => {
    const { clock, recorder, queue, reports } = holding();
    queue.take(uplink(1));
    clock.turn();
    recorder.room = "none";
    queue.take(uplink(2));
    clock.turn();
    expect(recorder.commits.map((commit) => commit.length)).toEqual([2]);
    recorder.room = "ample";
    for (let i = 3; i <= 67; i++) queue.take(uplink(i));
    clock.turn();
    expect(recorder.commits.map((commit) => commit.length)).toEqual([2, 65]);
    expect(reports).toEqual([1, 1, 65]);
  });

  it("keeps whoever looks waiting for no store that takes nothing, and tries again", async () => {
    const { clock, recorder, queue } = holding();
    queue.take(uplink(1));
    clock.turn();
    recorder.trouble = sqliteError("SQLITE_FULL");
    const caughtUp = queue.catchUp();
    clock.turn();
    await caughtUp;
    expect(queue.figures().storage).toBe("failed");
    recorder.trouble = null;
    clock.pass(1_000);
    expect([recorder.stored.length, queue.figures().storage]).toEqual([1, "well"]);
  });

  it("records what is held when the service ends", () => {
    const { clock, recorder, queue } = holding();
    queue.take(uplink(1));
    clock.turn();
    queue.drain(clock.nowMs + 100);
    queue.stop();
    expect(recorder.stored.length).toBe(1);
  });
});

describe("the recording queue, at an end that leaves no time for rows", () => {
  function ending(most: number) {
    const clock = new HandClock();
    const recorder = new FakeRecorder(clock);
    const reports: number[] = [];
    const hold = (datagrams: readonly HeldDatagram[]) => {
      if (recorder.trouble !== null) throw recorder.trouble;
      if (datagrams.length > most) return "none";
      recorder.held.push(...datagrams);
      return "ample";
    };
    const queue = new RecordingQueue({
      recorder,
      clock,
      onRecorded: () => undefined,
      onStored: (count) => reports.push(count),
      holding: { recorder: { hold }, isAllowed: () => false },
    });
    for (let i = 1; i <= 20; i++) queue.take(uplink(i));
    queue.drain(clock.nowMs);
    queue.stop();
    return { recorder, reports, queue };
  }

  it("makes all that waits durable as it came, in its order, and reports it as stored", () => {
    const { recorder, reports, queue } = ending(100);
    expect(queue.holdRest()).toBe(20);
    expect(recorder.held.map(({ atUs }) => (atUs - START_US) / 1e6)).toEqual(
      Array.from({ length: 20 }, (_, i) => i + 1),
    );
    expect([reports, queue.figures().waiting, recorder.commits]).toEqual([[20], 0, []]);
  });

  it("keeps the first half, or the first quarter, where there is no room for all", () => {
    const { recorder, reports, queue } = ending(7);
    // 20 and 10 are too many; 5 are not.
    expect(queue.holdRest()).toBe(5);
    expect([recorder.held.length, reports, queue.figures().waiting]).toEqual([5, [5], 15]);
  });

  it("keeps nothing where there is no room, or the store refuses", () => {
    expect(ending(0).queue.holdRest()).toBe(0);
    const { recorder, queue } = ending(100);
    recorder.trouble = sqliteError("SQLITE_FULL");
    expect(queue.holdRest()).toBe(0);
    expect(queue.figures().waiting).toBe(20);
  });
});

describe("the recording queue, sparing", () => {
  it("commits what came within the time as one, and counts it as gathered, not as busy", () => {
    const { clock, recorder, queue, reports } = setUp(950);
    queue.take(uplink(1));
    clock.pass(500);
    queue.take(uplink(2));
    expect([recorder.commits.length, queue.isBusy]).toEqual([0, false]);
    clock.pass(449);
    expect(recorder.commits.length).toBe(0);
    clock.pass(1);
    expect(recorder.commits.map((commit) => commit.length)).toEqual([2]);
    expect(reports).toEqual([2]);
    queue.take(uplink(3));
    clock.pass(950);
    expect(recorder.commits.map((commit) => commit.length)).toEqual([2, 1]);
  });

  it("commits sixty-four at once, since no more is handed over before", () => {
    const { clock, recorder, queue } = setUp(950);
    for (let i = 1; i <= 64; i++) queue.take(uplink(i));
    clock.turn();
    expect(recorder.commits.map((commit) => commit.length)).toEqual([64]);
    clock.pass(2_000);
    expect(recorder.commits.length).toBe(1);
  });

  it("records what was gathered when the service ends", () => {
    const { clock, recorder, queue } = setUp(950);
    queue.take(uplink(1));
    queue.drain(clock.nowMs + 100);
    queue.stop();
    expect(recorder.stored.length).toBe(1);
    clock.pass(2_000);
    expect(recorder.commits.length).toBe(1);
  });

  it("keeps what the store refused, and tries again", () => {
    const { clock, recorder, queue } = setUp(950);
    recorder.trouble = sqliteError("SQLITE_BUSY");
    queue.take(uplink(1));
    clock.pass(960);
    expect(queue.isBusy).toBe(true);
    recorder.trouble = null;
    clock.pass(60);
    expect(recorder.stored.length).toBe(1);
  });
});

describe("the recording queue", () => {
  it("commits together what has queued, and reports it afterwards", () => {
    const { clock, recorder, queue, reports } = setUp();
    for (let i = 1; i <= 5; i++) queue.take(uplink(i));
    clock.turn();
    expect(recorder.commits.map((commit) => commit.length)).toEqual([5]);
    expect(reports).toEqual([5]);
  });

  it("a commit holds about 256 radio packets, however many datagrams carry them", () => {
    const { clock, recorder, queue, reports } = setUp();
    for (let i = 1; i <= 100; i++) queue.take(uplink(i, 8));
    clock.turn();
    clock.turn();
    // 32 datagrams of 8 packets.
    expect(recorder.commits.map((commit) => commit.length)).toEqual([32, 32]);
    queue.drain(Number.POSITIVE_INFINITY);
    expect(reports).toEqual([32, 32, 32, 4]);
  });

  it("a commit ends after 10 ms of work, and the rest goes into the next", () => {
    const { clock, recorder, queue } = setUp();
    recorder.costMs = 3;
    for (let i = 1; i <= 10; i++) queue.take(uplink(i));
    clock.turn();
    expect(recorder.commits.map((commit) => commit.length)).toEqual([4]);
    clock.pass(100);
    expect(recorder.commits.map((commit) => commit.length)).toEqual([4, 4, 2]);
  });

  it("says 'failed' while the store cannot be written, keeps the data and stores them later", () => {
    const { clock, recorder, queue, reports } = setUp();
    recorder.trouble = sqliteError("SQLITE_FULL");
    queue.take(uplink(1));
    clock.pass(10);
    queue.take(uplink(2));
    clock.pass(90);
    expect(queue.figures()).toMatchObject({ waiting: 2, storage: "failed" });
    expect(queue.figures().storageWords).toContain("disk is full");
    expect(reports).toEqual([]);
    recorder.trouble = null;
    clock.pass(1_000);
    expect(reports).toEqual([2]);
    expect(queue.figures()).toEqual({ waiting: 0, storage: "well", storageWords: "" });
  });

  it("says 'slow' while another program holds the store, and goes on when it lets go", () => {
    const { clock, recorder, queue } = setUp();
    recorder.trouble = sqliteError("SQLITE_BUSY");
    queue.take(uplink(1));
    clock.pass(60);
    expect(queue.figures().storage).toBe("slow");
    recorder.trouble = null;
    clock.pass(60);
    expect(recorder.stored.length).toBe(1);
    expect(queue.figures().storage).toBe("well");
  });

  it("a datagram that breaks the recorder is counted, and the others are stored", () => {
    const { clock, recorder, queue, reports } = setUp();
    const bad = uplink(2);
    recorder.poison = bad.bytes;
    for (const one of [uplink(1), bad, uplink(3)]) queue.take(one);
    clock.turn();
    const reasons = recorder.stored.map((item) =>
      "decoding" in item ? (item.decoding.ok ? "ok" : item.decoding.fault.reason) : "downlink",
    );
    expect(reasons).toEqual(["ok", "internal", "ok"]);
    expect(reports).toEqual([3]);
  });

  it("a datagram from a source that is no gateway's is not read, only counted", () => {
    const { clock, recorder, queue } = setUp();
    queue.take({ ...uplink(1), sourceFault: "loop" });
    const { bytes, atUs, to } = uplink(2);
    const from = { address: "224.0.0.5", port: 4_000 };
    queue.takeCopy({ bytes, atUs, from, to, way: "up", gatewayEui: null });
    clock.turn();
    expect(recorder.stored).toMatchObject([
      { decoding: { ok: false, fault: { reason: "loop", layer: "udp" } } },
      { decoding: { ok: false, fault: { reason: "source", layer: "udp" } }, arrival: { door: "relay" } },
    ]);
  });

  it("what the listener itself sent is recorded as a downlink of its gateway", () => {
    const { clock, recorder, queue } = setUp();
    queue.take({ ...uplink(1), bytes: Uint8Array.of(2, 0, 1, 3, 0x7b, 0x7d), sentTo: SHED });
    clock.turn();
    expect(recorder.stored).toMatchObject([{ gatewayEui: SHED, downlink: {} }]);
    expect(queue.hasHeard).toBe(false);
  });

  it("stores what is still queued when it is drained, and gives up when the store refuses", () => {
    const { recorder, queue, reports } = setUp();
    for (let i = 1; i <= 300; i++) queue.take(uplink(i));
    queue.drain(Number.POSITIVE_INFINITY);
    expect(recorder.stored.length).toBe(300);
    recorder.trouble = sqliteError("SQLITE_FULL");
    queue.take(uplink(301));
    queue.drain(Number.POSITIVE_INFINITY);
    expect(queue.figures().waiting).toBe(1);
    expect(reports.reduce((sum, n) => sum + n, 0)).toBe(300);
  });

  it("tries nothing again once it was stopped", () => {
    const { clock, recorder, queue, reports } = setUp();
    recorder.trouble = sqliteError("SQLITE_FULL");
    queue.take(uplink(1));
    clock.turn();
    queue.stop();
    recorder.trouble = null;
    clock.pass(10_000);
    expect({ commits: recorder.commits.length, reports }).toEqual({ commits: 0, reports: [] });
  });
});
