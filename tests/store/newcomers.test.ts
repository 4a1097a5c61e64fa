/** Who may take one of the last places for gateways, second by second; and what waits for an answer when a commit fails. */
import { describe, expect, it } from "vitest";
import type { Arrival } from "../../src/model/datagram.ts";
import { openStore } from "../../src/store/open.ts";
import { Newcomers } from "../../src/store/recorder/reports.ts";
import { RoundTripWriter } from "../../src/store/recorder/round-trips.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { inventedEui } from "./crowded-store.ts";
import { arrivalOf, pull, SHED, START_US } from "./traffic.ts";

describe("newcomers", () => {
  /** How many of so many fresh identifiers pass at a moment. */
  const passing = (newcomers: Newcomers, from: number, count: number, atS: number) =>
    Array.from({ length: count }, (_, n) => newcomers.admit(inventedEui(from + n), atS * 1e6)).filter(Boolean)
      .length;

  it("pass sixteen a second once sixty-four have passed at once, and never more than sixty-four at once", () => {
    const newcomers = new Newcomers();
    expect(passing(newcomers, 0, 100, 1)).toBe(64);
    expect(passing(newcomers, 100, 100, 1.5)).toBe(8);
    expect(passing(newcomers, 200, 100, 2.5)).toBe(16);
    // A clock that goes back counts as time that passed.
    expect(passing(newcomers, 300, 100, 1.5)).toBe(16);
    expect(passing(newcomers, 400, 100, 29)).toBe(64);
  });

  it("pass whatever comes beside them when they came in the half minute before, and not in the one before that", () => {
    const comesAgain = (atS: number, eui = SHED) => {
      const newcomers = new Newcomers();
      passing(newcomers, 0, 64, 1);
      expect(newcomers.admit(eui, 1e6)).toBe(false);
      passing(newcomers, 1_000, 64, atS);
      return newcomers.admit(eui, atS * 1e6);
    };
    expect([29, 31, 59, 61, 91].map((atS) => comesAgain(atS))).toEqual([false, true, true, false, false]);
    // Whatever the identifier.
    for (let n = 0; n < 20; n++) expect(comesAgain(31, inventedEui(5_000 + 7 * n)), String(n)).toBe(true);
  });
});

describe("a commit that failed", () => {
  const arrival = (atS: number): Arrival => arrivalOf(new Uint8Array(12), START_US + atS * 1e6, "capture");
  const answer = (atS: number): Arrival => {
    const up = arrival(atS);
    return { ...up, from: up.to, to: up.from };
  };
  function written(work: (writer: RoundTripWriter) => void) {
    const db = openStore(":memory:");
    new Recorder(db, null).record([pull(SHED, 0)]);
    db.prepare("DELETE FROM round_trip_minute").run();
    const writer = new RoundTripWriter(db);
    work(writer);
    writer.endOfCapture();
    writer.flush();
    return db.prepare("SELECT class, count FROM round_trip_minute ORDER BY class").raw().all();
  }
  const asked = (writer: RoundTripWriter, atS: number) => writer.asked(arrival(atS), 1, "pull-data", 5);
  const answered = (writer: RoundTripWriter, atS: number) => writer.answered(answer(atS), "pull-data", 5);

  it("leaves waiting what waited before, and nothing of what came with it", () => {
    const plain = written((writer) => {
      asked(writer, 10);
      answered(writer, 10.1);
    });
    expect(plain).toHaveLength(2);
    // Asked in the failed commit: as if it had never come.
    expect(
      written((writer) => {
        writer.committed();
        asked(writer, 10);
        writer.rollBack();
      }),
    ).toEqual([]);
    // Answered in the failed commit, and again after it.
    expect(
      written((writer) => {
        asked(writer, 10);
        writer.committed();
        answered(writer, 10.1);
        writer.rollBack();
        answered(writer, 10.1);
      }),
    ).toEqual(plain);
    // Answered in the failed commit alone: it waits until the end, and stands for one that nobody answered.
    const alone = written((writer) => {
      asked(writer, 10);
      writer.committed();
      answered(writer, 10.1);
      writer.rollBack();
    });
    expect(alone).toEqual(written((writer) => asked(writer, 10)));
    expect(alone).toHaveLength(1);
    // An answer that came first, and whose question failed.
    expect(
      written((writer) => {
        answered(writer, 10.1);
        writer.committed();
        asked(writer, 10);
        writer.rollBack();
        asked(writer, 10);
      }),
    ).toEqual(plain);
    // The end of the capture failed too.
    expect(
      written((writer) => {
        asked(writer, 10);
        answered(writer, 10.1);
        asked(writer, 20);
        writer.flush();
        writer.committed();
        writer.endOfCapture();
        writer.rollBack();
      }),
    ).toEqual(
      written((writer) => {
        asked(writer, 10);
        answered(writer, 10.1);
        asked(writer, 20);
      }),
    );
  });
});
