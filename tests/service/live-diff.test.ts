import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { changeBetween, freeze, type LiveAnswer } from "../../src/service/live-view.ts";
import { applyMessage, UNBORN } from "../../web/src/state/live.ts";

/** What the dashboard holds after the change: its own code, so that the two ends cannot drift apart. */
function applied(before: LiveAnswer, after: LiveAnswer, list: string | null): unknown {
  const change = changeBetween(freeze(before, list), freeze(after, list), list);
  if (change === null) return before;
  if (change === "whole") return after;
  const held = applyMessage(UNBORN, { type: "snapshot", id: 1, seq: 1, view: before }).next;
  const message = JSON.parse(JSON.stringify({ type: "delta", id: 1, seq: 2, ...change }));
  return applyMessage(held, message).next.view;
}

const row = (id: number, value: number) => ({ id, value });

describe("the change between two states", () => {
  const rows = fc.uniqueArray(
    fc.record({ id: fc.integer({ min: 0, max: 8 }), value: fc.integer({ min: 0, max: 2 }) }),
    {
      selector: ({ id }) => id,
      maxLength: 8,
    },
  );
  it.each(["captures", "receptions"])(
    "of any two lists of %s, applied to one, gives the other in its order",
    (list) => {
      fc.assert(
        fc.property(
          rows,
          rows,
          fc.integer({ min: 0, max: 2 }),
          fc.integer({ min: 0, max: 2 }),
          (a, b, x, y) => {
            const before = { [list]: a, window: { from: x } };
            const after = { [list]: b, window: { from: y } };
            expect(applied(before, after, list)).toEqual(after);
          },
        ),
      );
    },
  );

  it("is nothing when nothing changed, though the objects are new", () => {
    const state = () => freeze({ captures: [row(1, 1)], samples: [] }, "captures");
    expect(changeBetween(state(), state(), "captures")).toBeNull();
  });

  it("names only the rows that changed, came and went", () => {
    const before = freeze({ captures: [row(1, 1), row(2, 1), row(3, 1)], samples: [] }, "captures");
    const after = freeze({ captures: [row(1, 1), row(3, 2), row(4, 1)], samples: [] }, "captures");
    expect(changeBetween(before, after, "captures")).toEqual({
      set: {},
      rows: { list: "captures", upsert: [row(3, 2), row(4, 1)], remove: ["2"] },
    });
  });

  it("puts new receptions first and lets the oldest go", () => {
    const before = freeze({ receptions: [row(3, 0), row(2, 0), row(1, 0)] }, "receptions");
    const after = freeze({ receptions: [row(5, 0), row(4, 0), row(3, 0)] }, "receptions");
    expect(changeBetween(before, after, "receptions")).toEqual({
      set: {},
      rows: { list: "receptions", upsert: [row(5, 0), row(4, 0)], remove: ["2", "1"] },
    });
  });

  it("sends a list whole when its order changed or a key stands twice in it", () => {
    const before = freeze({ captures: [row(1, 1), row(2, 1)] }, "captures");
    const turned = { captures: [row(2, 1), row(1, 1)] };
    expect(changeBetween(before, freeze(turned, "captures"), "captures")).toEqual({ set: turned });
    const twice = { captures: [row(1, 1), row(1, 2)] };
    expect(changeBetween(before, freeze(twice, "captures"), "captures")).toEqual({ set: twice });
  });

  it("asks for a snapshot when a field is gone", () => {
    expect(changeBetween(freeze({ a: 1, b: 2 }, null), freeze({ a: 1 }, null), null)).toBe("whole");
  });
});
