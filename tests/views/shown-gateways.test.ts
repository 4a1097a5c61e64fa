/** Which gateways the lists show where somebody invented many, on five of them. */
import { describe, expect, it } from "vitest";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { cutGateways, shownGateways } from "../../src/views/reachability.ts";
import { pull, START_US } from "../store/traffic.ts";

const eui = (n: number) => `02005E100000000${n}`;
const at = (seconds: number) => START_US + seconds * 1e6;
const live = { fromUs: at(1_000), toUs: at(2_000), live: true };
const past = { ...live, live: false };

/** First and last datagram of each, seconds: heard for 900, 100, 500, 500 and 50 s. */
const HEARD = [
  [0, 900],
  [10, 110],
  [1_200, 1_700],
  [1_100, 1_600],
  [1_950, 2_000],
] as const;

function fiveGateways() {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, null);
  const all = HEARD.flatMap(([from, to], i) => [pull(eui(i + 1), from), pull(eui(i + 1), to, 11)]);
  recorder.record(all.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  return store;
}

const names = ({ shown, more }: ReturnType<typeof shownGateways>) => [
  shown.map(({ eui: one }) => Number(one.at(-1))),
  more,
];

describe("the gateways that are shown", () => {
  it("are all that were heard until the window's end, of a past window those heard in it, by their first datagram", () => {
    const store = fiveGateways();
    expect(names(shownGateways(store, live))).toEqual([[1, 2, 4, 3, 5], 0]);
    expect(names(shownGateways(store, past))).toEqual([[4, 3, 5], 0]);
    expect(names(shownGateways(store, { ...past, fromUs: at(900) }))).toEqual([[1, 4, 3, 5], 0]);
    // The end of a window does not belong to it.
    expect(names(shownGateways(store, { ...past, toUs: at(1_950) }))).toEqual([[4, 3], 0]);
  });

  it("are those heard over the longest time where there are more, the smaller identifier first, and the rest is counted", () => {
    const store = fiveGateways();
    expect(names(shownGateways(store, live, 5))).toEqual([[1, 2, 4, 3, 5], 0]);
    expect(names(shownGateways(store, live, 4))).toEqual([[1, 2, 4, 3], 1]);
    expect(names(shownGateways(store, live, 2))).toEqual([[1, 3], 3]);
  });

  it("are first of all those that a person named", () => {
    const store = fiveGateways();
    store.prepare("INSERT INTO label (kind, id, name) VALUES ('gateway', ?, 'Shed')").run(eui(5));
    expect(names(shownGateways(store, live, 2))).toEqual([[1, 5], 3]);
    const { shown } = shownGateways(store, live);
    expect(names(cutGateways(store, shown, 1))).toEqual([[5], 4]);
    expect(names(cutGateways(store, shown))).toEqual([[1, 2, 4, 3, 5], 0]);
  });
});
