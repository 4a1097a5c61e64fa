import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ServerMessage } from "../../src/contract/live.ts";
import { editOf } from "../../src/service/live-edit.ts";
import { applyMessage, UNBORN } from "../../web/src/state/live.ts";

type Fields = Readonly<Record<string, unknown>>;

/** What the dashboard holds after the edit: its own code, so that the two ends cannot drift apart. */
function applied(before: Fields, after: Fields): unknown {
  const edit = editOf(before, after);
  if (edit === null) return before;
  const held = applyMessage(UNBORN, { type: "snapshot", id: 1, seq: 1, view: before }).next;
  const text = JSON.stringify({ type: "delta", id: 1, seq: 2, set: {}, ...edit });
  return applyMessage(held, ServerMessage.parse(JSON.parse(text))).next.view;
}

const row = (id: number, value: number) => ({ id, value });
const rows = (...ids: number[]) => ids.map((id) => row(id, id));

describe("the edit between two answers", () => {
  const scalar = fc.oneof(
    fc.integer({ min: 0, max: 3 }),
    fc.constantFrom("", "a", "b"),
    fc.boolean(),
    fc.constant(null),
  );
  const { value } = fc.letrec((tie) => ({
    value: fc.oneof({ maxDepth: 4 }, scalar, tie("list"), tie("fields")),
    list: fc.array(tie("value"), { maxLength: 6 }),
    fields: fc.dictionary(fc.constantFrom("id", "name", "at", "x", "0", "list", "add"), tie("value"), {
      maxKeys: 4,
      noNullPrototype: true,
    }),
  }));
  const answer = fc.dictionary(fc.constantFrom("a", "b", "rows"), value, { noNullPrototype: true });

  it("applied to one gives the other, whatever they hold", () => {
    fc.assert(
      fc.property(answer, answer, (before, after) => {
        expect(applied(before, after)).toEqual(after);
      }),
    );
  });

  it("leaves the older answer as it was", () => {
    fc.assert(
      fc.property(answer, answer, (before, after) => {
        const copy = structuredClone(before);
        applied(before, after);
        expect(before).toEqual(copy);
      }),
    );
  });

  it("of equal answers is none, though the objects are new", () => {
    fc.assert(
      fc.property(answer, (before) => {
        expect(editOf(before, structuredClone(before))).toBeNull();
      }),
    );
  });

  it("names the field that changed, at any depth", () => {
    const before = { window: { from: 1, to: 2 }, rows: [row(1, 1), row(2, 1)] };
    const after = { window: { from: 1, to: 3 }, rows: [row(1, 1), row(2, 5)] };
    expect(editOf(before, after)).toEqual({
      edit: { window: { set: { to: 3 } }, rows: { edit: { 1: { set: { value: 5 } } } } },
    });
  });

  it("knows rows by what names them, wherever they stand now", () => {
    const after = { rows: [...rows(3, 1), row(4, 4), row(2, 7)] };
    expect(editOf({ rows: rows(1, 2, 3) }, after)).toEqual({
      edit: {
        rows: { list: [[2, 1], [0, 1], { add: [row(4, 4)] }, [1, 1]], edit: { 3: { set: { value: 7 } } } },
      },
    });
  });

  it("puts new receptions first and lets the oldest go", () => {
    const change = editOf({ receptions: rows(3, 2, 1) }, { receptions: rows(5, 4, 3) });
    expect(change).toEqual({ set: { receptions: rows(5, 4, 3) } });
    const few = editOf({ receptions: rows(4, 3, 2, 1) }, { receptions: rows(5, 4, 3, 2) });
    expect(few).toEqual({ edit: { receptions: { list: [{ add: rows(5) }, [0, 3]] } } });
  });

  it("of a grid that moved on holds its new cells only", () => {
    const before = {
      grid: [
        [0, 1, 0, 2, 0],
        [5, 5, 5, 6, 0],
      ],
    };
    const after = {
      grid: [
        [1, 0, 2, 0, 9],
        [5, 5, 6, 1, 7],
      ],
    };
    expect(editOf(before, after)).toEqual({
      edit: {
        grid: {
          edit: { 0: { list: [[1, 4], { add: [9] }] }, 1: { list: [[1, 4], { add: [7] }], set: { 3: 1 } } },
        },
      },
    });
  });

  it("sends a list whole when most of it is new", () => {
    expect(editOf({ list: [1, 2, 3], x: 1 }, { list: [7, 8, 3], x: 1 })).toEqual({
      set: { list: [7, 8, 3] },
    });
  });

  it("tells rows apart by more where the surest name stands twice", () => {
    const channel = (gatewayEui: string, frequencyHz: number, busy: number) => ({
      gatewayEui,
      frequencyHz,
      busy,
    });
    const before = { channels: [channel("A", 1, 0), channel("A", 2, 0), channel("B", 1, 0)] };
    const after = { channels: [channel("B", 1, 0), channel("A", 2, 3), channel("A", 1, 0)] };
    expect(editOf(before, after)).toEqual({
      edit: {
        channels: {
          list: [
            [2, 1],
            [1, 1],
            [0, 1],
          ],
          edit: { 1: { set: { busy: 3 } } },
        },
      },
    });
  });

  it("takes a field away that is gone", () => {
    expect(editOf({ a: 1, b: 2, c: undefined }, { a: 1 })).toEqual({ gone: ["b"] });
    expect(editOf({ b: 2 }, { a: 1 })).toEqual({ set: { a: 1 }, gone: ["b"] });
  });
});
