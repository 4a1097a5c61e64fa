import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  type Change,
  NO_WATCH_STATE,
  stepWatches,
  WatchState,
  watchMessage,
} from "../../src/diagnosis/incidents.ts";

import type { Condition } from "../../src/diagnosis/watches.ts";

const MINUTE_US = 60_000_000;
const START_US = Date.UTC(2026, 2, 14, 9) * 1000;

interface Told {
  readonly minute: number;
  readonly changes: readonly Change[];
}

/** A look each minute; `at` gives what lasts, and what happened, in that minute. */
function follow(
  minutes: number,
  at: (minute: number) => { lasting?: Condition[]; events?: Condition[] },
  mostAnHour = 4,
  state = NO_WATCH_STATE,
): { told: Told[]; state: WatchState } {
  const told: Told[] = [];
  for (let minute = 0; minute < minutes; minute++) {
    const { lasting = [], events = [] } = at(minute);
    const step = stepWatches(state, { lasting, events }, START_US + minute * MINUTE_US, mostAnHour);
    if (step.changes.length > 0) told.push({ minute, changes: step.changes });
    // As it is stored and read again: nothing depends on what is only in memory.
    state = WatchState.parse(JSON.parse(JSON.stringify(step.state)));
  }
  return { told, state };
}

const silent = (name: string): Condition => ({
  key: `gateway-silent ${name}`,
  watch: "gateway-silent",
  sentence: `Gateway ${name} has been silent.`,
});
const during =
  (from: number, to: number, ...conditions: Condition[]) =>
  (minute: number) => ({
    lasting: minute >= from && minute < to ? conditions : [],
  });
const outline = (told: readonly Told[]) =>
  told.map(({ minute, changes }) => [minute, ...changes.map((one) => `${one.change} ${one.things.length}`)]);

