import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { nodesView } from "../../../src/views/nodes.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const LENGTH_S = 7_200;
const AWAY_AT_S = 3_600;

/** Eight nodes, one frame a minute each, heard by both gateways; keepalives every 10 s. Nothing is ever lost. */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let atS = 0; atS < LENGTH_S; atS += 10) {
    all.push(pull(SHED, atS + 0.5, (atS / 10) % 65_536), pull(TOWER, atS + 3.1, (atS / 10) % 65_536));
  }
  for (let node = 0; node < 8; node++) {
    const devAddr = `0000001${node}`;
    for (let counter = 0; counter * 60 + node * 7 < LENGTH_S; counter++) {
      const atS = counter * 60 + node * 7 + ((counter * 37 + node * 11) % 20) / 10;
      for (const eui of [SHED, TOWER]) {
        const frequencyHz = 868_100_000 + 200_000 * (counter % 3);
        all.push(
          push(eui, atS + (eui === TOWER ? 0.01 : 0), [{ payload: phy(devAddr, counter), frequencyHz }]),
        );
      }
    }
  }
  return all
    .sort((a, b) => a.arrival.atUs - b.arrival.atUs)
    .map(({ arrival, ...rest }) => ({ ...rest, arrival: { ...arrival, door: "udp" as const } }));
}

/** Records what comes, but for a time. `stopped`: the service was away then; else its network was. */
function record(awayS: number, stopped: boolean): Store {
  const db = openStore(":memory:");
  const isAway = ({ arrival }: DecodedArrival) => {
    const atS = (arrival.atUs - START_US) / 1e6;
    return atS >= AWAY_AT_S && atS < AWAY_AT_S + awayS;
  };
  const heard = traffic().filter((one) => !isAway(one));
  const cut = heard.findIndex(({ arrival }) => arrival.atUs >= START_US + AWAY_AT_S * 1e6);
  let recorder = new Recorder(db, judgeGap);
  recorder.listen(START_US, "start");
  recorder.record(heard.slice(0, cut));
  if (stopped) {
    // Killed: what it kept last is its newest datagram or heartbeat.
    recorder = new Recorder(db, judgeGap);
    recorder.listen(START_US + (AWAY_AT_S + awayS) * 1e6, "start");
  }
  recorder.record(heard.slice(cut));
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return db;
}

const causes = (db: Store) =>
  db.prepare("SELECT cause FROM gap WHERE shown = 1 ORDER BY from_us").pluck().all() as string[];

describe("the listener away", () => {
  it.each([5, 12, 17, 25, 40, 95])("for %i s, no dropout and no outage follows", (awayS) => {
    const db = record(awayS, true);
    expect(causes(db)).toEqual([]);
    expect(db.prepare("SELECT count(*) FROM gateway_outage").pluck().get()).toBe(0);
    const window = { fromUs: START_US, toUs: START_US + LENGTH_S * 1e6, live: false };
    for (const row of nodesView(db, window).nodes) {
      expect(row.missed - row.missedNotRecorded).toBe(0);
      expect(row.missedDuringOutage).toBe(0);
      expect(row.deliveryRatio).toBe(1);
    }
  });

  it("for 95 s, the counters due then are told as not recorded", () => {
    const window = { fromUs: START_US, toUs: START_US + LENGTH_S * 1e6, live: false };
    const { nodes } = nodesView(record(95, true), window);
    // Frames at 0 to 49 s of each minute, up to 1.9 s late; away from 0 to 95 s of one: each node lost one or two.
    expect(nodes.map(({ missedNotRecorded }) => missedNotRecorded)).toEqual([2, 2, 2, 2, 2, 1, 1, 1]);
  });

  it.each([25, 40, 95])("its network for %i s: the air is never named", (awayS) => {
    const db = record(awayS, false);
    for (const cause of causes(db)) expect(["gateway-unreachable", "unexplained"]).toContain(cause);
  });
});
