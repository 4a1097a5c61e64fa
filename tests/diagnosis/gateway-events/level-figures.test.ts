/** Every figure of a common step, of silent radios and of lost keepalives, both sides of each limit. Worked out by hand. */
import { describe, expect, it } from "vitest";
import {
  deafRadio,
  type KeepaliveCell,
  lossyTimes,
  type RegularSender,
  type SilentRadio,
} from "../../../src/diagnosis/gateway-events/deaf-radio.ts";
import {
  type CommonStep,
  commonSteps,
  type LevelPoint,
  weakenedTimes,
} from "../../../src/diagnosis/gateway-events/level-step.ts";

const S = 1_000_000;
const MINUTE = 60 * S;
const HOUR = 60 * MINUTE;

/** A frame each ten minutes for 16 h from `offsetS` on; each sender at a level of its own, without any fading. */
function sender(
  id: number,
  changeDb: (hour: number) => number,
  { offsetS = id, marginDb = 20, snrDb = -8, snrFollows = true, untilH = 16, fromH = 0 } = {},
): LevelPoint[] {
  return Array.from({ length: 96 }, (_, i) => i)
    .filter((i) => i / 6 >= fromH && i / 6 < untilH)
    .map((i) => {
      const change = changeDb(i / 6);
      return {
        tUs: i * 10 * MINUTE + offsetS * S,
        sender: id,
        powerDbm: -100 - 2 * id + change,
        snrDb: snrDb + (snrFollows ? change : 0),
        marginDb: marginDb + change,
      };
    });
}
const since =
  (db: number, hour = 8) =>
  (at: number) =>
    at >= hour ? db : 0;
const site = (...senders: readonly LevelPoint[][]) => senders.flat().sort((a, b) => a.tUs - b.tUs);
const ids = (count: number, first = 1) => Array.from({ length: count }, (_, i) => first + i);
/** Half of the 95 % interval of senders that agree to the dB: Student's t x 0.7 dB / root of their number. */
const half = (t: number, n: number) => (t * 0.7) / Math.sqrt(n);

