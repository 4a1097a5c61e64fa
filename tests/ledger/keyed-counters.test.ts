import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { contentOf } from "../../src/ledger/group-receptions.ts";
import { accountWithKeys, type KeyedAssignment } from "../../src/ledger/keys/counters.ts";
import { type NumberedKeys, proveSender } from "../../src/ledger/keys/proof.ts";
import { type AddressState, newAddressState } from "../../src/ledger/life-state.ts";
import { DEV_ADDR, frame10, type Signed, uplink11 } from "./keyed-frames.ts";

const S = 1_000_000;
const AIRTIME_US = 60_000;
const DEVICE = "02005E1000000A01";

interface Heard {
  readonly atUs: number;
  readonly signed: Signed;
  readonly content: number;
}

function heardAs(atUs: number, signed: Signed): Heard {
  return { atUs, signed, content: contentOf(signed.octets, true) };
}

function keyOf(seed: number): Uint8Array {
  return Uint8Array.from({ length: 16 }, (_, i) => (seed * 37 + i * 11 + 5) & 255);
}

function keysOf(id: number, more: Partial<NumberedKeys> = {}): NumberedKeys {
  return {
    id,
    devAddr: DEV_ADDR,
    devEui: null,
    counterBits: 32,
    origin: "person",
    keys: { nwkSKey: keyOf(id) },
    ...more,
  };
}

/** A frame of the set of keys `id`; `salt` makes the payload of equal counters differ. */
function heard(id: number, atS: number, counter: number, salt = 0): Heard {
  const payload = Uint8Array.of(salt & 255, (salt >> 8) & 255, id);
  return heardAs(Math.round(atS * S), frame10(keyOf(id), { counter, payload }));
}

interface Account {
  readonly told: KeyedAssignment[];
  readonly state: AddressState;
}

/** Accounts in the ledger's order, the state written down and read again after each frame. */
function accountAll(all: readonly Heard[], candidates: readonly NumberedKeys[]): Account {
  let state = newAddressState();
  const proved: { session: number; content: number; atUs: number }[] = [];
  const told: KeyedAssignment[] = [];
  for (const { atUs, signed, content } of inOrder(all)) {
    const { octets, frame } = signed;
    const proof = proveSender(state, octets, frame, candidates, "868300000/9");
    const counted = { atUs, fcnt: frame.fCnt, content, airtimeUs: AIRTIME_US };
    const assignment = accountWithKeys(state, counted, proof, {
      joinsHeard: () => [],
      provedBefore: (session, sought, beforeUs) =>
        proved.some((one) => one.session === session && one.content === sought && one.atUs < beforeUs),
    });
    if (assignment.session !== null) proved.push({ session: assignment.session, content, atUs });
    told.push({ ...assignment, life: { ...assignment.life } });
    state = JSON.parse(JSON.stringify(state)) as AddressState;
  }
  return { told, state };
}

function inOrder<Any extends Heard>(all: readonly Any[]): Any[] {
  return [...all].sort((a, b) => a.atUs - b.atUs || a.content - b.content);
}

function lives({ state }: Account) {
  return state.lives.map(({ session, begunBy, firstCounter, lastCounter, heard: count }) => ({
    session: session ?? null,
    begunBy,
    firstCounter,
    lastCounter,
    heard: count,
  }));
}

