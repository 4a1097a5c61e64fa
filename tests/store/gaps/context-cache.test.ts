/** When is a block of ten minutes read again? */
import { describe, expect, it } from "vitest";
import { BLOCK_US, SceneBlocks } from "../../../src/store/gaps/context-cache.ts";
import { openStore } from "../../../src/store/open.ts";
import { Recorder } from "../../../src/store/recorder.ts";
import { encodePushData } from "../../../src/wire/forwarder/encode.ts";
import { arrivalOf, decoded, packet, phy, push, SHED, START_US } from "../traffic.ts";

const MINUTE = 60e6;
/** 09:00 is where a block begins. */
const at = (minute: number) => START_US + minute * MINUTE;

/** A packet in the first ten minutes and one in those from 60 on; then one more in each. */
function late() {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, null);
  const frame = (minute: number) => push(SHED, minute * 60, [{ payload: phy("01A2B3C4", minute) }], minute);
  recorder.record([frame(5), frame(65)]);
  const blocks = new SceneBlocks(store);
  const counts = (frontierUs = at(200)) =>
    blocks.over({ fromUs: at(0), toUs: at(70) }, frontierUs).map(({ receptions }) => receptions.length);
  return { blocks, counts, addMore: () => recorder.record([frame(6), frame(66)]) };
}

describe("blocks of ten minutes", () => {
  it("are kept, and read again where what lies in them changed", () => {
    expect(START_US % BLOCK_US).toBe(0);
    const { blocks, counts, addMore } = late();
    expect(counts()).toEqual([1, 1]);
    addMore();
    expect(counts()).toEqual([1, 1]);
    blocks.drop({ fromUs: at(66), toUs: at(67) });
    expect(counts()).toEqual([1, 2]);
    blocks.forget();
    expect(counts()).toEqual([2, 2]);
  });

  it("are read again up to half an hour before a change: a transmission is dated by a counter of then", () => {
    for (const [minute, seen] of [
      [39, 2],
      [41, 1],
    ] as const) {
      const { blocks, counts, addMore } = late();
      counts();
      addMore();
      blocks.drop({ fromUs: at(minute), toUs: at(minute + 1) });
      expect(counts()).toEqual([seen, 1]);
    }
  });

  it("of the newest time are never kept, and end with what has been gone through", () => {
    const { counts, addMore } = late();
    expect(counts(at(65) - 1)).toEqual([1]);
    expect(counts(at(69))).toEqual([1, 1]);
    addMore();
    expect(counts(at(69))).toEqual([1, 2]);
  });

  it("hold packets of other modulations, which have no spreading factor", () => {
    const store = openStore(":memory:");
    const fsk = {
      ...packet({ payload: phy("01A2B3C4", 1) }),
      modulation: { kind: "fsk", bitrateBps: 50_000 } as const,
    };
    const bytes = encodePushData({ version: 2, token: 1, gatewayEui: SHED, packets: [fsk], status: null });
    new Recorder(store, null).record([decoded(arrivalOf(bytes, at(1)))]);
    const [block] = new SceneBlocks(store).over({ fromUs: at(0), toUs: at(5) }, at(5));
    expect(
      block?.receptions.map(({ spreadingFactor, rssiDbm, snrDb, crcOk }) => [
        spreadingFactor,
        rssiDbm,
        snrDb,
        crcOk,
      ]),
    ).toEqual([[null, -97, 6.2, true]]);
  });
});