describe("a step of all senders", () => {
  const step = (here: readonly LevelPoint[], ...elsewhere: LevelPoint[][]) => commonSteps(here, elsewhere);

  it("has the moment, the size with its interval, the senders and how sure it is", () => {
    const [one, ...others] = step(site(...ids(5).map((id) => sender(id, since(-10)))));
    expect(others).toEqual([]);
    expect(one).toEqual({
      atUs: expect.any(Number),
      notBeforeUs: expect.any(Number),
      notAfterUs: expect.any(Number),
      changeDb: expect.closeTo(-10, 9),
      // Four degrees of freedom: 2.776.
      lowDb: expect.closeTo(-10 - half(2.776, 5), 3),
      highDb: expect.closeTo(-10 + half(2.776, 5), 3),
      snrChangeDb: expect.closeTo(-10, 9),
      senders: 5,
      compared: 5,
      vanished: 0,
      elsewhere: null,
      confidence: 0.85,
    });
    // Between the last frame at 07:50 and the first at 08:00.
    expect(one?.notBeforeUs).toBeLessThanOrEqual(8 * HOUR);
    expect(one?.notAfterUs).toBeGreaterThanOrEqual(8 * HOUR);
    expect(Math.abs((one?.atUs ?? 0) - 8 * HOUR)).toBeLessThanOrEqual(10 * MINUTE);
  });

  it("is as uncertain as its senders differ, where that is more than 0.7 dB", () => {
    const [one] = step(site(sender(1, since(-10)), sender(2, since(-11)), sender(3, since(-12))));
    // A spread of 1 dB over three: Student's t of two degrees of freedom, 4.303 / root of 3.
    expect(one).toMatchObject({
      changeDb: expect.closeTo(-11, 9),
      lowDb: expect.closeTo(-11 - 4.303 / Math.sqrt(3), 3),
      highDb: expect.closeTo(-11 + 4.303 / Math.sqrt(3), 3),
    });
  });

  it("is surer the more senders agree: from three on", () => {
    const confidence = (count: number) =>
      step(site(...ids(count).map((id) => sender(id, since(-10)))))[0]?.confidence;
    expect([2, 3, 4, 6, 8, 9].map(confidence)).toEqual([undefined, 0.75, 0.8, 0.88, 0.92, 0.92]);
  });

  it("is told of the power alone where the SNR saturates: above 5 dB", () => {
    const snr = (snrDb: number, snrFollows = true) =>
      step(site(...ids(4).map((id) => sender(id, since(-10), { snrDb, snrFollows }))))[0]?.snrChangeDb;
    expect(snr(5)).toBeCloseTo(-10, 9);
    expect(snr(5.1)).toBeNull();
    expect(snr(-8, false)).toBeCloseTo(0, 9);
    const unknown = site(...ids(4).map((id) => sender(id, since(-10)))).map((one) => ({
      ...one,
      snrDb: null,
    }));
    expect(step(unknown)[0]).toMatchObject({ senders: 4, snrChangeDb: null });
  });

  it("takes three in four senders that agree to 3 dB", () => {
    const mixed = (agreeing: number, others: readonly number[]) =>
      step(
        site(
          ...ids(agreeing).map((id) => sender(id, since(-10))),
          ...others.map((db, i) => sender(agreeing + 1 + i, since(db))),
        ),
      )[0];
    expect(mixed(3, [0])).toMatchObject({ senders: 3, compared: 4 });
    expect(mixed(3, [0, 0])).toBeUndefined();
    expect(mixed(3, [-12.9])).toMatchObject({ senders: 4, compared: 4 });
    expect(mixed(3, [-13.5])).toMatchObject({ senders: 3, compared: 4 });
  });

  it("leaves out who was heard near the floor on one side, where three others are left", () => {
    const three = ids(3).map((id) => sender(id, since(-10)));
    const weak = sender(4, since(-4), { marginDb: 6.9 });
    expect(step(site(...three, weak))[0]).toMatchObject({ senders: 3, compared: 3 });
    // 7 dB less 4 leave 3 dB: a sound sender, which does not agree.
    expect(step(site(...three, sender(4, since(-4), { marginDb: 7 })))[0]).toMatchObject({ compared: 4 });
    // Of two others and the weak one all three count.
    const few = [...three.slice(0, 2), sender(4, since(-10), { marginDb: 12 })];
    expect(step(site(...few))[0]).toMatchObject({ senders: 3, compared: 3 });
  });

  it("takes six frames of a sender, three of them on each side", () => {
    const three = ids(3).map((id) => sender(id, since(-10)));
    const compared = (fromH: number, untilH: number) =>
      step(site(...three, sender(4, since(-10), { fromH, untilH })))[0]?.compared;
    expect(compared(7.5, 9)).toBe(4);
    // Two frames before, or two after; five in all.
    expect(compared(7.6, 9)).toBe(3);
    expect(compared(7, 8.3)).toBe(3);
  });

  it("is the gateway's where another hears the same senders as before, and the senders' where that sees it too", () => {
    const here = site(...ids(4).map((id) => sender(id, since(-10))));
    const there = (db: number, count = 4) =>
      site(...ids(count).map((id) => sender(id, since(db), { offsetS: id + 1 })));
    expect(step(here, there(0))[0]).toMatchObject({
      elsewhere: { senders: 4, changeDb: expect.closeTo(0, 9) },
      confidence: 0.97,
    });
    // Three tenths of 10 dB are none of it; half of it is the same step.
    expect(step(here, there(-3))[0]?.confidence).toBe(0.97);
    expect(step(here, there(-3.1))[0]?.confidence).toBe(0.8);
    expect(step(here, there(-4.9))[0]?.confidence).toBe(0.8);
    expect(step(here, there(-5))).toEqual([]);
    // The other way round is another step.
    expect(step(here, there(6))[0]).toMatchObject({ confidence: 0.8, elsewhere: { senders: 4 } });
    // Of several gateways the one that hears most of them tells.
    expect(step(here, there(-10, 2), there(0, 3))[0]?.elsewhere?.senders).toBe(3);
  });

  it("of two senders counts where another gateway saw none", () => {
    const two = site(...ids(2).map((id) => sender(id, since(-10))));
    const there = site(...ids(2).map((id) => sender(id, since(0), { offsetS: id + 1 })));
    expect(step(two, there)[0]).toMatchObject({
      senders: 2,
      confidence: 0.9,
      // Taken as of two degrees of freedom: 4.303.
      lowDb: expect.closeTo(-10 - half(4.303, 2), 3),
    });
    expect(step(two)).toEqual([]);
  });

  it("counts who vanished with a fall that took its margin, two thirds each", () => {
    const left = sender(1, since(-20), { marginDb: 40 });
    const gone = (count: number, marginDb = 12, untilH = 8) =>
      step(site(left, ...ids(count, 2).map((id) => sender(id, since(0), { marginDb, untilH }))))[0];
    // One and two thirds of three: three in all.
    expect(gone(3)).toMatchObject({ senders: 1, vanished: 3, compared: 1, confidence: 0.75 });
    expect(gone(2)).toBeUndefined();
    // With 23 dB and more they would still be heard; silent for half an hour before they were so by themselves.
    expect(gone(3, 22.9)?.vanished).toBe(3);
    expect(gone(3, 23)).toBeUndefined();
    expect(gone(3, 12, 7.4)).toBeUndefined();
    // Of an unknown margin nobody knows whether the fall took it.
    const unknown = ids(3, 2).flatMap((id) => sender(id, since(0), { marginDb: 12, untilH: 8 }));
    expect(
      step(
        site(
          left,
          unknown.map((one) => ({ ...one, marginDb: null })),
        ),
      ),
    ).toEqual([]);
  });
});