describe("with keys", () => {
  const upTo = (last: number, count: number) =>
    [...Array(count).keys()].map((i) => heard(1, i * 60, last - count + 1 + i, i));

  it("a rollover and a reset, which look alike on air, are told apart by the MIC", () => {
    const before = upTo(65_535, 20);
    const rolled = accountAll([...before, heard(1, 1200, 65_536), heard(1, 1260, 65_537)], [keysOf(1)]);
    expect(lives(rolled)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 65_516, lastCounter: 65_537, heard: 22 },
    ]);
    const reset = accountAll([...before, heard(1, 1200, 0), heard(1, 1260, 1)], [keysOf(1)]);
    expect(lives(reset)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 65_516, lastCounter: 65_535, heard: 20 },
      { session: 1, begunBy: "counter-reset", firstCounter: 0, lastCounter: 1, heard: 2 },
    ]);
    expect(reset.state.lives[1]?.reason).toBe(
      "counter fell from 65\u202F535 to 0 under the same session keys: the device began again without a join",
    );
  });

  it("a node of unknown counter width that falls just before the wrap is taken for one of 16 bits", () => {
    const all = [...upTo(65_535, 20), heard(1, 1200, 0, 7), heard(1, 1260, 1, 7)];
    expect(lives(accountAll(all, [keysOf(1, { counterBits: null })]))).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 65_516, lastCounter: 65_537, heard: 22 },
    ]);
  });

  it("an outage of any length is a gap, even over a rollover that time would not explain", () => {
    const all = [...upTo(40_000, 5), heard(1, 400, 40_000 + 90_000)];
    expect(lives(accountAll(all, [keysOf(1)]))).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 39_996, lastCounter: 130_000, heard: 6 },
    ]);
  });

  it("two devices on one address with close counters are told apart, with keys of both or of one", () => {
    const all: Heard[] = [];
    for (let i = 0; i < 50; i++) all.push(heard(1, i * 60, 1000 + i), heard(2, i * 60 + 20, 1001 + i, 9));
    expect(lives(accountAll(all, [keysOf(1), keysOf(2)]))).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 1000, lastCounter: 1049, heard: 50 },
      { session: 2, begunBy: "second-device", firstCounter: 1001, lastCounter: 1050, heard: 50 },
    ]);
    const one = accountAll(all, [keysOf(1)]);
    expect(lives(one)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 1000, lastCounter: 1049, heard: 50 },
      { session: null, begunBy: "second-device", firstCounter: 1001, lastCounter: 1050, heard: 50 },
    ]);
    expect(one.state.lives[1]?.reason).toBe(
      "first heard with counter 1\u202F001; its MIC fits no key available",
    );
    expect(one.told.map(({ micValid }) => micValid)).toEqual(
      [...Array(50).keys()].flatMap(() => [true, false]),
    );
    // Without keys the two cannot be told apart: nothing is left to tell them by but content.
    expect(
      accountAll(all, []).told.every(({ micValid, session }) => micValid === null && session === null),
    ).toBe(true);
  });

  it("a repeat is a repeat, and the same frame after a newer one is a replay and a repeat", () => {
    const again = heard(1, 0, 10, 3);
    const all = [
      again,
      { ...again, atUs: 3 * S },
      heard(1, 60, 11),
      heard(1, 120, 12),
      { ...again, atUs: 125 * S },
    ];
    const { told, state } = accountAll(all, [keysOf(1)]);
    expect(told.map(({ repeat, replay }) => [repeat, replay])).toEqual([
      [false, false],
      [true, false],
      [false, false],
      [false, false],
      [true, true],
    ]);
    expect(state.lives.map(({ heard: count, lastAtUs }) => [count, lastAtUs])).toEqual([[3, 120 * S]]);
    // A repeat shows that the life goes on, a replay does not.
    expect(told.map(({ life }) => life.lastAtUs / S)).toEqual([0, 3, 60, 120, 120]);
  });

  it("a replay is known long after memory has let the frame go, and after a reset", () => {
    const old = heard(1, 0, 1, 77);
    const run = [...Array(200).keys()].map((i) => heard(1, 60 + i * 60, 2 + i, i));
    const restarted = [0, 1].map((i) => heard(1, 12_100 + i * 60, i, 500 + i));
    const account = accountAll(
      [old, ...run, { ...old, atUs: 12_065 * S }, ...restarted, { ...old, atUs: 12_170 * S }],
      [keysOf(1)],
    );
    expect(account.told.map(({ replay }, i) => (replay ? i : -1)).filter((i) => i >= 0)).toEqual([201, 204]);
    expect(lives(account)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 1, lastCounter: 201, heard: 201 },
      { session: 1, begunBy: "counter-reset", firstCounter: 0, lastCounter: 1, heard: 2 },
    ]);
  });

  it("a frame far out of its time that nobody heard before is no reset: the life goes on", () => {
    const run = upTo(5_000, 20);
    const stray = heard(1, 1150, 3_000, 9);
    const account = accountAll([...run, stray, heard(1, 1200, 5_001), heard(1, 1260, 5_002)], [keysOf(1)]);
    expect(lives(account)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 4_981, lastCounter: 5_002, heard: 22 },
      { session: 1, begunBy: "unexplained", firstCounter: 3_000, lastCounter: 3_000, heard: 1 },
    ]);
    expect(account.state.lives[1]?.reason).toBe(
      "one frame with counter 3\u202F000 out of its time (replayed, or delivered very late): life 1 went on at 5\u202F001",
    );
  });

  it("a new session of the same device is a join, and links its lives", () => {
    const sets = [keysOf(1, { devEui: DEVICE }), keysOf(2, { devEui: DEVICE, origin: "join" })];
    const { state } = accountAll([...upTo(300, 5), heard(2, 400, 301), heard(2, 460, 302)], sets);
    expect(
      state.lives.map(({ session, begunBy, devEui, proof }) => ({ session, begunBy, devEui, proof })),
    ).toEqual([
      { session: 1, begunBy: "first-heard", devEui: DEVICE, proof: "mic" },
      { session: 2, begunBy: "join", devEui: DEVICE, proof: "mic" },
    ]);
    expect(state.lives[1]?.reason).toBe(`counter began at 301 in the session that ${DEVICE} joined`);
  });

  it("half a MIC is believed from the second frame on, and then owns the first", () => {
    const serving = { fNwkSIntKey: keyOf(3), sNwkSIntKey: keyOf(4) };
    const half = keysOf(3, { keys: { fNwkSIntKey: keyOf(3) } });
    const at = (i: number) =>
      heardAs(i * 60 * S, uplink11(serving, { counter: 70 + i, txDr: 3, txCh: i % 3 }));
    const account = accountAll([0, 1, 2, 3].map(at), [half]);
    expect(account.told.map(({ micValid }) => micValid)).toEqual([null, true, true, true]);
    expect(lives(account)).toEqual([
      { session: 3, begunBy: "first-heard", firstCounter: 70, lastCounter: 73, heard: 4 },
    ]);
  });

  it("half a MIC is not believed for a counter below the one that it waits with, nor for one too far above", () => {
    const serving = { fNwkSIntKey: keyOf(3), sNwkSIntKey: keyOf(4) };
    const half = keysOf(3, { keys: { fNwkSIntKey: keyOf(3) } });
    const believed = (...counters: number[]) =>
      accountAll(
        counters.map((counter, i) => heardAs(i * 60 * S, uplink11(serving, { counter, txDr: 3, txCh: 0 }))),
        [half],
      ).told.map(({ micValid }) => micValid);
    expect(believed(70, 65, 66)).toEqual([null, null, true]);
    expect(believed(70, 5_000, 5_001)).toEqual([null, null, true]);
    expect(believed(70, 71, 5_000, 5_001)).toEqual([null, true, null, true]);
  });

  it("half a MIC is believed where the rules without keys choose the same counter, by its low 16 bits too", () => {
    const serving = { fNwkSIntKey: keyOf(3), sNwkSIntKey: keyOf(4) };
    const account = (counterBits: 16 | 32, ...counters: number[]) =>
      accountAll(
        counters.map((counter, i) => heardAs(i * 60 * S, uplink11(serving, { counter, txDr: 3, txCh: 0 }))),
        [keysOf(3, { counterBits, keys: { fNwkSIntKey: keyOf(3) } })],
      );
    const wide = account(32, 70_000, 70_001, 70_002, 70_003);
    expect(wide.told.map(({ micValid }) => micValid)).toEqual([null, true, true, true]);
    const narrow = account(16, 65_533, 65_534, 65_535, 0, 1);
    expect(narrow.told.map(({ micValid }) => micValid)).toEqual([null, true, true, true, true]);
    expect(lives(narrow)).toEqual([
      { session: 3, begunBy: "first-heard", firstCounter: 65_533, lastCounter: 65_537, heard: 5 },
    ]);
    // What waits does not change hands where the keys have a life already.
    expect(
      lives(account(32, 70, 71, 5_000, 5_001)).map(({ session, heard: count }) => [session, count]),
    ).toEqual([
      [3, 3],
      [null, 1],
    ]);
  });

  it("a stranger alone under an address is no second device", () => {
    const { told, state } = accountAll([heard(2, 0, 10)], [keysOf(1)]);
    expect(told[0]).toMatchObject({ micValid: false, session: null });
    expect(state.lives).toMatchObject([
      { begunBy: "first-heard", reason: "first heard with counter 10; its MIC fits no key available" },
    ]);
  });

  it("a frame that begins a life anew is told with its counter, proved and no repeat", () => {
    const { told } = accountAll([...upTo(300, 20), heard(1, 1_200, 0, 500)], [keysOf(1)]);
    const { life, changed, ...rest } = told.at(-1)!;
    expect(rest).toEqual({ counter: 0, repeat: false, micValid: true, session: 1, replay: false });
    expect([life, ...changed].map(({ number, firstCounter }) => [number, firstCounter])).toEqual([
      [2, 0],
      [2, 0],
    ]);
  });

  it("a fall is told from the counter that rose last, whichever life began last", () => {
    const left: number[][] = [];
    const reasonOf = (all: readonly Heard[]) => {
      const { state } = accountAll(all, [keysOf(1)]);
      left.push(state.lives.map(({ number }) => number));
      return state.lives.at(-1)?.reason;
    };
    const low = [0, 1, 2].map((i) => heard(1, 1_200 + i * 60, i, 500 + i));
    expect(reasonOf([...upTo(300, 20), ...low, heard(1, 1_400, 0, 900)])).toMatch(
      /^counter fell from 2 to 0 /,
    );
    // One frame out of its time begins life 2, and life 1 goes on.
    const stray = [heard(1, 1_150, 3_000, 9), heard(1, 1_200, 5_001), heard(1, 1_260, 5_002)];
    expect(reasonOf([...upTo(5_000, 20), ...stray, heard(1, 1_320, 0, 900)])).toMatch(
      /^counter fell from 5\u202F002 to 0 /,
    );
    // Two lives of a set of keys are kept: the one that rose longest ago goes.
    expect(left).toEqual([
      [2, 3],
      [1, 3],
    ]);
  });

  it("a counter beyond 16 bits shows its width, also of the lives after it under the same keys", () => {
    const wide = (all: readonly Heard[], ...ids: number[]) =>
      accountAll(
        all,
        ids.map((id) => keysOf(id, { counterBits: null })),
      ).state.lives.map(({ isWide }) => isWide ?? false);
    const again = [heard(1, 1_200, 0, 500), heard(1, 1_260, 1, 501)];
    expect(wide([...upTo(70_000, 20), ...again], 1)).toEqual([true, true]);
    expect(wide([...upTo(300, 20), ...again], 1)).toEqual([false, false]);
    expect(wide([...upTo(70_000, 20), heard(2, 1_200, 5, 500)], 1, 2)).toEqual([true, false]);
    expect(wide([heard(1, 0, 65_535), heard(1, 60, 65_536)], 1)).toEqual([true]);
  });

  it("of 1.1 proves whole MICs, and learns how frames of a channel are sent", () => {
    const both = { fNwkSIntKey: keyOf(3), sNwkSIntKey: keyOf(4) };
    const all = [0, 1, 2].map((i) =>
      heardAs(i * 60 * S, uplink11(both, { counter: 70 + i, txDr: 3, txCh: 2 })),
    );
    const { told, state } = accountAll(all, [keysOf(3, { keys: both })]);
    expect(told.every(({ micValid }) => micValid === true)).toBe(true);
    expect(state.sent).toEqual({ "3/868300000/9": { txDr: 3, txCh: 2, agreed: 2 } });
  });

  it("keys that prove nothing are soon searched with less effort, and a node that counts high is still found", () => {
    const strangers = [...Array(100).keys()].map((i) => heard(2, i * 60, i));
    const node = [...Array(70).keys()].map((i) => heard(1, 6_000 + i * 60, 40 * 65_536 + i, i));
    const { told, state } = accountAll([...strangers, ...node], [keysOf(1)]);
    expect(state.failed).toEqual({ 1: 128 });
    expect(told.slice(100).map(({ micValid }) => micValid)).toEqual(
      [...Array(70).keys()].map((i) => i >= 28),
    );
    const low = accountAll([...strangers, heard(1, 6_000, 5 * 65_536)], [keysOf(1)]);
    expect(low.told.at(-1)).toMatchObject({ micValid: true, counter: 5 * 65_536 });
  });

  it("the state holds no key", () => {
    const { state } = accountAll(upTo(300, 5), [keysOf(1)]);
    const text = JSON.stringify(state);
    expect(text).not.toContain([...keyOf(1)].join(","));
    expect(text).not.toContain(Buffer.from(keyOf(1)).toString("hex"));
  });
});

