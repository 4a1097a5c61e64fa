import { describe, expect, it } from "vitest";
import { DownlinksView, GatewayDownlinks, NodeAnswers } from "../../src/contract/index.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { downlinksView } from "../../src/views/downlinks.ts";
import { gatewayDownlinks } from "../../src/views/gateway-downlinks.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { encodeMacCommands } from "../../src/wire/lorawan/mac-commands.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { downFrame, handOut, joinAccept, pullAck, pushAck, txAck } from "../store/down-traffic.ts";
import { joinRequest, phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";

const NODE = "01A2B3C4";
const WINDOW = { fromUs: START_US, toUs: START_US + 3_600_000_000, live: false };
type Item = DecodedArrival | DownlinkArrival;

function storeOf(...items: Item[]) {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  for (const item of items) recorder.record([item]);
  recorder.settle();
  return db;
}

function confirmed(fCnt: number, fOpts: Uint8Array = new Uint8Array(0)): Uint8Array {
  return encodePhyPayload({
    messageType: "ConfirmedDataUp",
    direction: "up",
    devAddr: NODE,
    fCtrl: {
      adr: true,
      adrAckReq: false,
      ack: false,
      classB: false,
      fOptsLength: fOpts.length,
      raw: 0x80 | fOpts.length,
    },
    fCnt,
    fOpts,
    fPort: 2,
    frmPayload: Uint8Array.of(1, fCnt),
    mic: Uint8Array.of(1, 2, 3, fCnt),
    rfuBits: 0,
  });
}

const ACK = { ack: true };

describe("the downlink path of a gateway", () => {
  it("is nothing at all where nothing of a server was seen", () => {
    const db = storeOf(pull(SHED, 0), push(SHED, 1, [{ payload: phy(NODE, 1) }]));
    expect(gatewayDownlinks(db, 1, WINDOW, "EU868")).toBeNull();
  });

  it("counts outcomes and windows, the late share, the lead and the airtime against each sub-band's limit", () => {
    const items: Item[] = [pull(SHED, 0, 1), pullAck(0.03, 1)];
    for (let i = 1; i <= 20; i++) {
      const lateS = i === 7 ? 0.99 : 0.3;
      items.push(push(SHED, i * 10, [{ payload: confirmed(i) }], i + 100));
      items.push(pushAck(i * 10 + 0.02, i + 100));
      items.push(handOut(i * 10 + lateS, i * 10 + 1, downFrame(NODE, i, ACK), { token: i }));
      items.push(
        txAck(SHED, i * 10 + lateS + 0.004, i, i === 7 ? { result: "refused", word: "TOO_LATE" } : {}),
      );
    }
    const db = storeOf(...items);
    const back = GatewayDownlinks.parse(gatewayDownlinks(db, 1, WINDOW, "EU868"));
    expect(back).toMatchObject({
      standing: "look",
      clause: "1 of 20 timed downlinks came too late",
      server: { state: "answering" },
      push: { asked: 20, answered: 20, lost: 0, overPatience: 0 },
      pull: { asked: 1, answered: 1, lost: 0 },
      asked: 20,
      timed: 20,
      late: 1,
      lateShare: 0.05,
      outcomes: [
        { outcome: "accepted", count: 19 },
        { outcome: "refused", word: "TOO_LATE", count: 1 },
      ],
      windows: [{ window: "rx1", count: 20 }],
    });
    expect(back.push.medianMs).toBeGreaterThan(18);
    expect(back.push.medianMs).toBeLessThan(22);
    // 0.7 s before the moment, less the daemon's 42.5 ms.
    expect(back.lead?.medianMs).toBeCloseTo(657.5, 1);
    expect(back.lead?.leastMs).toBeCloseTo(-32.5, 1);
    // 19 packets of 144.384 ms, all within one hour.
    expect(back.transmitSeconds).toBeCloseTo(19 * 0.144384, 6);
    expect(back.budgets).toMatchObject([{ subBand: "M", limit: 0.01, standing: "good" }]);
    expect(back.budgets[0]?.share).toBeCloseTo((19 * 0.144384) / 3_600, 9);
    expect(back.deafSeconds).toBeCloseTo(19 * 0.145384, 6);
  });

  it("counts as transmitted what the gateway confirmed, and all that was asked for where it confirms nothing", () => {
    const asked = [1, 2, 3].map((i) => handOut(i * 10, i * 10 + 1, downFrame(NODE, i), { token: i }));
    const first = [pull(SHED, 0, 1), push(SHED, 1, [{ payload: phy(NODE, 1) }])];
    const one = gatewayDownlinks(storeOf(...first, ...asked, txAck(SHED, 10.004, 1)), 1, WINDOW, "EU868");
    expect(one).toMatchObject({ transmitBasis: "confirmed", transmitSeconds: 0.144384 });
    expect(one?.unconfirmedSeconds).toBeCloseTo(2 * 0.144384, 6);
    const none = gatewayDownlinks(storeOf(...first, ...asked), 1, WINDOW, "EU868");
    expect(none).toMatchObject({ transmitBasis: "asked", unconfirmedSeconds: 0 });
    expect(none?.transmitSeconds).toBeCloseTo(3 * 0.144384, 6);
  });

  it("says so when a sub-band's hour is used up, and names no budget without a region", () => {
    const items: Item[] = [pull(SHED, 0, 1), push(SHED, 1, [{ payload: phy(NODE, 1) }])];
    for (let i = 0; i < 40; i++)
      items.push(
        handOut(10 + i * 5, 12 + i * 5, downFrame(NODE, i), { token: i, spreadingFactor: 12 }),
        txAck(SHED, 10.01 + i * 5, i),
      );
    const db = storeOf(...items);
    expect(gatewayDownlinks(db, 1, WINDOW, "EU868")).toMatchObject({
      standing: "bad",
      clause: "it transmitted longer than a sub-band allows",
      budgets: [{ standing: "bad" }],
    });
    expect(gatewayDownlinks(db, 1, WINDOW, null)?.budgets).toEqual([]);
  });

  it("does not take a capture without the server's datagrams for lost acknowledgements", () => {
    const db = storeOf(
      pull(SHED, 0, 1),
      push(SHED, 1, [{ payload: phy(NODE, 1) }], 2),
      handOut(1.3, 2, downFrame(NODE, 1)),
    );
    const way = gatewayDownlinks(db, 1, WINDOW, "EU868");
    expect(way?.push).toMatchObject({ asked: 0, answered: 0, lost: null });
    // One PULL_DATA and one PUSH_DATA whose answers passed elsewhere.
    expect(way).toMatchObject({ oneSided: 2, tripMeaning: null });
  });

  it("is called unanswered by its server only when it was not answered for minutes", () => {
    const relayed = (item: DecodedArrival): DecodedArrival => ({
      ...item,
      arrival: { ...item.arrival, door: "relay" },
    });
    const items: Item[] = [];
    for (let s = 0; s <= 600; s += 10) {
      items.push(relayed(pull(SHED, s, s)));
      if (s < 300) items.push(pullAck(s + 0.02, s, "relay"));
    }
    const db = storeOf(...items);
    expect(gatewayDownlinks(db, 1, WINDOW, null)).toMatchObject({
      standing: "bad",
      clause: "the server does not answer this gateway",
      server: { state: "silent" },
      pull: { asked: 60, answered: 30 },
    });
    const early = { fromUs: START_US, toUs: START_US + 240_000_000 };
    expect(gatewayDownlinks(db, 1, early, null)?.server.state).toBe("answering");
  });

  it("is the same in line as from a capture", () => {
    const both = (door: "capture" | "relay"): GatewayDownlinks | null => {
      const through = (item: DecodedArrival): DecodedArrival => ({
        ...item,
        arrival: { ...item.arrival, door },
      });
      return gatewayDownlinks(
        storeOf(
          through(pull(SHED, 0, 1)),
          pullAck(0.02, 1, door),
          through(push(SHED, 10, [{ payload: confirmed(1) }], 2)),
          pushAck(10.03, 2, door),
          {
            ...handOut(10.4, 11, downFrame(NODE, 1, ACK), { door }),
            ...(door === "relay" ? { gatewayEui: SHED } : {}),
          },
          through(txAck(SHED, 10.41)),
        ),
        1,
        WINDOW,
        "EU868",
      );
    };
    const [relay, capture] = [both("relay"), both("capture")];
    expect({ ...relay, tripMeaning: null }).toEqual({ ...capture, tripMeaning: null });
    expect(relay?.asked).toBe(1);
    // Only the part of the way that a round trip covers differs.
    expect(relay?.tripMeaning).toMatch(/^Measured at this relay/);
    expect(capture?.tripMeaning).toMatch(/^Measured where the capture was taken/);
  });
});

describe("the list of downlinks", () => {
  const db = storeOf(
    pull(SHED, 0),
    push(SHED, 10, [{ payload: phy(NODE, 1) }]),
    handOut(10.4, 11, downFrame(NODE, 1, { fOpts: Uint8Array.of(0x03, 0x41, 0x07, 0x00, 0x01) }), {
      token: 1,
    }),
    txAck(SHED, 10.42, 1, { result: "accepted-lower-power", word: "TX_POWER", powerDbm: 12 }),
    handOut(20.4, 21, downFrame("01A2B3C5", 1), { token: 2 }),
  );

  it("shows what was asked, decoded, and what came of it, newest first", () => {
    const view = DownlinksView.parse(downlinksView(db, WINDOW));
    expect(view.sentence[0]?.text).toBe("2 downlinks: none was refused.");
    expect(view.downlinks.map(({ devAddr }) => devAddr)).toEqual(["01A2B3C5", NODE]);
    expect(view.downlinks[1]).toMatchObject({
      gatewayEui: SHED,
      messageType: "UnconfirmedDataDown",
      window: "rx1",
      delaySeconds: 1,
      leadMs: 557.5,
      dataRate: "SF9BW125",
      powerDbm: 12,
      outcome: "accepted-lower-power",
      answeredAfterMs: 20,
      commands: [{ name: "LinkADRReq" }],
    });
  });

  it("is that of a gateway or of a node where that is asked for, and empty for unknown ones", () => {
    const count = (question: Parameters<typeof downlinksView>[2]) =>
      downlinksView(db, WINDOW, question).downlinks.length;
    expect(count({ gatewayEui: SHED })).toBe(2);
    expect(count({ gatewayEui: TOWER })).toBe(0);
    expect(count({ devAddr: NODE })).toBe(1);
    expect(count({ devAddr: "00000000" })).toBe(0);
  });
});

describe("the answers to a node", () => {
  const answersOf = (...items: Item[]) => answersOfLife(1, ...items);
  const answersOfLife = (life: number, ...items: Item[]) => {
    const page = nodePage(storeOf(...items), WINDOW, NODE, life);
    return NodeAnswers.parse(page?.answers);
  };

  it("are not to be seen where no server's datagram passed", () => {
    const answers = answersOf(pull(SHED, 0), push(SHED, 10, [{ payload: confirmed(1) }]));
    expect(answers).toMatchObject({ seen: false, rows: [] });
    expect(answers.sentence).toContain("not to be seen here");
  });

  it("tell confirmed uplinks with an answer, without one, and with one that came too late", () => {
    const answers = answersOf(
      pull(SHED, 0),
      push(SHED, 10, [{ payload: confirmed(1) }], 1),
      handOut(10.4, 11, downFrame(NODE, 1, ACK), { token: 1 }),
      txAck(SHED, 10.41, 1),
      push(SHED, 40, [{ payload: confirmed(2) }], 2),
      push(SHED, 70, [{ payload: confirmed(3) }], 3),
      handOut(70.99, 71, downFrame(NODE, 2, ACK), { token: 3 }),
      txAck(SHED, 71, 3, { result: "refused", word: "TOO_LATE" }),
      push(SHED, 100, [{ payload: phy(NODE, 4) }], 4),
    );
    expect(answers.confirmed).toEqual({ sent: 3, answered: 1 });
    expect(answers.sentence).toBe("1 of 3 confirmed uplinks were answered.");
    expect(answers.rows.map(({ counter, fate }) => [counter, fate])).toEqual([
      [3, "late"],
      [2, "unanswered"],
      [1, "answered"],
    ]);
  });

  it("tell join-requests with an accept and without", () => {
    const device = "02005E1000000A01";
    const answers = answersOfLife(
      2,
      pull(SHED, 0),
      ...Array.from({ length: 4 }, (_, i) => push(SHED, 1 + i, [{ payload: phy(NODE, 500 + i) }], 20 + i)),
      push(SHED, 15, [{ payload: joinRequest(device, 1) }], 1),
      push(SHED, 30, [{ payload: joinRequest(device, 2) }], 2),
      handOut(31, 35, joinAccept(), { token: 5 }),
      txAck(SHED, 31.01, 5),
      ...Array.from({ length: 4 }, (_, i) => push(SHED, 60 + i * 30, [{ payload: phy(NODE, i) }], 10 + i)),
    );
    expect(answers.joins).toEqual({ requested: 2, accepted: 1 });
    expect(answers.rows.map(({ what, fate }) => [what, fate])).toEqual([
      ["join-request", "answered"],
      ["join-request", "unanswered"],
    ]);
  });

  it("tell data-rate commands that the node took, refused or passed over", () => {
    const asked = (dataRate: number) =>
      encodeMacCommands(
        [{ cid: 3, name: "LinkADRReq", dataRate, txPower: 1, chMask: 7, chMaskCntl: 0, nbTrans: 1 }],
        "down",
      );
    const answered = (ok: boolean) =>
      encodeMacCommands(
        [{ cid: 3, name: "LinkADRAns", powerAck: ok, dataRateAck: true, channelMaskAck: true }],
        "up",
      );
    const up = (number: number, fOpts?: Uint8Array) =>
      push(SHED, number * 30, [{ payload: confirmed(number, fOpts) }], number);
    const down = (number: number, dataRate: number) =>
      handOut(
        number * 30 + 0.4,
        number * 30 + 1,
        downFrame(NODE, number, { fOpts: asked(dataRate), ack: true }),
        {
          token: number,
        },
      );
    const answers = answersOf(
      pull(SHED, 0),
      up(1),
      down(1, 4),
      up(2, answered(true)),
      down(2, 5),
      up(3, answered(false)),
      down(3, 2),
      up(4),
      up(5),
      up(6),
      down(6, 1),
    );
    expect(answers.commands).toEqual({ asked: 4, effective: 1 });
    expect(answers.rows.filter(({ what }) => what === "data-rate command").map(({ fate }) => fate)).toEqual([
      "open",
      "without effect",
      "refused by node",
      "effective",
    ]);
  });
});
