import { expect, it } from "vitest";
import { GATHERED_HOUR_US } from "../../../src/store/hours/gathered.ts";
import { HourGatherer } from "../../../src/store/hours/hour-gatherer.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { newestReceptionsFromUs } from "../../../src/store/queries/air.ts";
import { gatewayRow, receptionRow } from "./rows.ts";

const WINDOW = { fromUs: 1_000_000, toUs: 6 * GATHERED_HOUR_US };
/** Three in the first hour, none in the second, two in the third, one in the last. */
const TIMES_US = [0.2, 0.4, 0.9, 2.1, 2.5, 5.5].map((hours) => hours * GATHERED_HOUR_US);

function storeOfSix(): Store {
  const db = openStore(":memory:");
  gatewayRow(db, 1, TIMES_US.at(-1));
  gatewayRow(db, 2, TIMES_US.at(-1));
  for (const [i, atUs] of TIMES_US.entries()) receptionRow(db, { atUs, gatewayId: 1 + (i % 2) });
  return db;
}

function gather(db: Store): void {
  const gatherer = new HourGatherer(db);
  while (gatherer.step({ patient: false, nowUs: null }));
}

/** By the rows alone. */
const BEGINS_US = [5.5, 2.5, 2.1, 0.9, 0.4, 0.2].map((hours) => hours * GATHERED_HOUR_US + 1);

it.each([0, 1, 2, 3, 4, 5])(
  "the newest %i receptions begin after the one before, hours gathered or not",
  (most) => {
    const db = storeOfSix();
    expect(newestReceptionsFromUs(db, WINDOW, most)).toBe(BEGINS_US[most]);
    gather(db);
    expect(db.prepare("SELECT sum(receptions) FROM gateway_hour").pluck().get()).toBe(5);
    expect(newestReceptionsFromUs(db, WINDOW, most)).toBe(BEGINS_US[most]);
    db.close();
  },
);

it("a window that holds no more begins where it begins", () => {
  const db = storeOfSix();
  gather(db);
  expect(newestReceptionsFromUs(db, WINDOW, 6)).toBe(WINDOW.fromUs);
  expect(newestReceptionsFromUs(db, { ...WINDOW, fromUs: 2.3 * GATHERED_HOUR_US }, 2)).toBe(
    2.3 * GATHERED_HOUR_US,
  );
  db.close();
});

it("an hour that was changed since it was gathered is counted by its rows", () => {
  const db = storeOfSix();
  gather(db);
  receptionRow(db, { atUs: 2.7 * GATHERED_HOUR_US });
  expect(newestReceptionsFromUs(db, WINDOW, 2)).toBe(2.5 * GATHERED_HOUR_US + 1);
  db.close();
});
