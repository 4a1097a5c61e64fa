import { describe, expect, it } from "vitest";
import { Intake, type IntakeClock } from "../../src/intake/intake.ts";
import { RateLimit } from "../../src/intake/rate-limit.ts";
import type { Arrival, Endpoint } from "../../src/model/arrival.ts";
import { nothingRecorded, type Recorded } from "../../src/store/recorder/rows.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { arrivalOf, phy, pull, push, SHED, START_US } from "../store/traffic.ts";

/** Time that moves only when a test says so. */
class HandClock implements IntakeClock {
  nowMs = 0;
  readonly #timers: { atMs: number; work: () => void }[] = [];
  #soon: (() => void)[] = [];

  monotonicMs(): number {
    return this.nowMs;
  }
  after(delayMs: number, work: () => void): void {
    this.#timers.push({ atMs: this.nowMs + delayMs, work });
  }
  soon(work: () => void): void {
    this.#soon.push(work);
  }
  turn(): void {
    const now = this.#soon;
    this.#soon = [];
    for (const work of now) work();
  }
  pass(ms: number): void {
    const untilMs = this.nowMs + ms;
    for (;;) {
      this.turn();
      const next = this.#timers.filter((timer) => timer.atMs <= untilMs).sort((a, b) => a.atMs - b.atMs)[0];
      if (next === undefined) break;
      this.#timers.splice(this.#timers.indexOf(next), 1);
      this.nowMs = next.atMs;
      next.work();
    }
    this.nowMs = untilMs;
    this.turn();
  }
}

class FakeRecorder {
  readonly stored: DecodedArrival[] = [];
  trouble: Error | null = null;
  poison: DecodedArrival["arrival"] | null = null;
  record(batch: readonly DecodedArrival[]): Recorded {
    if (this.trouble !== null) throw this.trouble;
    if (batch.some(({ arrival, decoding }) => arrival === this.poison && decoding.ok))
      throw new TypeError("a fault of ours");
    this.stored.push(...batch);
    return { ...nothingRecorded(), datagrams: batch.length };
  }
}

function sqliteError(code: string): Error {
  return Object.assign(new Error("database or disk is full"), { code });
}

function setUp() {
  const clock = new HandClock();
  const recorder = new FakeRecorder();
  const answers: { answer: number[]; to: Endpoint; storedBefore: number; atMs: number }[] = [];
  const intake = new Intake({
    recorder,
    clock,
    onRecorded: () => undefined,
    isOwnEndpoint: (endpoint) => endpoint.port === 1700 && endpoint.address === "127.0.0.1",
  });
  const receive = (arrival: Arrival) =>
    intake.receive(arrival, (answer, to) =>
      answers.push({ answer: [...answer], to, storedBefore: recorder.stored.length, atMs: clock.nowMs }),
    );
  return { clock, recorder, answers, intake, receive };
}

const uplink = (atS: number) => push(SHED, atS, [{ payload: phy("01A2B3C4", atS) }], 0x1234).arrival;

