import { describe, expect, it } from "vitest";
import type { TimeRange } from "../../../src/model/time-range.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import * as air from "../../../src/store/queries/air.ts";
import * as benchDownlinks from "../../../src/store/queries/bench.ts";
import * as benchHeartbeat from "../../../src/store/queries/bench.ts";
import * as benchRadio from "../../../src/store/queries/bench-radio.ts";
import * as channels from "../../../src/store/queries/channels.ts";
import { confirmedUplinks } from "../../../src/store/queries/downlinks.ts";
import * as frames from "../../../src/store/queries/frames.ts";
import * as packets from "../../../src/store/queries/gateway-packets.ts";
import * as gateways from "../../../src/store/queries/gateways.ts";
import { wayHearings } from "../../../src/store/queries/lives.ts";
import * as benchFeed from "../../../src/store/queries/receptions.ts";
import { receptionPage } from "../../../src/store/queries/receptions.ts";
import { framesWithCommands } from "../../../src/store/queries/trial-frames.ts";

const HOUR: TimeRange = { fromUs: 1_000_000_000, toUs: 4_600_000_000 };

/** How SQLite would carry out the statements that a question prepares. */
function plansOf(ask: (store: Store) => unknown): string[] {
  const db = openStore(":memory:");
  const asked: string[] = [];
  const listening = {
    prepare: (sql: string) => {
      asked.push(sql);
      return db.prepare(sql);
    },
  } as unknown as Store;
  ask(listening);
  const names = [
    "cell",
    "id",
    "from",
    "to",
    "limit",
    "size",
    "most",
    "beforeUs",
    "beforeId",
    "lifeId",
    "gatewayEui",
    "max",
    "ids",
    "quiet",
    "first",
    "lead",
  ];
  const named = Object.fromEntries(names.map((name) => [name, 0]));
  const plans = asked.flatMap((sql) => {
    const statement = db.prepare(`EXPLAIN QUERY PLAN ${sql}`);
    const marks = sql.split("?").length - 1;
    const rows = marks > 0 ? statement.all(Array<number>(marks).fill(0)) : statement.all(named);
    return (rows as { detail: string }[]).map(({ detail }) => detail);
  });
  db.close();
  return plans;
}

/** Tables that grow with time: none may be read whole for an hour's sake. */
const GROWING = /^SCAN (r|f|reception|frame|datagram|status_report|channel_minute|gateway_minute|\w+_hour)\b/;

