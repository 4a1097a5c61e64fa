import { readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, it, test } from "vitest";
import { placeCounter, upperHalves } from "../../src/ledger/keys/halves.ts";
import { type NodeKeys, verifyCounter } from "../../src/ledger/keys/identity.ts";
import { explainFirst } from "../../src/ledger/keys/proof.ts";
import { octetsOfHex } from "../../src/wire/lorawan/octets.ts";
import {
  DEV_ADDR,
  dataFrame,
  frame10,
  keyOctets,
  nodeOf,
  payloadOctets,
  twoKeys,
  uplink11,
} from "./keyed-frames.ts";

// A fixed seed: proofs by chance have a probability, and a test must repeat.
const RUNS = { seed: 20_240_611, numRuns: 60 } as const;

/** Deterministic octets, fast enough for tens of thousands of frames. */
function octetSource(seed: number): (size: number) => Uint8Array {
  let state = seed;
  return (size) =>
    Uint8Array.from({ length: size }, () => {
      state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
      return state >>> 24;
    });
}

const counters = fc.integer({ min: 0, max: 12 * 65_536 });

describe("a key of another size", () => {
  it("is none: nothing is proved with it, and nothing thrown", () => {
    const { octets, frame } = frame10(new Uint8Array(16).fill(1), { counter: 12, payload: Uint8Array.of(1) });
    const short = new Uint8Array(15).fill(1);
    for (const keys of [{ nwkSKey: short }, { fNwkSIntKey: short }, { sNwkSIntKey: short }])
      expect([
        Object.keys(keys),
        verifyCounter(octets, frame, nodeOf(keys), { lastCounter: 11 }).verdict,
      ]).toEqual([Object.keys(keys), "unknown"]);
  });
});

describe("why a set of keys begins to be heard", () => {
  const life = (more: object) => ({ session: 5, devEui: null, ...more });
  const begun = (lives: readonly object[], devEui: string | null, joined = false) =>
    explainFirst(
      { lives } as unknown as Parameters<typeof explainFirst>[0],
      { session: 6, devEui, joined } as Parameters<typeof explainFirst>[1],
      3,
    ).begunBy;
  const EUI = "02005E1000000101";

  it("is a join where it joined, or where the same device was proved before", () => {
    expect(begun([], EUI, true)).toBe("join");
    expect(begun([life({ devEui: EUI })], EUI)).toBe("join");
  });

  it("is another device where other keys were proved, or none of one that is known", () => {
    expect(begun([life({ devEui: "02005E1000000102" })], EUI)).toBe("second-device");
    // Two devices of unknown DevEUI are not the same.
    expect(begun([life({})], null)).toBe("second-device");
    // A life that no key proved tells no device.
    expect(begun([life({ devEui: EUI, session: undefined })], EUI)).toBe("second-device");
    expect(begun([], null)).toBe("first-heard");
  });
});

describe("the upper halves that are tried", () => {
  it("are the last, the next, none, the one before, and then on from both", () => {
    expect(upperHalves(3 * 65_536 + 5, null, true)).toEqual([3, 4, 0, 2]);
    const whole = upperHalves(3 * 65_536 + 5, null, false);
    expect(whole).toHaveLength(16);
    expect(whole.slice(0, 8)).toEqual([3, 4, 0, 2, 5, 1, 6, 7]);
    expect(upperHalves(null, null, true)).toHaveLength(16);
    expect(upperHalves(null, null, false)).toHaveLength(256);
    expect(upperHalves(70_000, 16, false)).toEqual([0]);
    // None below 0 and none above 65 535.
    expect(upperHalves(5, null, true)).toEqual([0, 1, 2, 3]);
    expect(upperHalves(0xffff * 65_536 + 5, null, true)).toEqual([65_535, 0, 65_534, 1]);
  });
});

