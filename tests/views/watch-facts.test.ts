import { describe, expect, it } from "vitest";
import { watchFacts } from "../../src/views/watch-facts.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite } from "./a-site.ts";

describe("the facts that are watched", () => {
  it("are silences, losses and steps of the clock in recorded time", () => {
    const heard = Array.from({ length: 40 }, (_, n) => n).filter((n) => n % 4 !== 3);
    const store = listenedSite(
      [
        ...heard.map((n) => push(SHED, n * 30 + 1, [{ payload: phy("01A2B3C4", n) }])),
        ...keepalives(SHED, 0, 1_200),
        ...keepalives(TOWER, 0, 400),
      ],
      1_200,
    );
    store
      .prepare(
        "INSERT INTO recorded_range (source, capture_id, from_us, to_us, datagrams, begun_by) VALUES ('service', NULL, ?, ?, 0, 'clock-step')",
      )
      .run(START_US + 1_200e6, START_US + 1_260e6);
    const { health, clockStepsUs, noise } = watchFacts(store, true, START_US + 1_260e6);
    const silences = health.gateways.map(({ eui, silentSeconds, isOut }) => [eui, silentSeconds, isOut]);
    // The last keepalives: 1,190 s and 390 s; nothing was missing from the record.
    expect(silences).toEqual([
      [SHED, 70, true],
      [TOWER, 870, true],
    ]);
    // Of counters 0 to 38, each fourth from 3 on was lost: 9 of 39.
    expect(health.nodes).toMatchObject([{ devAddr: "01A2B3C4", expected: 39, missed: 9 }]);
    expect([clockStepsUs, noise]).toEqual([[START_US + 1_200e6], []]);
    store.close();
  });
});