interface Run {
  readonly begins: "reset" | "rejoin";
  readonly frames: readonly { heard: boolean; repeat: boolean; late: boolean; jitter: number }[];
}

const frames = fc.array(
  fc.record({
    heard: fc.boolean(),
    repeat: fc.boolean(),
    late: fc.integer({ min: 0, max: 9 }).map((n) => n === 0),
    jitter: fc.double({ min: -0.1, max: 0.1, noNaN: true }),
  }),
  { minLength: 70, maxLength: 110 },
);
const device = fc.record({
  start: fc.oneof(fc.integer({ min: 0, max: 200_000 }), fc.constantFrom(65_480, 131_000, 0)),
  periodS: fc.oneof(fc.integer({ min: 60, max: 79 }), fc.integer({ min: 80, max: 900 })),
  offsetS: fc.integer({ min: 0, max: 50_000 }),
  runs: fc.array(fc.record({ begins: fc.constantFrom("reset" as const, "rejoin" as const), frames }), {
    minLength: 1,
    maxLength: 3,
  }),
});

interface Truth extends Heard {
  readonly session: number;
  /** Which counter life of which device. */
  readonly run: string;
  readonly counter: number;
  readonly repeat: boolean;
}

/** What a device sends and a gateway hears, with what it truly was. The device's sessions are numbered from `from`. */
function play(
  from: number,
  { start, periodS, offsetS, runs }: { start: number; periodS: number; offsetS: number; runs: Run[] },
): Truth[] {
  const all: Truth[] = [];
  let atS = offsetS;
  let session = from;
  let salt = 0;
  for (const [index, run] of runs.entries()) {
    if (index > 0 && run.begins === "rejoin") session += 1;
    run.frames.forEach((one, i) => {
      atS += periodS * (1 + one.jitter);
      salt += 1;
      // The first frames of a run are heard: what only a MIC's number could tell of an unheard begin, it does not tell.
      if (!one.heard && i > 3) return;
      const counter = (index === 0 ? start : 0) + i;
      // Late: behind its successor, and heard within the minute in which lateness is believed.
      const sentAt = one.late && i > 3 && periodS < 80 ? atS + 1.25 * periodS : atS;
      const made = { ...heard(session, sentAt, counter, salt), session, counter, run: `${from}/${index}` };
      all.push({ ...made, repeat: false });
      if (one.repeat) all.push({ ...made, atUs: made.atUs + 2.5 * S, repeat: true });
    });
  }
  return all;
}