describe("the counter that a MIC proves", () => {
  it("is the sender's, whatever its upper half, when a counter shortly before is known", () => {
    fc.assert(
      fc.property(
        keyOctets,
        payloadOctets,
        counters,
        fc.integer({ min: 1, max: 70_000 }),
        (key, payload, last, step) => {
          const { octets, frame } = frame10(key, { counter: last + step, payload });
          const verdict = verifyCounter(octets, frame, nodeOf({ nwkSKey: key }), { lastCounter: last });
          expect(verdict).toMatchObject({
            verdict: "valid",
            counter32: last + step,
            half: false,
            version: "1.0",
          });
        },
      ),
      RUNS,
    );
  });

  it("tells a rollover from a reset, which look alike on air", () => {
    fc.assert(
      fc.property(
        keyOctets,
        fc.integer({ min: 0, max: 10 }),
        fc.integer({ min: 0, max: 9 }),
        (key, low, h) => {
          const lastCounter = h * 65_536 + 65_530;
          const node = nodeOf({ nwkSKey: key }, { counterBits: 32 });
          const rolled = frame10(key, { counter: (h + 1) * 65_536 + low });
          const reset = frame10(key, { counter: low });
          expect(rolled.frame.fCnt).toBe(reset.frame.fCnt);
          const past = { lastCounter, counterBits: 32, largestStep: 100 } as const;
          const placeOf = ({ octets, frame }: typeof rolled) => {
            const verdict = verifyCounter(octets, frame, node, { lastCounter });
            return verdict.verdict === "valid" ? placeCounter(verdict.counter32, past) : verdict;
          };
          expect(placeOf(rolled)).toEqual({ kind: "forward", steps: low + 6 });
          expect(placeOf(reset)).toEqual({ kind: "behind", back: lastCounter - low });
        },
      ),
      RUNS,
    );
  });

  it("is found for a late frame from before the rollover", () => {
    const key = octetSource(1)(16);
    const { octets, frame } = frame10(key, { counter: 65_533 });
    const verdict = verifyCounter(octets, frame, nodeOf({ nwkSKey: key }), { lastCounter: 65_538 });
    expect(verdict).toMatchObject({ verdict: "valid", counter32: 65_533 });
  });

  it("of a node in its fifth year is found without any counter to start from", () => {
    const key = octetSource(2)(16);
    const { octets, frame } = frame10(key, { counter: 15_000_000 });
    const verdict = verifyCounter(octets, frame, nodeOf({ nwkSKey: key }), { lastCounter: null });
    expect(verdict).toMatchObject({ verdict: "valid", counter32: 15_000_000, tries: 229 });
  });

  it("of a 16-bit device wraps with upper half 0, and the ledger goes on counting", () => {
    const key = octetSource(3)(16);
    const { octets, frame } = frame10(key, { counter: 65_536 + 4, highInMic: 0 });
    for (const counterBits of [16, null] as const) {
      const verdict = verifyCounter(octets, frame, nodeOf({ nwkSKey: key }, { counterBits }), {
        lastCounter: 65_534,
      });
      expect(verdict).toMatchObject({
        verdict: "valid",
        counter32: 4,
        tries: 1,
      });
      const place = placeCounter(4, { lastCounter: 65_534, counterBits, largestStep: 20 });
      expect(place).toEqual({ kind: "wrapped", steps: 6, counter: 65_540 });
    }
    // A node that has proved an upper half before cannot wrap with 0.
    expect(placeCounter(4, { lastCounter: 131_070, counterBits: 32, largestStep: 20 })).toMatchObject({
      kind: "behind",
    });
    // With 16 bits declared, an upper half of 1 is another device's or a forgery.
    const other = frame10(key, { counter: 65_536 + 4 });
    const declared = nodeOf({ nwkSKey: key }, { counterBits: 16 });
    expect(verifyCounter(other.octets, other.frame, declared, { lastCounter: 65_534 }).verdict).toBe(
      "invalid",
    );
  });

  it("of a downlink is proved as well, and its direction is part of the proof", () => {
    const key = octetSource(4)(16);
    const down = frame10(key, { counter: 70_001, direction: "down" });
    const node = nodeOf({ nwkSKey: key });
    expect(verifyCounter(down.octets, down.frame, node, { lastCounter: 70_000 })).toMatchObject({
      verdict: "valid",
      counter32: 70_001,
    });
  });
});