describe("falls and what mends them", () => {
  const change = (atUs: number, changeDb: number) => ({ atUs, changeDb }) as CommonStep;

  it("are paired with a rise of six tenths and more of the newest open fall", () => {
    const pairs = (...steps: CommonStep[]) => {
      const { weakened, strengthened } = weakenedTimes(steps);
      return [
        weakened.map(({ fall, mended }) => [fall.changeDb, mended?.changeDb ?? null]),
        strengthened.map(({ changeDb }) => changeDb),
      ];
    };
    expect(pairs(change(1, -10), change(2, 6))).toEqual([[[-10, 6]], []]);
    expect(pairs(change(1, -10), change(2, 5.9))).toEqual([[[-10, null]], [5.9]]);
    expect(pairs(change(1, 8), change(2, -10))).toEqual([[[-10, null]], [8]]);
    expect(pairs(change(1, -10), change(2, -4), change(3, 4), change(4, 9))).toEqual([
      [
        [-10, 9],
        [-4, 4],
      ],
      [],
    ]);
    expect(pairs(change(1, -10), change(2, 9), change(3, 9))).toEqual([[[-10, 9]], [9]]);
  });
});

describe("a radio that heard nothing", () => {
  const FROM = 600 * MINUTE;
  const regular = (everyMinutes: number, count = 10, marginDb: number | null = 14): RegularSender => ({
    heardUs: Array.from({ length: count }, (_, i) => FROM - (count - 1 - i) * everyMinutes * MINUTE),
    marginDb,
  });
  /** A report each minute, on the minute. */
  const reports = (minutes: number, received: number | null = 0) =>
    Array.from({ length: minutes }, (_, i) => ({ atUs: FROM + (i + 1) * MINUTE, received }));
  const radio = (more: Partial<SilentRadio> = {}) =>
    deafRadio({
      silence: { fromUs: FROM, toUs: FROM + 60 * MINUTE },
      isOpen: false,
      reports: reports(60),
      senders: [regular(10), regular(10)],
      unheard: [],
      heardElsewhere: null,
      dueElsewhere: null,
      counter: null,
      ...more,
    });
  const sure = (odds: number) => expect.closeTo(1 / (1 + Math.exp(-odds)), 9);

  it("has every figure of its silence", () => {
    expect(radio({ counter: "began-anew" })).toEqual({
      fromUs: FROM,
      toUs: FROM + 60 * MINUTE,
      isOpen: false,
      reports: 60,
      sendersDue: 2,
      framesDue: 12,
      heardElsewhere: null,
      counter: "began-anew",
      confidence: sure(-1.2 + 0.9 + 2),
    });
  });

  it("tells nothing by its end while it goes on", () => {
    expect(radio({ counter: "began-anew", isOpen: true })).toMatchObject({
      isOpen: true,
      counter: null,
      confidence: sure(-1.2 + 0.9),
    });
    expect(radio({ counter: "stood" })?.confidence).toEqual(sure(-0.3 + 4));
    expect(radio({ counter: "ran-on" })?.confidence).toEqual(sure(-0.3 - 4));
  });

  it("takes six frames due, of two senders", () => {
    const due = (everyMinutes: number) => radio({ senders: [regular(everyMinutes), regular(everyMinutes)] });
    // Each 20 min: three frames of each in the hour; each 21 min 2.86.
    expect(due(20)).toMatchObject({ framesDue: 6 });
    expect(due(21)).toBeNull();
    expect(radio({ senders: [regular(5)] })).toBeNull();
    expect(radio({ senders: [] })).toBeNull();
  });

  it("has a sender due after two and a half of its intervals, and after its longest one", () => {
    const due = (sender: RegularSender) => radio({ senders: [regular(10), regular(10), sender] })?.sendersDue;
    expect(due(regular(23.9))).toBe(3);
    expect(due(regular(24))).toBe(2);
    // One interval of an hour before: the silence is not longer.
    const uneven = {
      ...regular(5),
      heardUs: [FROM - 80 * MINUTE, FROM - 20 * MINUTE, ...regular(5, 4).heardUs],
    };
    expect(due(uneven)).toBe(2);
    const shorter = { ...uneven, heardUs: [FROM - 79 * MINUTE, ...uneven.heardUs.slice(1)] };
    expect(due(shorter)).toBe(3);
    // Heard five times, its rhythm is known; four times it is not.
    expect([due(regular(5, 5)), due(regular(5, 4))]).toEqual([3, 2]);
    // Last heard two and a half intervals before, it is still there; longer ago it had fallen silent.
    const earlier = (minutes: number) => ({
      ...regular(10),
      heardUs: regular(10).heardUs.map((us) => us - minutes * MINUTE),
    });
    expect([due(earlier(25)), due(earlier(25.1))]).toEqual([3, 2]);
    // What it sent later is not before.
    expect(due({ ...regular(5), heardUs: regular(5).heardUs.map((us) => us + 61 * MINUTE) })).toBe(2);
  });

  it("owes frames by its mean interval where that is longer than the usual one", () => {
    // Intervals 5, 5, 5, 5, 30 min: usual 5, mean 10; six of the hour instead of twelve.
    const heardUs = [50, 20, 15, 10, 5, 0].map((minute) => FROM - minute * MINUTE);
    expect(radio({ senders: [{ heardUs, marginDb: 14 }, regular(10)] })?.framesDue).toBe(12);
  });

  it("counts its strongest sender's margin, a unit for 6 dB about 14, up to one and a half", () => {
    const by = (...margins: (number | null)[]) =>
      radio({ senders: margins.map((marginDb) => regular(10, 10, marginDb)) })?.confidence;
    expect(by(20, 2)).toEqual(sure(-0.3 + 1));
    expect(by(8, 2)).toEqual(sure(-0.3 - 1));
    expect(by(40, 2)).toEqual(sure(-0.3 + 1.5));
    expect(by(-10, -20)).toEqual(sure(-0.3 - 1.5));
    expect(by(null, null)).toEqual(sure(-0.3));
    expect(by(null, 20)).toEqual(sure(-0.3 + 1));
  });

  it("counts seven senders at the most", () => {
    const of = (count: number) =>
      radio({ senders: Array.from({ length: count }, () => regular(10)) })?.confidence;
    expect(of(7)).toEqual(sure(-1.2 + 3.15));
    expect(of(8)).toEqual(of(7));
  });

  it("is as long as its reports tell: where they are missing nobody knows what it heard", () => {
    // Ten reports and an interval beside them: 11 min, of which each of ten senders every 2 min owes 5.5 frames.
    const some = radio({
      reports: reports(10),
      senders: Array.from({ length: 10 }, () => regular(2)),
    });
    expect(some).toMatchObject({ reports: 10, framesDue: 55, sendersDue: 10 });
    expect(radio({ reports: reports(1) })).toBeNull();
    expect(radio({ reports: [] })).toBeNull();
    expect(radio({ reports: reports(60, null) })).toBeNull();
  });

  it("begins with the first report of a whole interval in it: to a fiftieth", () => {
    const first = (share: number) => {
      const shifted = reports(60).map(({ atUs }, i) => ({
        atUs: atUs - MINUTE + Math.round(share * MINUTE),
        received: i === 0 ? 3 : 0,
      }));
      return radio({ reports: shifted })?.reports;
    };
    // The first one speaks of the packets before the silence, unless all of its interval lies in it.
    expect(first(0.97)).toBe(59);
    // Then it counts three packets, and the silence begins after it.
    expect(
      radio({ reports: reports(60).map((one, i) => (i === 0 ? { ...one, received: 3 } : one)) }),
    ).toMatchObject({
      fromUs: FROM + MINUTE,
      reports: 59,
    });
  });

  it("is none where its reports count packets but for four fifths of it", () => {
    const counting = (minute: number) =>
      radio({ reports: reports(60).map((one, i) => (i + 1 === minute ? { ...one, received: 1 } : one)) });
    expect(counting(49)).toMatchObject({ fromUs: FROM, toUs: FROM + 48 * MINUTE, reports: 48 });
    expect(counting(48)).toBeNull();
  });

  it("takes three frames at another gateway, and three in ten of what was due there", () => {
    const at = (heardElsewhere: number, dueElsewhere: number | null) =>
      radio({ heardElsewhere, dueElsewhere })?.confidence;
    expect(at(3, null)).toEqual(sure(-0.3 + 3.5));
    expect(at(2, null)).toEqual(sure(-0.3 - 3));
    expect(at(6, 20)).toEqual(sure(-0.3 + 3.5));
    expect(at(6, 21)).toEqual(sure(-0.3 - 3));
  });
});