/** Every frame where it belongs, every life one run and every run one life. */
function expectTruth(
  truth: readonly Truth[],
  told: readonly KeyedAssignment[],
  keyed: (session: number) => boolean,
): void {
  const lifeOf = new Map<string, number>();
  const runOf = new Map<number, string>();
  for (const [i, one] of truth.entries()) {
    const said = told[i]!;
    if (!keyed(one.session)) {
      expect({ micValid: said.micValid, session: said.session, carried: said.life.session }).toEqual({
        micValid: false,
        session: null,
        carried: undefined,
      });
      continue;
    }
    expect({ session: said.session, counter: said.counter, repeat: said.repeat }).toEqual({
      session: one.session,
      counter: one.counter,
      repeat: one.repeat,
    });
    expect(lifeOf.get(one.run) ?? said.life.number).toBe(said.life.number);
    expect(runOf.get(said.life.number) ?? one.run).toBe(one.run);
    lifeOf.set(one.run, said.life.number);
    runOf.set(said.life.number, one.run);
  }
}

describe("any history of two devices on one address, with losses, rollovers, resets, re-joins, repeats and late frames", () => {
  const site = fc.record({
    a: device,
    b: device,
    whoseKeys: fc.constantFrom("both" as const, "one" as const),
  });

  it("equals the truth exactly for every device whose keys are available, and keeps the other's frames apart", () => {
    fc.assert(
      fc.property(site, ({ a, b, whoseKeys }) => {
        const truth = inOrder([...play(1, a), ...play(10, b)]);
        const used = [...new Set(truth.map(({ session }) => session))];
        const sets = used
          .filter((id) => id < 10 || whoseKeys === "both")
          .map((id) => keysOf(id, id < 10 ? { devEui: DEVICE } : {}));
        const { told } = accountAll(truth, sets);
        expectTruth(truth, told, (session) => session < 10 || whoseKeys === "both");
      }),
      { numRuns: 25 },
    );
  });
});