describe("the intake", () => {
  it("acknowledges a PUSH_DATA after its commit, with its version and token, to its exact source", () => {
    const { clock, answers, intake, receive } = setUp();
    receive(uplink(1));
    expect(answers).toEqual([]);
    clock.turn();
    expect(answers).toEqual([
      { answer: [2, 0x12, 0x34, 1], to: { address: "192.0.2.7", port: 40_123 }, storedBefore: 1, atMs: 0 },
    ]);
    expect(intake.figures()).toMatchObject({ answeredAfterCommit: 1, answeredBeforeStored: 0, waiting: 0 });
  });

  it("answers a keepalive at once, before anything is stored", () => {
    const { answers, receive } = setUp();
    receive(pull(SHED, 1, 0x0506).arrival);
    expect(answers.map(({ answer, storedBefore }) => ({ answer, storedBefore }))).toEqual([
      { answer: [2, 5, 6, 4], storedBefore: 0 },
    ]);
  });

  it("commits together what has queued", () => {
    const { clock, recorder, answers, receive } = setUp();
    for (let i = 1; i <= 5; i++) receive(uplink(i));
    clock.turn();
    expect(recorder.stored.length).toBe(5);
    expect(answers.map(({ storedBefore }) => storedBefore)).toEqual([5, 5, 5, 5, 5]);
  });

  it("answers after 25 ms when the store has failed, counts that, keeps the data and stores them later", () => {
    const { clock, recorder, answers, intake, receive } = setUp();
    recorder.trouble = sqliteError("SQLITE_FULL");
    receive(uplink(1));
    clock.pass(10);
    receive(uplink(2));
    clock.pass(90);
    expect(answers.map(({ atMs }) => atMs)).toEqual([25, 35]);
    expect(intake.figures()).toMatchObject({ answeredBeforeStored: 2, waiting: 2, storage: "failed" });
    expect(intake.figures().storageWords).toContain("disk is full");
    recorder.trouble = null;
    clock.pass(1_000);
    expect(recorder.stored.length).toBe(2);
    expect(answers.length).toBe(2);
    expect(intake.figures()).toMatchObject({ waiting: 0, storage: "well", storageWords: "" });
  });

  it("says 'slow' while another program holds the store, and goes on when it lets go", () => {
    const { clock, recorder, intake, receive } = setUp();
    recorder.trouble = sqliteError("SQLITE_BUSY");
    receive(uplink(1));
    clock.pass(60);
    expect(intake.figures().storage).toBe("slow");
    recorder.trouble = null;
    clock.pass(60);
    expect(recorder.stored.length).toBe(1);
    expect(intake.figures().storage).toBe("well");
  });

  it("keeps a bounded number of datagrams, and counts what it had to drop", () => {
    const { clock, recorder, intake, receive, answers } = setUp();
    recorder.trouble = sqliteError("SQLITE_FULL");
    const one = uplink(1);
    for (let i = 0; i < 20_010; i++) receive(one);
    expect(intake.figures()).toMatchObject({ waiting: 20_000, dropped: 10 });
    clock.pass(30);
    expect(answers.length).toBe(20_010);
  });

  it("is not held up by a datagram that breaks the recorder: it is counted and the others are stored", () => {
    const { clock, recorder, answers, receive } = setUp();
    const bad = uplink(2);
    recorder.poison = bad;
    receive(uplink(1));
    receive(bad);
    receive(uplink(3));
    clock.turn();
    expect(recorder.stored.length).toBe(3);
    expect(recorder.stored.map(({ decoding }) => (decoding.ok ? "ok" : decoding.fault.reason))).toEqual([
      "ok",
      "internal",
      "ok",
    ]);
    expect(answers.length).toBe(3);
  });

  it.each([
    ["a source port of 0", { address: "192.0.2.7", port: 0 }, "source"],
    ["a multicast source", { address: "224.0.0.5", port: 4000 }, "source"],
    ["a broadcast source", { address: "255.255.255.255", port: 4000 }, "source"],
    ["an IPv6 multicast source", { address: "ff02::1", port: 4000 }, "source"],
    ["its own address and port", { address: "127.0.0.1", port: 1700 }, "loop"],
  ])("never answers %s, and counts it", (_what, from, reason) => {
    const { clock, recorder, answers, receive } = setUp();
    receive({ ...uplink(1), from });
    clock.turn();
    expect(answers).toEqual([]);
    expect(recorder.stored[0]?.decoding).toMatchObject({ ok: false, fault: { reason } });
  });

  it("never answers a header that is wrong", () => {
    const { clock, answers, receive } = setUp();
    for (const bytes of [[], [2, 1], [3, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8], [2, 0, 0, 1]]) {
      receive(arrivalOf(Uint8Array.from(bytes), START_US, "udp"));
    }
    clock.turn();
    expect(answers).toEqual([]);
  });

  it("acknowledges a datagram with a good header and a broken body", () => {
    const { clock, answers, receive } = setUp();
    const head = [2, 7, 8, 0, 2, 0, 0x5e, 0x10, 0, 0, 0, 1];
    receive(arrivalOf(Uint8Array.from([...head, 0x7b, 0x22]), START_US, "udp"));
    clock.turn();
    expect(answers.map(({ answer }) => answer)).toEqual([[2, 7, 8, 1]]);
  });

  it("limits the answers to a flood of keepalives from one source, and serves the others", () => {
    const { clock, answers, receive } = setUp();
    for (let i = 0; i < 500; i++) receive(pull(SHED, i, i).arrival);
    receive({ ...pull(SHED, 1, 77).arrival, from: { address: "198.51.100.9", port: 5 } });
    clock.turn();
    expect(answers.filter(({ to }) => to.address === "192.0.2.7").length).toBe(50);
    expect(answers.filter(({ to }) => to.address === "198.51.100.9").length).toBe(1);
  });

  it("stores what is still queued when it is drained at the end", () => {
    const { recorder, intake, receive, answers } = setUp();
    for (let i = 1; i <= 300; i++) receive(uplink(i));
    intake.drain();
    expect(recorder.stored.length).toBe(300);
    expect(answers.length).toBe(300);
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