describe("a question about an hour", () => {
  it.each<[string, (store: Store) => unknown]>([
    ["frames of all nodes", (store) => frames.framesInWindow(store, HOUR)],
    ["frames of a life", (store) => frames.framesOfLife(store, 1, HOUR)],
    ["receptions of a life", (store) => frames.receptionsOfLife(store, 1, HOUR)],
    ["channel minutes", (store) => channels.channelCells(store, 0, 60, 1)],
    ["packets on channels", (store) => channels.channelIntervals(store, HOUR)],
    ["packets one by one", (store) => air.airPackets(store, HOUR)],
    ["begin of the newest packets", (store) => air.newestReceptionsFromUs(store, HOUR, 20)],
    ["downlinks", (store) => air.downlinksOf(store, HOUR, 20)],
    ["frames that gateways report", (store) => air.reportedTransmissions(store, HOUR)],
    ["keepalives", (store) => gateways.keepaliveUs(store, 1, HOUR)],
    ["status reports", (store) => gateways.statusSpacingUs(store, 1, HOUR)],
    ["silences", (store) => gateways.silencesUs(store, 1, HOUR, 30_000_000)],
    ["counts of a gateway", (store) => packets.gatewayCounts(store, 1, HOUR)],
    ["minutes of a gateway", (store) => packets.heartbeatCells(store, 1, 0, 60, 1)],
    ["counter of a gateway", (store) => packets.counterReadings(store, 1, HOUR)],
    ["channels of a gateway", (store) => packets.heardChannels(store, 1, HOUR)],
    ["keepalives on the bench", (store) => benchHeartbeat.keepaliveTimesUs(store, 1, HOUR)],
    ["reports on the bench", (store) => benchHeartbeat.statusRecords(store, 1, HOUR)],
    ["packets on the bench", (store) => benchRadio.newestPackets(store, 1, HOUR)],
    ["counts of packets on the bench", (store) => benchRadio.packetCounts(store, 1, HOUR)],
    ["copies on the bench", (store) => benchHeartbeat.copyCounts(store, 1, HOUR)],
    ["nodes on the bench", (store) => benchRadio.nodesHeard(store, 1, HOUR)],
    ["frames of other gateways", (store) => benchRadio.heardByOthers(store, 1, HOUR, 5)],
    ["channels of a site", (store) => benchRadio.channelsOfSite(store, HOUR)],
    ["refused downlinks", (store) => benchDownlinks.refusedDownlinks(store, 1, HOUR)],
    ["answers to downlinks", (store) => benchDownlinks.answerDelaysUs(store, 1, HOUR)],
    ["last datagrams", (store) => benchFeed.newestDatagrams(store, 1, HOUR, 24)],
    ["packets of a datagram", (store) => benchFeed.packetsAt(store, 1, 5)],
    ["a page of receptions", (store) => receptionPage(store, { window: HOUR, before: null, limit: 50 })],
    [
      "a page of one gateway",
      (store) =>
        receptionPage(store, { window: HOUR, gatewayEui: "02005E1000000001", before: null, limit: 50 }),
    ],
    [
      "a page of one life",
      (store) => receptionPage(store, { window: HOUR, lifeId: 1, before: null, limit: 50 }),
    ],
  ])("finds its rows by an index: %s", (_, ask) => {
    const plans = plansOf(ask);
    expect(plans.length).toBeGreaterThan(0);
    for (const plan of plans) expect(plan).not.toMatch(GROWING);
  });

  it.each<[string, (store: Store) => unknown]>([
    ["counts", (store) => packets.gatewayCounts(store, 1, HOUR)],
    ["counter", (store) => packets.counterReadings(store, 1, HOUR)],
    ["channels", (store) => packets.heardChannels(store, 1, HOUR)],
    [
      "a page",
      (store) =>
        receptionPage(store, { window: HOUR, gatewayEui: "02005E1000000001", before: null, limit: 50 }),
    ],
  ])("never goes through all that a gateway ever heard: %s", (_, ask) => {
    expect(plansOf(ask).filter((plan) => plan.includes("(gateway_id=?)"))).toEqual([]);
  });

  it.each<[string, (store: Store) => unknown]>([
    ["frames", (store) => frames.framesOfLife(store, 1, HOUR)],
    ["frames of some", (store) => frames.framesOfLives(store, [1, 2], HOUR)],
    ["receptions", (store) => frames.receptionsOfLife(store, 1, HOUR)],
    ["octets", (store) => frames.linkFrames(store, 1, HOUR, 9)],
    ["proofs", (store) => frames.keyCounts(store, 1, HOUR)],
    ["hearings", (store) => frames.linkHearings(store, 1, HOUR, 9)],
    ["answers to commands", (store) => framesWithCommands(store, 1, HOUR, 9)],
    ["confirmed uplinks", (store) => confirmedUplinks(store, 1, HOUR, 9)],
    ["ways", (store) => wayHearings(store, HOUR, [1, 2])],
  ])("asks for a life by its address and the time: %s", (_, ask) => {
    const plans = plansOf(ask).filter((plan) => /^SEARCH (main\.)?(f|frame)\b/.test(plan));
    expect(plans.length).toBeGreaterThan(0);
    for (const plan of plans)
      expect(plan).toMatch(/ frame_by_address \(dev_addr=\? AND at_us>\? AND at_us<\?\)/);
  });

  it("sorts neither a page of receptions nor the frames of a window: they lie in order", () => {
    const page = plansOf((store) => receptionPage(store, { window: HOUR, before: null, limit: 50 }));
    const list = plansOf((store) => frames.framesInWindow(store, HOUR));
    const life = plansOf((store) => frames.framesOfLife(store, 1, HOUR));
    expect([...page, ...list, ...life].filter((plan) => plan.includes("TEMP B-TREE"))).toEqual([]);
  });
});
