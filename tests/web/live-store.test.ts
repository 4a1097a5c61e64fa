import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { Edit, ServerMessage } from "../../src/contract/live.ts";
import { applyMessage, type Subscribed, UNBORN } from "../../web/src/state/live.ts";

const snapshot = (seq: number, view: unknown): ServerMessage => ({ type: "snapshot", id: 1, seq, view });
const delta = (
  seq: number,
  set: Record<string, unknown>,
  edit: Record<string, Edit> = {},
): ServerMessage => ({
  type: "delta",
  id: 1,
  seq,
  set,
  edit,
});
const node = (devAddr: string, heard: number) => ({ devAddr, life: 1, heard });

/** The state after messages, and how many times a new snapshot was asked for. */
function stateAfter(messages: readonly ServerMessage[], from: Subscribed = UNBORN) {
  let state = from;
  let resyncs = 0;
  for (const message of messages) {
    const step = applyMessage(state, message);
    state = step.next;
    if (step.resync) resyncs += 1;
  }
  return { state, resyncs };
}

describe("a subscription", () => {
  test("takes the snapshot, then changes it by deltas in order", () => {
    const { state, resyncs } = stateAfter([
      snapshot(1, { sentence: "a", nodes: [node("01A2B3C4", 1), node("01A2B3C5", 2)] }),
      delta(
        2,
        { sentence: "b" },
        { nodes: { list: [[1, 1], { add: [node("01A2B3C6", 1)] }], edit: { 0: { set: { heard: 3 } } } } },
      ),
    ]);
    expect(state.view).toEqual({ sentence: "b", nodes: [node("01A2B3C5", 3), node("01A2B3C6", 1)] });
    expect(resyncs).toBe(0);
  });

  test("puts new receptions before the ones it has", () => {
    const { state } = stateAfter([
      snapshot(1, { receptions: [{ id: 2 }, { id: 1 }] }),
      delta(2, {}, { receptions: { list: [{ add: [{ id: 4 }, { id: 3 }] }, [0, 2]] } }),
    ]);
    expect(state.view).toEqual({ receptions: [{ id: 4 }, { id: 3 }, { id: 2 }, { id: 1 }] });
  });

  test("keeps the objects that did not change, so that nothing is drawn again for them", () => {
    const before = { window: { to: 1 }, nodes: [node("01A2B3C4", 1), node("01A2B3C5", 2)] };
    const { state } = stateAfter([
      snapshot(1, before),
      delta(2, {}, { nodes: { edit: { 1: { set: { heard: 3 } } } } }),
    ]);
    expect(state.view).toEqual({ ...before, nodes: [node("01A2B3C4", 1), node("01A2B3C5", 3)] });
    const { window, nodes } = state.view as typeof before;
    expect(window).toBe(before.window);
    expect(nodes[0]).toBe(before.nodes[0]);
    expect(before.nodes[1]).toEqual(node("01A2B3C5", 2));
  });

  test("asks for a new snapshot once a hole, however many messages follow, and shows nothing half changed", () => {
    const { state, resyncs } = stateAfter([
      snapshot(1, { heard: 1 }),
      delta(3, { heard: 3 }),
      delta(4, { heard: 4 }),
      delta(2, { heard: 2 }),
    ]);
    expect(resyncs).toBe(1);
    expect(state.holed).toBe(true);
    expect(state.view).toEqual({ heard: 1 });
  });

  test("is whole again after the snapshot that it asked for", () => {
    const { state, resyncs } = stateAfter([
      snapshot(1, { heard: 1 }),
      delta(3, { heard: 3 }),
      snapshot(9, { heard: 9 }),
      delta(10, { heard: 10 }),
    ]);
    expect(state).toEqual({ seq: 10, view: { heard: 10 }, holed: false, trouble: null });
    expect(resyncs).toBe(1);
  });

  test("asks for a snapshot when a delta comes before any", () => {
    expect(stateAfter([delta(1, { heard: 1 })]).resyncs).toBe(1);
  });

  test("keeps what it shows when the service tells of trouble", () => {
    const { state } = stateAfter([
      snapshot(1, { heard: 1 }),
      { type: "trouble", id: 1, sentence: "The store is busy." },
    ]);
    expect(state.view).toEqual({ heard: 1 });
    expect(state.trouble).toBe("The store is busy.");
  });

  test("whatever is lost or doubled on the way, the view is always one that the service had", () => {
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 0, max: 3 }), { maxLength: 60 }), (fates) => {
        let state = UNBORN;
        let seq = 1;
        state = applyMessage(state, snapshot(seq, { heard: seq })).next;
        for (const fate of fates) {
          seq += 1;
          // 0: lost; 1: doubled; 2: lost, but the service answers the next resync; 3: arrives.
          const copies = fate === 0 || fate === 2 ? 0 : fate === 1 ? 2 : 1;
          for (let copy = 0; copy < copies; copy += 1) {
            const step = applyMessage(state, delta(seq, { heard: seq }));
            state = step.next;
            if (step.resync) {
              state = applyMessage(state, snapshot(seq, { heard: seq })).next;
            }
          }
          expect(state.view).toEqual({ heard: state.seq });
        }
      }),
    );
  });
});
