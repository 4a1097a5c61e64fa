import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { contentOf } from "../../src/ledger/group-receptions.ts";
import { verifyCounter } from "../../src/ledger/keys/identity.ts";
import { judgeSameCounter, longestRepeatUs, type ProvedFrame } from "../../src/ledger/keys/proof.ts";
import { frame10, keyOctets, nodeOf, type Signed, uplink11 } from "./keyed-frames.ts";

const S = 1_000_000;
const AIRTIME_US = 61_696;
const BOUNDS = { airtimeUs: AIRTIME_US, nbTrans: 3, newerAtUs: null } as const;
const RUNS = { seed: 77, numRuns: 60 } as const;

function proved({ octets, frame }: Signed, keys: Parameters<typeof nodeOf>[0], atUs: number): ProvedFrame {
  const verdict = verifyCounter(octets, frame, nodeOf(keys), { lastCounter: 40 });
  if (verdict.verdict !== "valid") throw new Error("the test's frame is not valid");
  const { counter32 } = verdict;
  return { counter32, mic: frame.mic, content: contentOf(octets, true), atUs };
}

describe("the same counter again", () => {
  it("within the NbTrans time is a repeat, later the same octets are a replay", () => {
    fc.assert(
      fc.property(keyOctets, fc.integer({ min: 1, max: 86_400 }), (key, seconds) => {
        const made = frame10(key, { counter: 41 });
        const first = proved(made, { nwkSKey: key }, 0);
        const again = proved(made, { nwkSKey: key }, seconds * S);
        expect(again).toMatchObject({ counter32: first.counter32, mic: first.mic });
        const expected = seconds * S <= longestRepeatUs(BOUNDS) ? "repeat" : "replay";
        expect(judgeSameCounter(first, again, BOUNDS)).toBe(expected);
      }),
      RUNS,
    );
    // Two more transmissions, each at most 19 s and a hundred airtimes after the one before: 50.3 s.
    expect(longestRepeatUs(BOUNDS) / S).toBeCloseTo(50.34, 2);
    const key = new Uint8Array(16).fill(9);
    const made = frame10(key, { counter: 41 });
    // 2 * (19 s + 100 * 61 696 us), to the microsecond.
    const judged = [50_339_200, 50_339_201].map((atUs) =>
      judgeSameCounter(proved(made, { nwkSKey: key }, 0), proved(made, { nwkSKey: key }, atUs), BOUNDS),
    );
    expect(judged).toEqual(["repeat", "replay"]);
  });

  it("is a replay however soon, once the node has gone on to a higher counter", () => {
    const key = new Uint8Array(16).fill(9);
    const made = frame10(key, { counter: 41 });
    const [first, again] = [0, 5 * S].map((atUs) => proved(made, { nwkSKey: key }, atUs));
    expect(judgeSameCounter(first!, again!, { ...BOUNDS, newerAtUs: null })).toBe("repeat");
    expect(judgeSameCounter(first!, again!, { ...BOUNDS, newerAtUs: 4 * S })).toBe("replay");
    // Heard at the same moment as the newer one, at another gateway: still a repeat.
    expect(judgeSameCounter(first!, again!, { ...BOUNDS, newerAtUs: 5 * S })).toBe("repeat");
    expect(judgeSameCounter(first!, again!, { ...BOUNDS, newerAtUs: 6 * S })).toBe("repeat");
  });

  it("of 1.1 on another channel is a repeat though half its MIC differs", () => {
    const keys = { fNwkSIntKey: new Uint8Array(16).fill(1), sNwkSIntKey: new Uint8Array(16).fill(2) };
    const first = proved(uplink11(keys, { counter: 41, txDr: 5, txCh: 0 }), keys, 0);
    const again = proved(uplink11(keys, { counter: 41, txDr: 5, txCh: 2 }), keys, 4 * S);
    expect(again.mic).not.toEqual(first.mic);
    expect(judgeSameCounter(first, again, BOUNDS)).toBe("repeat");
  });

  it("with other content under the same key is counter reuse", () => {
    const key = new Uint8Array(16).fill(3);
    const first = proved(frame10(key, { counter: 41, payload: Uint8Array.of(1) }), { nwkSKey: key }, 0);
    const again = proved(frame10(key, { counter: 41, payload: Uint8Array.of(2) }), { nwkSKey: key }, 2 * S);
    expect(judgeSameCounter(first, again, BOUNDS)).toBe("counter-reuse");
  });

  it("with another upper half is another counter, though all 16 bits on air agree", () => {
    const key = new Uint8Array(16).fill(4);
    const first = proved(frame10(key, { counter: 41 }), { nwkSKey: key }, 0);
    const again = proved(frame10(key, { counter: 65_536 + 41 }), { nwkSKey: key }, 2 * S);
    expect(judgeSameCounter(first, again, BOUNDS)).toBe("another-counter");
  });

  it("may take longer when NbTrans is not known or 0", () => {
    expect(longestRepeatUs({ airtimeUs: AIRTIME_US, nbTrans: 1 })).toBe(0);
    const most = longestRepeatUs({ airtimeUs: AIRTIME_US, nbTrans: 15 });
    expect(longestRepeatUs({ airtimeUs: AIRTIME_US, nbTrans: null })).toBe(most);
    expect(longestRepeatUs({ airtimeUs: AIRTIME_US, nbTrans: 0 })).toBe(most);
  });
});
