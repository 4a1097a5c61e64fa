import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { accountFrame, type CountedFrame, type JoinsHeard } from "../../src/ledger/counters.ts";
import { type AddressState, newAddressState } from "../../src/ledger/life-state.ts";

const S = 1_000_000;
const noJoins: JoinsHeard = () => [];

const join = (devEui: string, rssiTenths: number | null = null) => ({ devEui, gatewayId: 1, rssiTenths });

interface Told {
  life: number;
  counter: number;
  repeat: boolean;
}

function frame(atS: number, counter: number, content = counter * 7919 + 1): CountedFrame {
  return { atUs: atS * S, fcnt: counter % 65_536, content };
}

function accountAll(
  frames: readonly CountedFrame[],
  joins: JoinsHeard = noJoins,
): { told: Told[]; state: AddressState } {
  const state = newAddressState();
  const told = frames.map((one) => {
    const { life, counter, repeat } = accountFrame(state, one, joins);
    return { life: life.number, counter, repeat };
  });
  return { told, state };
}

/** heard, expected, missed of each life. */
function loss(state: AddressState) {
  return state.lives.map((life) => {
    const expected = life.lastCounter - life.firstCounter + 1;
    return { life: life.number, heard: life.heard, expected, missed: expected - life.heard };
  });
}

describe("the first frame of an address", () => {
  it("begins life 1, which remembers how it sounded", () => {
    const radio = { dataRate: 5, gatewayId: 3, rssiTenths: -985 };
    const { life, ...rest } = accountFrame(newAddressState(), { ...frame(60, 1_007), radio }, noJoins);
    expect(rest).toEqual({ counter: 1_007, repeat: false, changed: [life] });
    expect(life).toEqual({
      number: 1,
      begunBy: "first-heard",
      reason: "first heard with counter 1\u202F007",
      firstAtUs: 60 * S,
      lastAtUs: 60 * S,
      highAtUs: 60 * S,
      firstCounter: 1_007,
      lastCounter: 1_007,
      heard: 1,
      recent: [{ counter: 1_007, content: 1_007 * 7919 + 1 }],
      stepsUs: [],
      radio: { dataRate: 5, levels: { 3: -985 } },
    });
  });
});

describe("a counter that fell", () => {
  it("came round where it had the time for it, and began anew where it would have counted too fast", () => {
    const steady = Array.from({ length: 10 }, (_, i) => frame(600 * i, 65_521 + i));
    const next = (seconds: number, counter: number) =>
      accountAll([...steady, frame(5_400 + seconds, counter)]).told.at(-1);
    // Nine intervals later nine counters on: 65 539 is 3 on air.
    expect(next(5_400, 65_539)).toEqual({ life: 1, counter: 65_539, repeat: false });
    // Forty counters in nine intervals are too many, and time enough to count from 0 to 34 there was not.
    expect(next(5_400, 65_570)).toEqual({ life: 1, counter: 65_570, repeat: false });
    // Forty-five intervals later eight counters on: 2 on air, as after a restart, and yet soon enough to have come round.
    expect(next(27_000, 65_536 + 2)).toEqual({ life: 1, counter: 65_538, repeat: false });
  });

  it("by two hundred in forty-five intervals, to 2, began anew", () => {
    const steady = Array.from({ length: 10 }, (_, i) => frame(600 * i, 65_329 + i));
    const next = (counter: number) => accountAll([...steady, frame(5_400 + 27_000, counter)]).told.at(-1);
    expect(next(65_538)).toEqual({ life: 2, counter: 2, repeat: false });
  });

  it("of which no rhythm is known may have come round by sixteen, and by more began anew", () => {
    const two = [frame(0, 65_525), frame(600, 65_526)];
    const next = (counter: number) => accountAll([...two, frame(90_000, counter)]).told.at(-1);
    expect(next(65_542)).toEqual({ life: 1, counter: 65_542, repeat: false });
    expect(next(65_543)).toEqual({ life: 2, counter: 7, repeat: false });
  });
});