describe("keepalives that are lost on the way", () => {
  const cell = (i: number, came: number, due = 30): KeepaliveCell => ({
    fromUs: i * HOUR,
    toUs: (i + 1) * HOUR,
    due,
    came,
  });
  const times = (...came: number[]) =>
    lossyTimes(came.map((count, i) => cell(i, count))).map(({ fromUs, toUs, due, came: got, isOpen }) => [
      fromUs / HOUR,
      toUs / HOUR,
      due,
      got,
      isOpen,
    ]);

  it("make a time with its share and interval", () => {
    const [one] = lossyTimes([cell(0, 30), cell(1, 20), cell(2, 30)]);
    // Ten of 30: Wilson's interval is 0.1923 to 0.5122.
    expect(one).toEqual({
      fromUs: HOUR,
      toUs: 2 * HOUR,
      due: 30,
      came: 20,
      lostShare: expect.closeTo(1 / 3, 12),
      low: expect.closeTo(0.1923, 3),
      high: expect.closeTo(0.5122, 3),
      isOpen: false,
    });
  });

  it("take more than 3 % lost with 95 % in a cell", () => {
    // Three of 30: 3.5 % at the least; two: 1.8 %.
    expect(times(30, 27, 30)).toHaveLength(1);
    expect(times(30, 28, 30)).toEqual([]);
  });

  it("go on over two sound cells, and end before three", () => {
    expect(times(20, 30, 30, 20, 30)).toEqual([[0, 4, 120, 100, false]]);
    expect(times(20, 30, 30, 30, 20)).toEqual([
      [0, 1, 30, 20, false],
      [4, 5, 30, 20, true],
    ]);
  });

  it("take twenty keepalives due, and count no more than were due", () => {
    expect(lossyTimes([cell(0, 5, 20)])).toHaveLength(1);
    expect(lossyTimes([cell(0, 5, 19)])).toEqual([]);
    expect(times(20, 40, 20)).toEqual([[0, 3, 90, 70, true]]);
    expect(lossyTimes([])).toEqual([]);
  });
});
