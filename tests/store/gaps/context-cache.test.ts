/** When is a block of ten minutes read again? */
import { describe, expect, it } from "vitest";
import { airtimeOfReception } from "../../../src/radio/airtime.ts";
import { BLOCK_US, SceneBlocks } from "../../../src/store/gaps/context-cache.ts";
import { openStore } from "../../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../../src/store/recorder.ts";
import { encodePushData } from "../../../src/wire/forwarder/encode.ts";
import { downFrame, handOut, txAck } from "../down-traffic.ts";
import {
  arrivalOf,
  decoded,
  joinRequest,
  packet,
  phy,
  pull,
  push,
  SHED,
  START_US,
  TOWER,
} from "../traffic.ts";

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

  it("hold transmissions, dated by the gateway's counter where it fits, else as they were handed out", () => {
    const sent = (...traffic: readonly (DecodedArrival | DownlinkArrival)[]) => {
      const store = openStore(":memory:");
      new Recorder(store, null).record(traffic);
      const blocks = new SceneBlocks(store).over({ fromUs: at(0), toUs: at(5) }, at(5));
      return blocks.flatMap(({ transmissions }) =>
        transmissions.map(({ gatewayId, fromUs, toUs }) => [
          gatewayId,
          (fromUs - START_US) / 1e6,
          toUs - fromUs,
        ]),
      );
    };
    // At 100 s its counter shows 1000 s.
    const heard = push(SHED, 100, [{ payload: phy("01A2B3C4", 1), tmstUs: 1_000e6 }], 1);
    const octets = downFrame("01A2B3C4", 1);
    const asked = (sendS: number) => handOut(101, sendS, octets);
    const modulation = { kind: "lora", spreadingFactor: 9, bandwidthHz: 125_000, codingRate: "4/5" } as const;
    const airtimeUs = airtimeOfReception(modulation, octets.length, "none");
    expect(sent(pull(SHED, 99), heard, asked(1_006))).toEqual([[1, 106, airtimeUs]]);
    const startOf = (sendS: number) => sent(pull(SHED, 99), heard, asked(sendS)).map(([, start]) => start);
    // Up to a second before it was handed out, and less than 20 s after: else the counter was another one.
    expect([1_000, 999.999, 1_020.999, 1_021].map((s) => startOf(s)[0])).toEqual([100, 101, 120.999, 101]);
    expect(sent(pull(SHED, 99), asked(1_006)).map(([, start]) => start)).toEqual([101]);
    const atOnce = handOut(101, 0, octets, { moment: { kind: "immediate" } });
    expect(sent(pull(SHED, 99), heard, atOnce).map(([, start]) => start)).toEqual([101]);
    // What the gateway refused within five seconds was not sent.
    const refused = (atS: number, token: number) =>
      sent(
        pull(SHED, 99),
        heard,
        asked(1_006),
        txAck(SHED, atS, token, { result: "refused", word: "TOO_LATE" }),
      ).length;
    expect([refused(106, 77), refused(106.001, 77), refused(102, 78)]).toEqual([0, 1, 1]);
    // Handed to nobody that is known: the only gateway, or none of two.
    const before = handOut(98, 1_006, octets);
    expect(sent(before, heard).map(([id]) => id)).toEqual([1]);
    const other = push(TOWER, 100, [{ payload: phy("01A2B3C4", 1) }], 2);
    expect(sent(before, heard, other)).toEqual([]);
    expect(sent(pull(SHED, 99), heard, other, asked(1_006)).map(([id]) => id)).toEqual([1]);
  });

  it("hold who asked to join, and packets that came broken", () => {
    const store = openStore(":memory:");
    new Recorder(store, null).record([
      push(SHED, 10, [{ payload: joinRequest("02005E1000000031", 5) }], 1),
      push(SHED, 20, [{ payload: phy("01A2B3C4", 1), crc: "bad" }], 2),
      push(SHED, 30, [{ payload: phy("01A2B3C4", 2) }], 3),
    ]);
    const [block] = new SceneBlocks(store).over({ fromUs: at(0), toUs: at(5) }, at(5));
    expect(block?.receptions.map(({ joinEui, crcOk, counter }) => [joinEui, crcOk, counter])).toEqual([
      ["02005E1000000031", true, null],
      [null, false, null],
      [null, true, 2],
    ]);
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
