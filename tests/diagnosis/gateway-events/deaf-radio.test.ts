/** Hand-worked silences of a radio: every figure can be counted from the times given. */
import { describe, expect, it } from "vitest";
import { deafRadio, type SilentRadio } from "../../../src/diagnosis/gateway-events/deaf-radio.ts";
import { counterAcross } from "../../../src/radio/clock.ts";

const S = 1_000_000;
const MINUTE = 60 * S;
const FROM = 600 * MINUTE;

/** Heard every so many minutes, ten times, the last time just before the silence. */
const sender = (everyMinutes: number, lastBefore = 0, marginDb: number | null = 14) => ({
  heardUs: Array.from({ length: 10 }, (_, i) => FROM - lastBefore - (9 - i) * everyMinutes * MINUTE),
  marginDb,
});
/** A report every 30 s; the first one counts the packets before the silence. */
const reports = (minutes: number, received: (i: number) => number | null = () => 0) =>
  Array.from({ length: 2 * minutes }, (_, i) => ({
    atUs: FROM + (10 + 30 * i) * S,
    received: i === 0 ? 4 : received(i),
  }));
const silent = (change: Partial<SilentRadio> = {}): SilentRadio => ({
  silence: { fromUs: FROM, toUs: FROM + 120 * MINUTE },
  isOpen: false,
  reports: reports(120),
  senders: [1, 2, 3, 4, 5, 6].map((i) => sender(10, i * S)),
  unheard: [],
  heardElsewhere: null,
  dueElsewhere: null,
  counter: null,
  ...change,
});