describe("counter accounting", () => {
  it("gives the worked example of the reference: rollover, a late frame, a join, and no loss between 4 and 0", () => {
    // Interval 600 s; 65530, 65531, 65533, 65535, 1, 0 (late), 4, then a join-request and 0, 1, 2.
    const heard: [number, number][] = [
      [0, 65530],
      [600, 65531],
      [1800, 65533],
      [3000, 65535],
      [4200, 65537],
      [4210, 65536],
      [6000, 65540],
      [9000, 131072],
      [9600, 131073],
      [10200, 131074],
    ];
    const { state } = accountAll(
      heard.map(([at, counter]) => frame(at, counter)),
      (fromUs, toUs) => (fromUs < 8900 * S && toUs > 8900 * S ? [join("02005E1000ABCDEF")] : []),
    );
    expect(loss(state)).toEqual([
      { life: 1, heard: 7, expected: 11, missed: 4 },
      { life: 2, heard: 3, expected: 3, missed: 0 },
    ]);
    expect(state.lives[1]?.begunBy).toBe("join");
    expect(state.lives[1]?.reason).toBe(
      "counter fell from 65\u202F540 to 0 after a join-request of 02005E1000ABCDEF",
    );
  });

  describe("a counter that falls after join-requests", () => {
    const radio = { dataRate: 5, gatewayId: 1, rssiTenths: -900 };
    const before = [50, 51, 52, 53].map((counter, i) => ({ ...frame(i * 60, counter), radio }));
    const begunAfter = (...joins: ReturnType<typeof join>[]) =>
      accountAll([...before, { ...frame(240, 0, 5), radio }], () => joins).state.lives[1];

    it("is a join of the device that is as strong at the same gateway", () => {
      expect(begunAfter(join("02005E10000000F1", -940))).toMatchObject({
        begunBy: "join",
        devEui: "02005E10000000F1",
      });
    });
    it("is a restart where the device that asked is 12 dB and more apart", () => {
      expect(begunAfter(join("02005E10000000F1", -1_030))).toMatchObject({
        begunBy: "counter-reset",
        reason: "counter fell from 53 to 0, no join heard",
      });
      expect(begunAfter(join("02005E10000000F1", -1_020))?.begunBy).toBe("join");
    });
    it("is a join of the one that is left when the other is another's", () => {
      const life = begunAfter(join("02005E10000000F1", -1_100), join("02005E10000000F2", -900));
      expect(life).toMatchObject({ begunBy: "join", devEui: "02005E10000000F2" });
    });
    it("is left a restart when two devices may be it", () => {
      const life = begunAfter(join("02005E10000000F1", -910), join("02005E10000000F2", -900));
      expect(life?.begunBy).toBe("counter-reset");
      expect(life?.devEui).toBeUndefined();
      expect(life?.reason).toBe(
        "counter fell from 53 to 0; 2 devices asked to join, and which of them is not known",
      );
    });
  });

  it("a repeated counter with the same content is a repeat, not a loss and not another counter", () => {
    const { told, state } = accountAll([frame(0, 10), frame(3, 10), frame(60, 11), frame(63, 11)]);
    expect(told.map((one) => one.repeat)).toEqual([false, true, false, true]);
    expect(loss(state)).toEqual([{ life: 1, heard: 2, expected: 2, missed: 0 }]);
  });

  it("six starts of a node with a constant payload are six lives, not repeats for ever", () => {
    // Twenty frames a minute apart, the same octets at the same counter after each start; starts two hours apart.
    const frames = Array.from({ length: 6 }, (_, start) =>
      Array.from({ length: 20 }, (_, i) => frame(start * 7_200 + i * 60, i)),
    ).flat();
    const { told, state } = accountAll(frames);
    expect(state.begun).toBe(6);
    expect(told.filter((one) => one.repeat)).toEqual([]);
    expect(told.map(({ life }) => life)).toEqual(frames.map((_, i) => Math.floor(i / 20) + 1));
    expect(state.lives.map((life) => life.heard)).toEqual([20, 20, 20, 20]);
    expect(state.lives[1]?.reason).toBe("counter fell from 19 to 0, no join heard");
  });

  it("a node that starts after one frame each time begins a life each time", () => {
    const { told, state } = accountAll([0, 1_200, 2_400].map((at) => frame(at, 0)));
    expect(told.map(({ life, repeat }) => [life, repeat])).toEqual([
      [1, false],
      [2, false],
      [3, false],
    ]);
    expect(state.lives[1]?.reason).toBe("counter 0 came again, later than a repeat comes, no join heard");
  });

  it("repeats of one counter may take minutes, each after the one before", () => {
    // 280 s apart: a frame of 2.8 s at SF12 and 1 % duty cycle, eight transmissions.
    const { told } = accountAll(Array.from({ length: 8 }, (_, i) => frame(i * 280, 7)));
    expect(told.map(({ life, repeat }) => [life, repeat])).toEqual([
      [1, false],
      ...Array.from({ length: 7 }, () => [1, true]),
    ]);
  });

  it("an older counter delivered again within a minute is a repeat, and no new life", () => {
    const { told } = accountAll([frame(0, 0), frame(60, 1), frame(120, 2), frame(170, 1)]);
    expect(told.at(-1)).toEqual({ life: 1, counter: 1, repeat: true });
  });

  it("a stuck node that sends its newest counter for days stays one life", () => {
    const before = [100, 101, 102, 103].map((counter, i) => frame(i * 60, counter));
    const { told } = accountAll([...before, frame(90_000, 103), frame(180_000, 103)]);
    expect(told.slice(4)).toEqual([
      { life: 1, counter: 103, repeat: true },
      { life: 1, counter: 103, repeat: true },
    ]);
  });

  it("a counter that falls to 0 begins a new life with its reason, and costs no loss", () => {
    const frames = [4210, 4211, 4212].map((counter, i) => frame(i * 60, counter));
    const { state } = accountAll([...frames, frame(200, 0, 5), frame(260, 1, 6), frame(320, 3, 7)]);
    expect(loss(state)).toEqual([
      { life: 1, heard: 3, expected: 3, missed: 0 },
      { life: 2, heard: 3, expected: 4, missed: 1 },
    ]);
    expect(state.lives[1]?.reason).toBe("counter fell from 4\u202F212 to 0, no join heard");
  });

  it("a reset whose first frames went unheard is still a reset when there was time to count that far", () => {
    const before = [500, 501, 502, 503].map((counter, i) => frame(i * 60, counter));
    const { state } = accountAll([...before, frame(180 + 60 * 9, 7, 1), frame(180 + 60 * 10, 8, 2)]);
    expect(state.lives.map((life) => life.begunBy)).toEqual(["first-heard", "counter-reset"]);
    expect(state.lives[1]?.heard).toBe(2);
  });

  it("a counter that jumps too far for the time that passed is a life of its own, not thousands of losses", () => {
    const before = [10, 11, 12, 13].map((counter, i) => frame(i * 60, counter));
    const { state } = accountAll([...before, frame(240, 9_000, 1), frame(300, 14)]);
    expect(loss(state)).toEqual([
      { life: 1, heard: 5, expected: 5, missed: 0 },
      { life: 2, heard: 1, expected: 1, missed: 0 },
    ]);
  });

  it("a restart near the end of the counter's range is no rollover with a thousand losses", () => {
    // Found by chance: 63853 to 63856 heard, a hundred and more lost, then the device begins again at 0.
    const before = [63_853, 63_854, 63_855, 63_856].map((counter, i) => frame(i * 5, counter));
    const { state } = accountAll([...before, frame(1_070, 0, 1), frame(1_075, 1, 2), frame(1_080, 2, 3)]);
    expect(loss(state)).toEqual([
      { life: 1, heard: 4, expected: 4, missed: 0 },
      { life: 2, heard: 3, expected: 3, missed: 0 },
    ]);
    expect(state.lives[1]?.begunBy).toBe("counter-reset");
  });

  it("a rollover in an outage that fits the rhythm stays a rollover", () => {
    const before = [65_500, 65_501, 65_502, 65_503].map((counter, i) => frame(i * 60, counter));
    const { state } = accountAll([...before, frame(180 + 60 * 40, 65_543)]);
    expect(loss(state)).toEqual([{ life: 1, heard: 5, expected: 44, missed: 39 }]);
  });

  it("two devices under one address are two lives side by side, and the second says so", () => {
    const frames: CountedFrame[] = [];
    for (let i = 0; i < 40; i++) {
      frames.push(frame(i * 60, 1_000 + i));
      if (i >= 10) frames.push(frame(i * 60 + 25, i - 10, 900_000 + i));
    }
    const { state } = accountAll(frames);
    expect(loss(state)).toEqual([
      { life: 1, heard: 40, expected: 40, missed: 0 },
      { life: 2, heard: 30, expected: 30, missed: 0 },
    ]);
    expect(state.lives[1]?.begunBy).toBe("second-device");
    // Found at the older life's first frame after the second began (at i = 10), and not found again at every later one.
    expect(state.lives[1]?.reason).toMatch(/: life 1 went on at 1\s011$/);
  });

  it("a long outage is a loss of exactly the frames that the rhythm says", () => {
    const frames = [...Array(20).keys()].map((i) => frame(i * 60, i));
    const { state } = accountAll([...frames, frame(20 * 60 + 3600, 80)]);
    expect(loss(state)).toEqual([{ life: 1, heard: 21, expected: 81, missed: 60 }]);
  });

  it("equals the truth of any history with losses, repeats, jitter, a rollover and resets", () => {
    const history = fc.record({
      start: fc.oneof(fc.integer({ min: 0, max: 65_535 }), fc.integer({ min: 65_500, max: 65_535 })),
      periodS: fc.integer({ min: 5, max: 900 }),
      lives: fc.array(
        fc.array(
          fc.record({
            heard: fc.boolean(),
            repeat: fc.boolean(),
            jitter: fc.double({ min: -0.1, max: 0.1, noNaN: true }),
          }),
          { minLength: 70, maxLength: 140 },
        ),
        { minLength: 1, maxLength: 3 },
      ),
    });
    fc.assert(
      fc.property(history, ({ start, periodS, lives }) => {
        const frames: CountedFrame[] = [];
        const truth: { heard: number; first: number; last: number; repeats: number }[] = [];
        let at = 1_000;
        let content = 1;
        for (const [index, life] of lives.entries()) {
          const told = { heard: 0, first: -1, last: -1, repeats: 0 };
          life.forEach((one, i) => {
            at += periodS * (1 + one.jitter);
            content += 1;
            // A life whose first frames all go unheard cannot be told from its predecessor: the first ones are heard.
            // And no run of losses is longer than seven: a restart amid a long silence near the end of the 16 bits
            // cannot be told from a rollover by counters.
            if (!one.heard && i > 3 && i % 8 !== 0) return;
            const counter = (index === 0 ? start : 0) + i;
            frames.push({ atUs: Math.round(at * S), fcnt: counter % 65_536, content });
            told.heard += 1;
            if (told.first < 0) told.first = counter;
            told.last = counter;
            if (one.repeat) {
              frames.push({ atUs: Math.round((at + 2.5) * S), fcnt: counter % 65_536, content });
              told.repeats += 1;
            }
          });
          truth.push(told);
        }
        const { told, state } = accountAll(frames);
        expect(
          state.lives.map(({ heard, firstCounter, lastCounter }) => ({ heard, firstCounter, lastCounter })),
        ).toEqual(truth.map(({ heard, first, last }) => ({ heard, firstCounter: first, lastCounter: last })));
        expect(told.filter((one) => one.repeat).length).toBe(
          truth.reduce((sum, one) => sum + one.repeats, 0),
        );
      }),
      { numRuns: 150 },
    );
  });

  it("can be stored and taken up again at any frame without changing a figure", () => {
    const frames = [...Array(300).keys()].filter((i) => i % 7 !== 3).map((i) => frame(i * 30, 65_400 + i));
    const whole = accountAll(frames).state;
    let state = newAddressState();
    for (const one of frames) {
      accountFrame(state, one, noJoins);
      state = JSON.parse(JSON.stringify(state)) as AddressState;
    }
    expect(state).toEqual(whole);
  });
});