describe("a 1.1 uplink", () => {
  const random = octetSource(5);
  const keys = { fNwkSIntKey: random(16), sNwkSIntKey: random(16) };
  const made = uplink11(keys, { counter: 131_075, txDr: 3, txCh: 5 });
  const hint = { lastCounter: 131_070 };

  it("is proved whole without knowing how it was sent", () => {
    const verdict = verifyCounter(made.octets, made.frame, nodeOf(keys), hint);
    expect(verdict).toMatchObject({ verdict: "valid", counter32: 131_075, half: false, version: "1.1" });
  });

  it("searched for is weaker evidence: half a MIC times the pairs tried, times the upper halves tried", () => {
    const verdict = verifyCounter(made.octets, made.frame, nodeOf(keys), hint);
    if (verdict.verdict !== "valid") throw new Error("not proved");
    const pairs = verdict.chance / (verdict.tries * 2 ** -32);
    // 131,070 + 5 crosses into the next upper half: two halves were tried.
    expect(verdict.tries).toBe(2);
    expect(Number.isInteger(pairs)).toBe(true);
    expect(pairs).toBeGreaterThan(1);
  });

  it("is proved by session keys whose address is not told", () => {
    const verdict = verifyCounter(made.octets, made.frame, nodeOf(keys, { devAddr: null }), hint);
    expect(verdict).toMatchObject({ verdict: "valid", counter32: 131_075 });
  });

  it("is proved faster and better with a hint, and a wrong hint does no harm", () => {
    const right = verifyCounter(made.octets, made.frame, nodeOf(keys), {
      ...hint,
      sent: { txDr: 3, txCh: 5 },
    });
    const wrong = verifyCounter(made.octets, made.frame, nodeOf(keys), {
      ...hint,
      sent: { txDr: 2, txCh: 5 },
    });
    expect(right).toMatchObject({ verdict: "valid", sent: { txDr: 3, txCh: 5 }, chance: 2 * 2 ** -32 });
    expect(wrong).toMatchObject({ verdict: "valid", counter32: 131_075 });
  });

  it("is proved by half when only the forwarding network's key is known, and says so", () => {
    const { fNwkSIntKey } = keys;
    const verdict = verifyCounter(made.octets, made.frame, nodeOf({ fNwkSIntKey }), hint);
    expect(verdict).toMatchObject({ verdict: "valid", counter32: 131_075, half: true, chance: 2 * 2 ** -16 });
  });

  it("that acknowledges an unknown counter is proved by half, and whole once the counter is known", () => {
    const acked = uplink11(keys, { counter: 9, txDr: 0, txCh: 1, ack: true, confFCnt: 77 });
    const of = (more: object) =>
      verifyCounter(acked.octets, acked.frame, nodeOf(keys), { lastCounter: 8, ...more });
    expect(of({})).toMatchObject({ verdict: "valid", half: true });
    expect(of({ confFCnt: 77 })).toMatchObject({ verdict: "valid", half: false });
    expect(of({ confFCnt: 78, sent: { txDr: 0, txCh: 1 } })).toMatchObject({ verdict: "invalid" });
  });

  it("with SNwkSIntKey alone is not known, unless it is known how it was sent", () => {
    const { sNwkSIntKey } = keys;
    const node = nodeOf({ sNwkSIntKey });
    expect(verifyCounter(made.octets, made.frame, node, hint)).toMatchObject({ verdict: "unknown" });
    const told = verifyCounter(made.octets, made.frame, node, { ...hint, sent: { txDr: 3, txCh: 5 } });
    // Half a MIC, in the second upper half that was tried.
    expect(told).toMatchObject({
      ...{ verdict: "valid", half: true, version: "1.1", counter32: 131_075 },
      ...{ tries: 2, chance: 2 * 2 ** -16, sent: { txDr: 3, txCh: 5 } },
    });
    const otherwise = verifyCounter(made.octets, made.frame, node, { ...hint, sent: { txDr: 3, txCh: 6 } });
    expect(otherwise).toMatchObject({ verdict: "invalid" });
  });

  it("is searched for up to data rate 15 and channel 95, and no further", () => {
    const of = (txDr: number, txCh: number) => {
      const { octets, frame } = uplink11(keys, { counter: 3, txDr, txCh });
      return verifyCounter(octets, frame, nodeOf(keys), { lastCounter: 2 });
    };
    expect(of(15, 95)).toMatchObject({ verdict: "valid", sent: { txDr: 15, txCh: 95 } });
    expect(of(16, 0).verdict).toBe("invalid");
    expect(of(0, 96).verdict).toBe("invalid");
  });

  it("far ahead of its last counter is proved only when it is known how it was sent", () => {
    const far = uplink11(keys, { counter: 9 * 65_536 + 3, txDr: 3, txCh: 5 });
    const of = (more: object) => verifyCounter(far.octets, far.frame, nodeOf(keys), { ...hint, ...more });
    expect(of({}).verdict).toBe("invalid");
    expect(of({ sent: { txDr: 3, txCh: 5 } })).toMatchObject({ verdict: "valid", counter32: 9 * 65_536 + 3 });
  });

  it("cannot come from a node that has one network key for everything", () => {
    const { fNwkSIntKey } = keys;
    const node = nodeOf({ fNwkSIntKey, nwkSKey: fNwkSIntKey });
    expect(verifyCounter(made.octets, made.frame, node, hint).verdict).toBe("invalid");
  });

  it("is refused when the serving network's key is another's", () => {
    const foreign = nodeOf({ ...keys, sNwkSIntKey: octetSource(61)(16) });
    expect(verifyCounter(made.octets, made.frame, foreign, hint).verdict).toBe("invalid");
  });

  it("of a 1.1 device on a 1.0 network is proved as 1.0 by its one key", () => {
    const key = octetSource(7)(16);
    const { octets, frame } = frame10(key, { counter: 12 });
    const one = { nwkSKey: key, fNwkSIntKey: key, sNwkSIntKey: key };
    for (const node of [nodeOf(one), nodeOf({ fNwkSIntKey: key })]) {
      const verdict = verifyCounter(octets, frame, node, { lastCounter: 11 });
      expect(verdict).toMatchObject({ verdict: "valid", counter32: 12, version: "1.0", half: false });
    }
  });
});