describe("a radio that hears nothing while the gateway reports", () => {
  it("is deaf when six nodes were due: 239 empty reports, 72 frames", () => {
    expect(deafRadio(silent())).toMatchObject({
      fromUs: FROM,
      toUs: FROM + 120 * MINUTE,
      reports: 239,
      sendersDue: 6,
      framesDue: 72,
      isOpen: false,
    });
    // -1.2 + 6 x 0.45 = 1.5 in log odds.
    expect(deafRadio(silent())?.confidence).toBeCloseTo(1 / (1 + Math.exp(-1.5)), 6);
  });

  it("is deaf though nothing was recorded for longer before: that was no silence of the nodes", () => {
    // Ten minutes apart, but for 200 that nobody recorded: five frames before them and five after.
    const away = { fromUs: FROM - 245 * MINUTE, toUs: FROM - 45 * MINUTE };
    const senders = [1, 2, 3, 4, 5, 6].map((i) => ({
      heardUs: [280, 270, 260, 250, 240 + 5, 40, 30, 20, 10, 0].map(
        (minutes) => FROM - minutes * MINUTE - i * S,
      ),
      marginDb: 14,
    }));
    expect(deafRadio(silent({ senders }))).toBeNull();
    expect(deafRadio(silent({ senders, unheard: [away] }))).toMatchObject({ sendersDue: 6 });
  });

  it("is surer when its counter restarted, less sure when the counter ran on", () => {
    const confidence = (counter: SilentRadio["counter"]) => deafRadio(silent({ counter }))?.confidence ?? 0;
    expect(confidence("began-anew")).toBeCloseTo(1 / (1 + Math.exp(-3.5)), 6);
    expect(confidence("stood")).toBe(0.98);
    expect(confidence("ran-on")).toBeLessThan(0.1);
  });

  it("is sure when another gateway heard its nodes, and unlikely when that one heard none either", () => {
    expect(deafRadio(silent({ heardElsewhere: 40 }))?.confidence).toBe(0.98);
    expect(deafRadio(silent({ heardElsewhere: 0 }))?.confidence).toBeLessThan(0.5);
  });

  it("was deaf until a report that counts a packet which was not forwarded, near its end; not where one does in its midst", () => {
    // Of 239 reports of a whole interval in the two hours the one at 110 min 10 s counts one.
    const counting = (minute: number) => silent({ reports: reports(120, (i) => (i === 2 * minute ? 1 : 0)) });
    expect(deafRadio(counting(110))).toMatchObject({
      fromUs: FROM,
      toUs: FROM + 110 * MINUTE + 10 * S - 30 * S,
      reports: 219,
    });
    expect(deafRadio(counting(10))).toMatchObject({
      fromUs: FROM + 10 * MINUTE + 10 * S,
      toUs: FROM + 120 * MINUTE,
    });
    expect(deafRadio(counting(60))).toBeNull();
    // It is over then, though no packet has come since.
    expect(deafRadio({ ...counting(110), isOpen: true })?.isOpen).toBe(false);
  });

  it("has no witness in a gateway that heard less than three in ten of what was due: it is as good as silent", () => {
    const confidence = (heardElsewhere: number) =>
      deafRadio(silent({ heardElsewhere, dueElsewhere: 100 }))?.confidence ?? 0;
    expect(confidence(30)).toBe(0.98);
    // -1.2 + 6 x 0.45 - 3 in log odds, as where it heard none.
    expect(confidence(29)).toBeCloseTo(1 / (1 + Math.exp(1.5)), 6);
  });

  it("is named for a single node only when another gateway heard it", () => {
    const senders = [sender(10)];
    expect(deafRadio(silent({ senders }))).toBeNull();
    expect(deafRadio(silent({ senders, heardElsewhere: 11 }))).toMatchObject({
      sendersDue: 1,
      framesDue: 12,
    });
  });

  it("is not named when a report counts a packet: it heard, and nothing arrived", () => {
    expect(deafRadio(silent({ reports: reports(120, (i) => (i === 90 ? 3 : 0)) }))).toBeNull();
  });

  it("is named by two whole reports of two minutes in which ten busy nodes were due", () => {
    const radio = silent({
      silence: { fromUs: FROM, toUs: FROM + 7 * MINUTE },
      reports: [1, 3, 5].map((minute) => ({ atUs: FROM + minute * MINUTE, received: minute === 1 ? 2 : 0 })),
      senders: Array.from({ length: 10 }, (_, i) => sender(2, i * S)),
    });
    // The two count 4 min; with one interval at the edges 6 min, of which each node owes three frames.
    expect(deafRadio(radio)).toMatchObject({ reports: 2, sendersDue: 10, framesDue: 30 });
  });

  it("is not named without reports that count, or with a single one", () => {
    expect(deafRadio(silent({ reports: reports(120, () => null) }))).toBeNull();
    expect(deafRadio(silent({ reports: [] }))).toBeNull();
    expect(deafRadio(silent({ reports: reports(1) }))).toBeNull();
  });

  it("is not named when no node was due: their rhythms are longer, or they fell silent before", () => {
    expect(deafRadio(silent({ senders: [1, 2, 3].map(() => sender(60)) }))).toBeNull();
    expect(deafRadio(silent({ senders: [1, 2, 3].map(() => sender(10, 45 * MINUTE)) }))).toBeNull();
  });

  it("counts a strong node for more than a weak one", () => {
    const at = (marginDb: number) =>
      deafRadio(silent({ senders: [1, 2, 3].map((i) => sender(10, i * S, marginDb)) }))?.confidence ?? 0;
    expect(at(26)).toBeGreaterThan(at(14));
    expect(at(4)).toBeLessThan(at(14));
  });
});

describe("a concentrator's counter across a silence of two hours", () => {
  const WRAP = 2 ** 32;
  const before = { tmstUs: 3_000 * S, atUs: FROM };
  const later = (tmstUs: number) => ({ tmstUs: tmstUs % WRAP, atUs: FROM + 7_200 * S });

  it("ran on when it shows the two hours, wrapped", () => {
    expect(counterAcross(before, later(3_000 * S + 7_200 * S))).toBe("ran-on");
  });
  it("stood when it goes on a minute after where it was", () => {
    expect(counterAcross(before, later(3_060 * S))).toBe("stood");
  });
  it("began anew when it shows less than before", () => {
    expect(counterAcross(before, later(40 * S))).toBe("began-anew");
  });
});