describe("what a person is told", () => {
  it("of a three-hour outage of two gateways is two messages, its begin and its end", () => {
    const { told } = follow(300, (minute) => ({
      lasting: [
        ...(minute >= 20 && minute < 200 ? [silent("shed")] : []),
        ...(minute >= 21 && minute < 201 ? [silent("tower")] : []),
      ],
    }));
    expect(outline(told)).toEqual([
      [22, "begin 2"],
      [205, "end 2"],
    ]);
    const [begin, end] = told.flatMap(({ changes }) => changes);
    expect([begin?.incident, end?.incident]).toEqual([1, 1]);
    expect([begin?.fromUs, end?.toUs]).toEqual([START_US + 20 * MINUTE_US, START_US + 200 * MINUTE_US]);
  });

  it("is nothing of what is gone within the time that gathers", () => {
    expect(follow(60, during(10, 11, silent("shed"))).told).toEqual([]);
  });

  it("is one incident of what comes and goes every few minutes", () => {
    const { told } = follow(120, (minute) => ({
      lasting: minute >= 10 && minute < 60 && minute % 4 < 3 ? [silent("shed")] : [],
    }));
    expect(outline(told).map(([, what]) => what)).toEqual(["begin 1", "end 1"]);
  });

  it("names a second gateway that falls silent an hour later by a message of its own", () => {
    const { told } = follow(240, (minute) => ({
      lasting: [
        ...(minute >= 10 ? [silent("shed")] : []),
        ...(minute >= 70 && minute < 130 ? [silent("tower")] : []),
      ],
    }));
    expect(outline(told)).toEqual([
      [12, "begin 1"],
      [72, "begin 1"],
      [134, "end 1"],
    ]);
  });

  it("is not said again after a restart, and the end is said although it began before", () => {
    const first = follow(30, during(5, 30, silent("shed")));
    expect(outline(first.told)).toEqual([[7, "begin 1"]]);
    const second = follow(100, (minute) => during(0, 60, silent("shed"))(minute), 4, first.state);
    // The clock of the second run begins at the first's begin: it does not run back.
    expect(outline(second.told).map(([, what]) => what)).toEqual(["end 1"]);
  });

  it("is at most so many messages an hour, and later what was left over, joined", () => {
    const one = (i: number): Condition => ({
      key: `node-overdue ${i}`,
      watch: "node-overdue",
      sentence: `Node ${i} is overdue.`,
    });
    // A new node every 5 minutes, for an hour and a half; all stay.
    const { told } = follow(
      90,
      (minute) => ({
        lasting: Array.from({ length: Math.floor(minute / 5) }, (_, i) => one(i)),
      }),
      3,
    );
    expect(outline(told).map(([minute]) => minute)).toEqual([7, 12, 17, 67, 72, 77]);
    // 3 told; from minute 20 to 65 ten more began, one incident each, told as soon as the hour allows.
    expect(told[3]?.changes.map(({ things }) => things.length)).toEqual(Array(10).fill(1));
  });

  it("tells an event once, and what was there before the first look not at all", () => {
    const event = (key: string): Condition => ({ key, watch: "finding", sentence: key, atUs: START_US });
    const { told } = follow(60, (minute) => ({
      events: [
        event("old"),
        ...(minute >= 10 ? [event("new")] : []),
        ...(minute >= 11 ? [event("newer")] : []),
      ],
    }));
    expect(told.map(({ minute, changes }) => [minute, changes.map(({ things }) => things)])).toEqual([
      [12, [["new", "newer"]]],
    ]);
  });

  it("tells what goes on in many events of one group once, and again after two quiet hours; other places by themselves", () => {
    const event = (minute: number, kind: string, where: string | null): Condition => ({
      key: `${kind} ${where} ${minute}`,
      watch: "finding",
      sentence: `${kind} ${where} ${minute}`,
      group: { kind, where },
    });
    const all = [
      event(10, "interference", "A"),
      event(40, "interference", "A"),
      // Of a single node, whose gateway is not named: part of it.
      event(140, "interference", null),
      event(150, "interference", "B"),
      event(150, "gateway-deaf", "A"),
      // The last of A was at minute 40, of B at 150.
      event(200, "interference", "A"),
      event(269, "interference", "B"),
    ];
    const { told } = follow(
      300,
      (minute) => ({
        events: all.slice(0, all.filter(({ key }) => Number(key.split(" ").at(-1)) <= minute).length),
      }),
      60,
    );
    expect(told.flatMap(({ changes }) => changes.flatMap(({ things }) => things))).toEqual([
      "interference A 10",
      "interference B 150",
      "gateway-deaf A 150",
      "interference A 200",
    ]);
  });

  it("alternates begin and end for each incident, and stays within the hour's bound, whatever happens", () => {
    const looks = fc.array(
      fc.record({
        minutes: fc.integer({ min: -5, max: 40 }),
        lasting: fc.subarray(["a", "b", "c", "d"]),
        events: fc.subarray(["x", "y", "z"]),
      }),
      { maxLength: 60 },
    );
    fc.assert(
      fc.property(looks, fc.integer({ min: 1, max: 4 }), (all, most) => {
        let state: WatchState = NO_WATCH_STATE;
        let clockUs = START_US;
        const told = new Map<number, string[]>();
        const sentUs: number[] = [];
        for (const { minutes, lasting, events } of all) {
          clockUs += minutes * MINUTE_US;
          const step = stepWatches(
            state,
            {
              lasting: lasting.map(silent),
              events: events.map((key) => ({ key, watch: "finding" as const, sentence: key })),
            },
            clockUs,
            most,
          );
          state = step.state;
          if (step.changes.length > 0) sentUs.push(state.nowUs);
          for (const { incident, change } of step.changes)
            told.set(incident, [...(told.get(incident) ?? []), change]);
        }
        for (const changes of told.values())
          expect([["begin"], ["begin", "end"], ["event"]]).toContainEqual(changes);
        for (const atUs of sentUs)
          expect(
            sentUs.filter((other) => other <= atUs && atUs - other < 60 * MINUTE_US).length,
          ).toBeLessThanOrEqual(most);
      }),
    );
  });
});

describe("a message", () => {
  it("has a subject, a text that names each thing, and the same as data", () => {
    const { told } = follow(20, during(5, 20, silent("shed"), silent("tower")));
    const message = watchMessage(told[0]?.changes ?? [], { id: "m-1", site: "Orchard", atUs: START_US });
    expect(message.subject).toBe("Orchard: Begins: 2\u202Fgateways silent".replace("\u202F", " "));
    expect(message.text.split("\n").slice(0, 3)).toEqual([
      "Begins: 2 gateways silent. Since 2026-03-14T09:05:00.000Z.",
      "- Gateway shed has been silent.",
      "- Gateway tower has been silent.",
    ]);
    expect(message.changes).toMatchObject([
      { incident: 1, change: "begin", watch: "gateway-silent", more: 0, to: null },
    ]);
  });

  it("names twenty things and counts the rest", () => {
    const many = Array.from({ length: 25 }, (_, i) => silent(String(i)));
    const { told } = follow(20, during(5, 20, ...many));
    const { changes, text } = watchMessage(told[0]?.changes ?? [], {
      id: "m-1",
      site: "Orchard",
      atUs: START_US,
    });
    expect([changes[0]?.things.length, changes[0]?.more]).toEqual([20, 5]);
    expect(text).toContain("- and 5 more");
  });
});
