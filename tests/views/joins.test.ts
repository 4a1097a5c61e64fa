import { describe, expect, it } from "vitest";
import { JoinsView } from "../../src/contract/site.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { joinsView } from "../../src/views/joins.ts";
import { handOut, joinAccept, pullAck, txAck } from "../store/down-traffic.ts";
import { joinRequest, phy, pull, push, SHED, START_US } from "../store/traffic.ts";

const WINDOW = { fromUs: START_US, toUs: START_US + 3_600_000_000, live: false };
const PROBE = "02005E10000000F1";
const PUMP = "02005E10000000F2";

function joinsOf(...items: (DecodedArrival | DownlinkArrival)[]): JoinsView {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  for (const item of items) recorder.record([item]);
  recorder.settle();
  const view = joinsView(db, WINDOW);
  db.close();
  return JoinsView.parse(view);
}

const ask = (devEui: string, atS: number, nonce: number) =>
  push(SHED, atS, [{ payload: joinRequest(devEui, nonce) }], nonce);

describe("joining devices", () => {
  it("are counted by what became of each request where both directions are seen", () => {
    const view = joinsOf(
      pull(SHED, 0, 1),
      pullAck(0.03, 1),
      ask(PROBE, 10, 1),
      // RX1 of a join opens 5 s after the request: in time, then 10 ms before it, which is too late.
      handOut(10.3, 15, joinAccept(), { token: 11 }),
      txAck(SHED, 10.4, 11, { result: "accepted" }),
      ask(PROBE, 100, 2),
      handOut(104.99, 105, joinAccept(), { token: 12 }),
      ask(PUMP, 200, 3),
      ask(PUMP, 260, 4),
    );
    const [pump, probe] = view.joins;
    expect(probe).toEqual({
      devEui: PROBE,
      joinEui: "02005E10000000AA",
      requests: 2,
      accepted: 1,
      late: 1,
      unanswered: 0,
      firstHeard: "2026-03-14T09:00:10.000Z",
      lastHeard: "2026-03-14T09:01:40.000Z",
      clause: "asked 2 times: accepted once, 1 answered too late",
    });
    expect(pump).toMatchObject({ devEui: PUMP, requests: 2, accepted: 0, late: 0, unanswered: 2 });
    expect(pump?.clause).toBe("asked 2 times: 2 unanswered");
    expect(view.sentence).toEqual([{ text: "2 devices asked to join; 1 was not accepted." }]);
  });

  it("have no counts of answers where none can be seen", () => {
    const view = joinsOf(pull(SHED, 0), ask(PROBE, 10, 1));
    expect(view.joins[0]).toMatchObject({ requests: 1, accepted: null, late: null, unanswered: null });
    expect(view.joins[0]?.clause).toBe("asked once; answers are not visible here");
    expect(view.sentence[0]?.text).toMatch(/^1 device asked to join\. Answers are not visible here/);
  });

  it("are named with the address of the life that followed", () => {
    const frames = [0, 1, 2].map((fCnt) => push(SHED, 20 + 60 * fCnt, [{ payload: phy("01F2A101", fCnt) }]));
    const view = joinsOf(
      ...[500, 501, 502].map((fCnt, i) => push(SHED, i, [{ payload: phy("01F2A101", fCnt) }])),
      ask(PROBE, 10, 1),
      ...frames,
    );
    expect(view.joins[0]).toMatchObject({ devEui: PROBE, devAddr: "01F2A101", life: 2 });
  });

  it("are none where nobody asked", () => {
    expect(joinsOf(push(SHED, 1, [{ payload: phy("01F2A101", 1) }]))).toMatchObject({
      joins: [],
      joinsCut: false,
    });
  });
});