describe("what no MIC can tell, because it proves a number and not its meaning", () => {
  it("a restart under the same session keys whose first heard counter lies ahead of the old one is a gap", () => {
    const before = [0, 1, 2].map((i) => heard(1, i * 60, i, i));
    const account = accountAll(
      [...before, ...[3, 4].map((i) => heard(1, 600 + i * 60, i, 90 + i))],
      [keysOf(1)],
    );
    expect(lives(account)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 0, lastCounter: 4, heard: 5 },
    ]);
  });

  it("but a re-join whose first heard counter lies ahead is a new life, since its keys are new", () => {
    const before = [0, 1, 2].map((i) => heard(1, i * 60, i, i));
    const all = [...before, ...[3, 4].map((i) => heard(2, 600 + i * 60, i, 90 + i))];
    const account = accountAll(all, [keysOf(1, { devEui: DEVICE }), keysOf(2, { devEui: DEVICE })]);
    expect(lives(account)).toEqual([
      { session: 1, begunBy: "first-heard", firstCounter: 0, lastCounter: 2, heard: 3 },
      { session: 2, begunBy: "join", firstCounter: 3, lastCounter: 4, heard: 2 },
    ]);
    expect(lives(accountAll(all, []))).toEqual([
      { session: null, begunBy: "first-heard", firstCounter: 0, lastCounter: 4, heard: 5 },
    ]);
  });
});