describe("wrong keys", () => {
  it("give invalid, never a counter", () => {
    fc.assert(
      fc.property(twoKeys, payloadOctets, counters, ([key, other], payload, counter) => {
        const { octets, frame } = frame10(key, { counter, payload });
        const verdict = verifyCounter(octets, frame, nodeOf({ nwkSKey: other }), { lastCounter: counter });
        expect(verdict).toEqual({ verdict: "invalid", tries: 16 });
      }),
      RUNS,
    );
  });

  it("pass with the stated probability: 16 trials of 2^-32 whole, 4 of 2^-16 half", () => {
    expect(upperHalves(700_000, null, false)).toHaveLength(16);
    expect(upperHalves(700_000, null, true)).toEqual([10, 11, 0, 9]);
  });

  it("measured over 10,000 foreign frames: none passes whole, few by half", () => {
    const random = octetSource(8);
    const FRAMES = 10_000;
    let whole = 0;
    let half = 0;
    for (let i = 0; i < FRAMES; i++) {
      const octets = Uint8Array.of(0x40, 0xc4, 0xb3, 0xa2, 0x01, 0, ...random(2), 1, ...random(8));
      const frame = dataFrame(octets);
      const counterBits = 16;
      // One trial each, so that the rate is that of a trial: 16-bit devices have one upper half.
      const as10 = verifyCounter(octets, frame, nodeOf({ nwkSKey: random(16) }, { counterBits }), {
        lastCounter: 5,
      });
      const as11 = verifyCounter(octets, frame, nodeOf({ fNwkSIntKey: random(16) }, { counterBits }), {
        lastCounter: 5,
      });
      if (as10.verdict === "valid") whole += 1;
      if (as11.verdict === "valid") half += 1;
    }
    expect(whole).toBe(0);
    // Expected 10,000 / 65,536 = 0.15; five or more would have a probability below 1e-6.
    expect(half).toBeLessThan(5);
  });

  it("and damage to any octet are the same to a MIC", () => {
    const key = octetSource(9)(16);
    const { octets } = frame10(key, { counter: 100 });
    for (let at = 6; at < octets.length; at++) {
      const damaged = octets.slice();
      damaged[at] = (damaged[at] ?? 0) ^ 0x10;
      const verdict = verifyCounter(damaged, dataFrame(damaged), nodeOf({ nwkSKey: key }), {
        lastCounter: 99,
      });
      expect(verdict.verdict, `octet ${at}`).toBe("invalid");
    }
  });
});

