import { beforeEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../../src/store/open.ts";
import { framesInWindow, framesOfLife, receptionsOfLife } from "../../../src/store/queries/frames.ts";
import { frameRow, gatewayRow, lifeRow, receptionRow, SF9 } from "./rows.ts";

let db: Store;
beforeEach(() => {
  db = openStore(":memory:");
  for (const id of [1, 2, 3]) gatewayRow(db, id);
  for (const id of [1, 2]) lifeRow(db, id);
});

const ALL = { fromUs: 0, toUs: 1_000 };

describe("frames of a window", () => {
  it("carry the levels of the reception with the best SNR, and where these tie, of the best RSSI", () => {
    frameRow(db, { id: 1, atUs: 10 });
    receptionRow(db, { gatewayId: 1, atUs: 10, frameId: 1, snrTenths: 50, rssiTenths: -900 });
    receptionRow(db, { gatewayId: 2, atUs: 11, frameId: 1, snrTenths: 70, rssiTenths: -1100 });
    receptionRow(db, { gatewayId: 3, atUs: 12, frameId: 1, snrTenths: 70, rssiTenths: -1050 });
    expect(framesInWindow(db, ALL)).toEqual([
      {
        id: 1,
        lifeId: 1,
        atUs: 10,
        counter: 1,
        repeat: 0,
        dataRate: SF9,
        airtimeUs: 185_344,
        snrTenths: 70,
        rssiTenths: -1050,
        receptions: 3,
        gatewayIds: [1, 2, 3],
      },
    ]);
  });

  it("prefer any reception with an SNR to one without", () => {
    frameRow(db, { id: 1, atUs: 10 });
    receptionRow(db, { gatewayId: 1, atUs: 10, frameId: 1, snrTenths: null, rssiTenths: -600 });
    receptionRow(db, { gatewayId: 2, atUs: 11, frameId: 1, snrTenths: -190, rssiTenths: -1300 });
    expect(framesInWindow(db, ALL)[0]).toMatchObject({ snrTenths: -190, rssiTenths: -1300 });
  });

  it("have no levels where no reception had any", () => {
    frameRow(db, { id: 1, atUs: 10 });
    receptionRow(db, { atUs: 10, frameId: 1, snrTenths: null, rssiTenths: null });
    expect(framesInWindow(db, ALL)[0]).toMatchObject({ snrTenths: null, rssiTenths: null, receptions: 1 });
  });

  it("come in order of time, with the first moment and without the last, those of no life left out", () => {
    const atUs = [30, 20, 9, 10, 40];
    for (const [i, at] of atUs.entries()) {
      frameRow(db, { id: i + 1, atUs: at, lifeId: 1 + (i % 2) });
      receptionRow(db, { atUs: at, frameId: i + 1 });
    }
    frameRow(db, { id: 9, atUs: 25, lifeId: null });
    receptionRow(db, { atUs: 25, frameId: 9 });
    expect(framesInWindow(db, { fromUs: 10, toUs: 40 }).map((frame) => frame.atUs)).toEqual([10, 20, 30]);
  });

  it("count antennas as receptions and the gateways behind them once", () => {
    frameRow(db, { id: 1, atUs: 10 });
    for (const antenna of [0, 1]) receptionRow(db, { gatewayId: 1, atUs: 10, frameId: 1, antenna });
    receptionRow(db, { gatewayId: 2, atUs: 11, frameId: 1 });
    expect(framesOfLife(db, 1, ALL)).toMatchObject([{ receptions: 3, gatewayIds: [1, 2] }]);
  });

  it("are the same asked for one life or for all", () => {
    for (let id = 1; id <= 20; id++) {
      frameRow(db, { id, atUs: 1000 - id * 7, lifeId: 1 + (id % 2) });
      for (let gatewayId = 1; gatewayId <= 1 + (id % 3); gatewayId++) {
        receptionRow(db, { gatewayId, atUs: 1000 - id * 7, frameId: id, snrTenths: (id * 37) % 100 });
      }
    }
    const ofOne = framesOfLife(db, 1, ALL);
    expect(ofOne).toHaveLength(10);
    expect(framesInWindow(db, ALL).filter(({ lifeId }) => lifeId === 1)).toEqual(ofOne);
  });

  it("take in a hearing that came after the end of the window, and leave out a replay", () => {
    frameRow(db, { id: 1, atUs: 999 });
    frameRow(db, { id: 2, atUs: 500, counter: 40_000, replay: 1 });
    receptionRow(db, { gatewayId: 1, atUs: 999, frameId: 1, snrTenths: 10 });
    receptionRow(db, { gatewayId: 2, atUs: 60_999, frameId: 1, snrTenths: 90 });
    receptionRow(db, { gatewayId: 1, atUs: 500, frameId: 2 });
    for (const frames of [framesInWindow(db, ALL), framesOfLife(db, 1, ALL)]) {
      expect(frames).toMatchObject([{ id: 1, receptions: 2, snrTenths: 90 }]);
    }
    expect(receptionsOfLife(db, 1, ALL)).toHaveLength(2);
  });
});

describe("receptions of a life", () => {
  it("come by gateway and time, those of other lives and outside the window left out", () => {
    frameRow(db, { id: 1, atUs: 10 });
    frameRow(db, { id: 2, atUs: 20, lifeId: 2 });
    frameRow(db, { id: 3, atUs: 2_000 });
    receptionRow(db, { gatewayId: 2, atUs: 10, frameId: 1 });
    receptionRow(db, { gatewayId: 1, atUs: 10, frameId: 1 });
    receptionRow(db, { gatewayId: 1, atUs: 11, frameId: 1, antenna: 1 });
    receptionRow(db, { gatewayId: 3, atUs: 20, frameId: 2 });
    receptionRow(db, { gatewayId: 3, atUs: 2_000, frameId: 3 });
    expect(receptionsOfLife(db, 1, ALL).map(({ gatewayId, atUs }) => [gatewayId, atUs])).toEqual([
      [1, 10],
      [1, 11],
      [2, 10],
    ]);
  });
});
