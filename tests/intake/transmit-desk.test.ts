import { describe, expect, it } from "vitest";
import { TransmitDesk } from "../../src/intake/downlink-test.ts";
import type { Arrival, Endpoint } from "../../src/model/datagram.ts";

const SHED = "02005E1000000001";
const FROM = { address: "192.0.2.7", port: 40_123 };

function setUp(allowed = true) {
  const time = { ms: 100_000 };
  const timers: { atMs: number; work: () => void }[] = [];
  const log: string[] = [];
  const recorded: Arrival[] = [];
  const sent: { bytes: Uint8Array; to: Endpoint }[] = [];
  const desk = new TransmitDesk({
    allowed,
    clock: {
      monotonicMs: () => time.ms,
      nowUs: () => time.ms * 1000,
      after: (delayMs, work) => timers.push({ atMs: time.ms + delayMs, work }),
    },
    log: (sentence) => log.push(sentence),
    onSent: (arrival) => recorded.push(arrival),
  });
  const call = (from = FROM, version: 1 | 2 = 2) => {
    const arrival: Arrival = {
      bytes: new Uint8Array(12),
      atUs: 0,
      from,
      to: { address: "0.0.0.0", port: 1700 },
      door: "udp",
    };
    desk.pulled({ kind: "pull-data", version, token: 1, gatewayEui: SHED }, arrival, (bytes, to) =>
      sent.push({ bytes, to }),
    );
  };
  const send = () =>
    desk.send(SHED, (version, token) => Uint8Array.of(version, token >> 8, token & 255, 3), "12 octets");
  const pass = (ms: number) => {
    time.ms += ms;
    for (const timer of timers.splice(0))
      if (timer.atMs <= time.ms) timer.work();
      else timers.push(timer);
  };
  const answer = (token: number, gatewayEui = SHED) =>
    desk.answered({
      kind: "tx-ack",
      version: 2,
      token,
      gatewayEui,
      outcome: { result: "accepted", word: null, powerDbm: null },
    });
  const tokenSent = () => ((sent[0]?.bytes[1] ?? 0) << 8) | (sent[0]?.bytes[2] ?? 0);
  return { desk, time, log, recorded, sent, call, send, pass, answer, tokenSent };
}

describe("the transmit desk", () => {
  it("hands a frame to where the gateway called from, in its version, and tells its word and how long it took", async () => {
    const { call, send, sent, answer, tokenSent, time, log, recorded } = setUp();
    call({ ...FROM, port: 1 });
    call(FROM, 1);
    const outcome = send();
    expect(sent.map(({ bytes, to }) => [bytes[0], bytes[3], to])).toEqual([[1, 3, FROM]]);
    time.ms += 4;
    answer(tokenSent());
    expect(await outcome).toMatchObject({
      outcome: { result: "accepted" },
      answeredAfterMs: 4,
      to: FROM,
    });
    expect(recorded.length).toBe(1);
    expect(log).toEqual([
      `Downlink test: gateway ${SHED} at 192.0.2.7 port 40123 is asked to send 12 octets.`,
      `Downlink test: gateway ${SHED} answered accepted after 4.0\u202Fms.`,
    ]);
  });

  it("sends nothing unless transmitting was allowed at the start", async () => {
    const { call, send, sent } = setUp(false);
    call();
    await expect(send()).rejects.toThrow("not allowed");
    expect(sent).toEqual([]);
  });

  it("sends nothing to a gateway that has not called within the last keepalives", async () => {
    const { call, send, sent, time } = setUp();
    await expect(send()).rejects.toThrow("has not called");
    call();
    time.ms += 30_001;
    await expect(send()).rejects.toThrow("has not called");
    expect(sent).toEqual([]);
  });

  it("sends one test at a time, ten seconds apart", async () => {
    const { call, send, sent, pass } = setUp();
    call();
    const first = send();
    await expect(send()).rejects.toThrow("One test at a time");
    pass(3_000);
    expect(await first).toMatchObject({ outcome: null, answeredAfterMs: null });
    await expect(send()).rejects.toThrow("One test at a time");
    pass(7_001);
    call();
    void send();
    expect(sent.length).toBe(2);
  });

  it("takes no other gateway's word, and none for another token", async () => {
    const { call, send, answer, tokenSent, pass } = setUp();
    call();
    const outcome = send();
    answer(tokenSent(), "02005E1000000002");
    answer(tokenSent() ^ 1);
    pass(3_000);
    expect((await outcome).outcome).toBeNull();
  });
});
