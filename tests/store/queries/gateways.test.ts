import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { openStore, type Store } from "../../../src/store/open.ts";
import { counterReadings } from "../../../src/store/queries/gateway-packets.ts";
import { keepaliveUs, newestReport } from "../../../src/store/queries/gateways.ts";
import { clockDriftPpm, leastDelayedEachMinute } from "../../published/formulas.ts";
import { gatewayRow, receptionRow } from "./rows.ts";

const PERIOD_US = 2 ** 32;
const START_US = 1_773_478_800_000_000;

/** Packets of a counter that runs fast by `ppm`, each delayed on its way; the counter wraps as it does. */
function recordPackets(
  db: Store,
  ppm: number,
  phaseUs: number,
  delaysUs: readonly number[],
  everyUs: number,
) {
  return delaysUs.map((delayUs, i) => {
    const elapsedUs = i * everyUs;
    const counterUs = phaseUs + Math.round(elapsedUs * (1 + ppm / 1e6));
    const atUs = START_US + elapsedUs + delayUs;
    receptionRow(db, { atUs, tmstKey: counterUs % PERIOD_US });
    return { counterUs, referenceUs: atUs };
  });
}

describe("readings of a counter", () => {
  it("are the least delayed of each minute, wherever the counter wraps", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: PERIOD_US - 1 }),
        fc.integer({ min: -60, max: 60 }),
        fc.array(fc.integer({ min: 0, max: 900_000 }), { minLength: 2, maxLength: 60 }),
        fc.integer({ min: 7_000_000, max: 200_000_000 }),
        (phaseUs, ppm, delaysUs, everyUs) => {
          const db = openStore(":memory:");
          gatewayRow(db, 1);
          const packets = recordPackets(db, ppm, phaseUs, delaysUs, everyUs);
          const told = counterReadings(db, 1, { fromUs: START_US, toUs: START_US + 1e12 });
          db.close();
          expect(told).toEqual(
            leastDelayedEachMinute(packets).map(({ counterUs, referenceUs }) => ({
              tmstUs: counterUs % PERIOD_US,
              atUs: referenceUs,
              gatewayTimeUs: null,
            })),
          );
        },
      ),
      { numRuns: 80 },
    );
  });

  it("leave out ghosts, stand-ins for a missing counter, other gateways and what lies outside the window", () => {
    const db = openStore(":memory:");
    receptionRow(db, { atUs: START_US - 1, tmstKey: 10 });
    receptionRow(db, { atUs: START_US, tmstKey: 11 });
    receptionRow(db, { atUs: START_US + 1, tmstKey: 40, ghost: 1 });
    receptionRow(db, { atUs: START_US + 2, tmstKey: -77 });
    receptionRow(db, { atUs: START_US + 3, tmstKey: 90, gatewayId: 2 });
    receptionRow(db, { atUs: START_US + 60_000_000, tmstKey: 60_000_011 });
    expect(counterReadings(db, 1, { fromUs: START_US, toUs: START_US + 60_000_000 })).toEqual([
      { tmstUs: 11, atUs: START_US, gatewayTimeUs: null },
    ]);
  });

  it("tell a drift of 14 ppm through delays up to 50 ms", () => {
    const db = openStore(":memory:");
    const delaysUs = Array.from({ length: 720 }, (_, i) => (i * 7_919) % 50_000);
    recordPackets(db, 14, 4_294_000_000, delaysUs, 10_000_000);
    const first = START_US;
    const unwrapped = counterReadings(db, 1, { fromUs: START_US, toUs: START_US + 1e11 }).map(
      ({ tmstUs, atUs }) => ({
        counterUs: tmstUs + PERIOD_US * Math.round((4_294_000_000 + atUs - first - tmstUs) / PERIOD_US),
        referenceUs: atUs,
      }),
    );
    expect(unwrapped.length).toBeGreaterThan(100);
    expect(clockDriftPpm(unwrapped)).toBeCloseTo(14, 0);
  });
});

describe("the rhythm of keepalives", () => {
  it("is their median spacing: an outage among them does not move it", () => {
    const db = openStore(":memory:");
    const insert = db.prepare("INSERT INTO datagram VALUES (1, ?, 0, ?)");
    for (const atS of [0, 10, 20, 500, 510, 520]) insert.run(atS * 1e6, 2);
    insert.run(5e6, 0);
    insert.run(15e6, 18);
    expect(keepaliveUs(db, 1, { fromUs: 0, toUs: 1e9 })).toBe(10e6);
    expect(keepaliveUs(db, 2, { fromUs: 0, toUs: 1e9 })).toBeNull();
  });
});

describe("the newest report", () => {
  it("is the newest that says something", () => {
    const db = openStore(":memory:");
    const insert = db.prepare(
      "INSERT INTO status_report (gateway_id, at_us, ack_tenths_percent, temperature_tenths_c) VALUES (1, ?, ?, ?)",
    );
    insert.run(10, 1000, 215);
    insert.run(20, 990, null);
    insert.run(30, null, null);
    expect(newestReport(db, 1, { fromUs: 0, toUs: 100 })).toEqual({
      ackTenths: 990,
      temperatureTenths: null,
    });
    expect(newestReport(db, 1, { fromUs: 25, toUs: 100 })).toBeNull();
  });
});