describe("what cannot be checked is unknown, with a reason", () => {
  const key = octetSource(10)(16);
  const { octets, frame } = frame10(key, { counter: 5 });
  const cases: [string, NodeKeys, string][] = [
    ["no keys", nodeOf({}), "no network session key"],
    ["application keys alone", nodeOf({ appSKey: key, appKey: key }), "no network session key"],
    ["a key of 15 octets", nodeOf({ nwkSKey: key.subarray(1) }), "no network session key"],
    [
      "another address",
      nodeOf({ nwkSKey: key }, { devAddr: "00000001" }),
      "the keys belong to another device address",
    ],
  ];
  test.each(cases)("%s", (_title, node, reason) => {
    expect(verifyCounter(octets, frame, node, { lastCounter: null })).toEqual({ verdict: "unknown", reason });
  });

  it("a 1.1 downlink without SNwkSIntKey, or with ACK and no counter", () => {
    const down = frame10(key, { counter: 5, direction: "down", ack: true });
    const check = (node: NodeKeys) =>
      verifyCounter(down.octets, down.frame, node, { lastCounter: 4 }).verdict;
    const other = octetSource(11)(16);
    expect(check(nodeOf({ fNwkSIntKey: other }))).toBe("unknown");
    expect(check(nodeOf({ fNwkSIntKey: other, sNwkSIntKey: other }))).toBe("unknown");
  });
});

describe("placing a proved counter", () => {
  const past = { lastCounter: 1000, counterBits: 32, largestStep: 50 } as const;
  it("the first, the same, a step over any gap, and a fall", () => {
    expect(placeCounter(7, { ...past, lastCounter: null })).toEqual({ kind: "first" });
    expect(placeCounter(1000, past)).toEqual({ kind: "same" });
    expect(placeCounter(41_000, past)).toEqual({ kind: "forward", steps: 40_000 });
    expect(placeCounter(998, past)).toEqual({ kind: "behind", back: 2 });
  });

  it("of a 16-bit counter in its second round, by the ledger's own counter", () => {
    const second = { lastCounter: 70_000, counterBits: 16, largestStep: 50 } as const;
    expect(placeCounter(70_000 - 65_536, second)).toEqual({ kind: "same" });
    expect(placeCounter(70_003 - 65_536, second)).toEqual({ kind: "wrapped", steps: 3, counter: 70_003 });
    expect(placeCounter(0, second)).toEqual({ kind: "behind", back: 4464 });
  });
});

interface Vector {
  readonly id: string;
  readonly type: string;
  readonly source: string;
  readonly phyPayloadHex: string;
  readonly keys?: Readonly<Record<string, string>>;
  readonly fCnt32?: number;
  readonly params?: { readonly confFCnt?: number; readonly txDr?: number; readonly txCh?: number };
}

// Sources: beside each entry of the file.
const { vectors } = JSON.parse(
  readFileSync(new URL("../data/published/lorawan-vectors.json", import.meta.url), "utf8"),
) as { vectors: readonly Vector[] };
const dataVectors = vectors.filter(
  (vector) => /Data(Up|Down)$/.test(vector.type) && vector.fCnt32 !== undefined,
);

describe("published vectors", () => {
  it("are there", () => expect(dataVectors.length).toBeGreaterThan(10));

  test.each(dataVectors)("$id: the counter is proved from one shortly before", (vector) => {
    const octets = octetsOfHex(vector.phyPayloadHex) as Uint8Array;
    const frame = dataFrame(octets);
    const keys = Object.fromEntries(
      Object.entries(vector.keys ?? {}).map(([name, hex]) => [name, octetsOfHex(hex) as Uint8Array]),
    );
    const counter = vector.fCnt32 ?? 0;
    const { confFCnt, txDr, txCh } = vector.params ?? {};
    const hint = {
      lastCounter: counter > 3 ? counter - 3 : null,
      ...(confFCnt === undefined ? {} : { confFCnt }),
      ...(txDr === undefined || txCh === undefined ? {} : { sent: { txDr, txCh } }),
    };
    const verdict = verifyCounter(octets, frame, nodeOf(keys, { devAddr: frame.devAddr }), hint);
    expect(verdict).toMatchObject({ verdict: "valid", counter32: counter, half: false });
    const foreign = Object.fromEntries(
      Object.entries(keys).map(([name, key]) => [name, key.map((o) => o ^ 0xa5)]),
    );
    expect(verifyCounter(octets, frame, nodeOf(foreign, { devAddr: frame.devAddr }), hint).verdict).toBe(
      "invalid",
    );
  });
});

test("a verdict holds no key", () => {
  const key = octetSource(12)(16);
  const { octets, frame } = frame10(key, { counter: 1 });
  const text = JSON.stringify(verifyCounter(octets, frame, nodeOf({ nwkSKey: key }), { lastCounter: 0 }));
  expect(text).not.toContain([...key].join(","));
  expect(frame.devAddr).toBe(DEV_ADDR);
});
