import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { UsualInterval } from "../../../src/store/gaps/usual-interval.ts";
import { openStore } from "../../../src/store/open.ts";
import { keepaliveUs, statusSpacingUs } from "../../../src/store/queries/gateways.ts";

const S = 1_000_000;
const HOUR_S = 3_600;

/** As the rule says, each window read by itself: an hour back, or else a day; keepalives, or else reports. */
function readByItself(db: ReturnType<typeof openStore>, atUs: number): number | null {
  for (const backS of [HOUR_S, 24 * HOUR_S]) {
    const window = { fromUs: atUs - backS * S, toUs: atUs + 1 };
    const spacing = keepaliveUs(db, 1, window) ?? statusSpacingUs(db, 1, window);
    if (spacing !== null) return spacing;
  }
  return null;
}

function storeOf(times: readonly (readonly [second: number, kind: "keepalive" | "report"])[]) {
  const db = openStore(":memory:");
  const datagram = db.prepare("INSERT OR IGNORE INTO datagram VALUES (1, ?, ?, ?)");
  const report = db.prepare("INSERT OR IGNORE INTO status_report (gateway_id, at_us) VALUES (1, ?)");
  for (const [index, [second, kind]] of times.entries()) {
    datagram.run(second * S, index, kind === "keepalive" ? 2 : 0);
    if (kind === "report") report.run(second * S);
  }
  return db;
}

describe("the usual interval of a gateway before a moment", () => {
  it("is the same whether windows slide or are read each by itself", () => {
    const step = fc.oneof(
      { weight: 20, arbitrary: fc.integer({ min: 0, max: 90 }) },
      { weight: 1, arbitrary: fc.integer({ min: HOUR_S, max: 30 * HOUR_S }) },
    );
    const sent = fc.tuple(step, fc.constantFrom("keepalive" as const, "report" as const));
    fc.assert(
      fc.property(
        fc.array(sent, { maxLength: 300 }),
        fc.array(fc.integer({ min: 0, max: 120 }), { minLength: 1, maxLength: 30 }),
        fc.boolean(),
        (steps, places, inOrder) => {
          let second = 100_000;
          const times = steps.map(([after, kind]) => {
            second += after;
            return [second, kind] as const;
          });
          const db = storeOf(times);
          const interval = new UsualInterval(db, 1);
          // Moments all over the time, and some beyond it.
          const asked = places.map((place) => (100_000 + ((second - 100_000) * place) / 100) * S);
          if (inOrder) asked.sort((a, b) => a - b);
          for (const atUs of asked.map(Math.round))
            expect(interval.before(atUs)).toBe(readByItself(db, atUs));
          db.close();
        },
      ),
      { numRuns: 60 },
    );
  });

  it("is of the newest two thousand, slid or read at once", () => {
    // 2,100 keepalives a second apart, then 1,300 of two seconds; more than 2,000 in any hour of the first.
    const times = Array.from(
      { length: 3_400 },
      (_, i) => [i < 2_100 ? i : 2_100 + (i - 2_100) * 2, "keepalive"] as const,
    );
    const db = storeOf(times);
    const interval = new UsualInterval(db, 1);
    for (const second of [1_000, 2_050, 2_100, 3_100, 4_098, 4_102, 4_698])
      expect([second, interval.before(second * S)]).toEqual([second, readByItself(db, second * S)]);
    // At 4,098 s the newest 2,000 are 1,000 of each: 1,000 steps of 1 s and 999 of 2 s. One more, and it is the other way.
    expect(new UsualInterval(db, 1).before(4_098 * S)).toBe(S);
    expect(new UsualInterval(db, 1).before(4_100 * S)).toBe(2 * S);
  });
});
