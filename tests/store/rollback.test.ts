import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { downFrame, handOut, pullAck, pushAck, txAck } from "./down-traffic.ts";
import { arrivalOf, decoded, joinRequest, phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const NODE = "01A2B3C4";

function relayed(item: DecodedArrival): DecodedArrival {
  return { ...item, arrival: { ...item.arrival, door: "relay" } };
}

/** Ten minutes of one gateway before anything fails; each datagram is answered at once, the last two not yet. */
function before(): (DecodedArrival | DownlinkArrival)[] {
  return Array.from({ length: 10 }, (_, i) => [
    relayed(pull(SHED, 60 * i, 100 + i)),
    pullAck(60 * i + 0.02, 100 + i, "relay"),
    relayed(push(SHED, 60 * i + 7, [{ payload: phy(NODE, i) }], 200 + i)),
    pushAck(60 * i + 7.02, 200 + i, "relay"),
  ])
    .flat()
    .concat(relayed(pull(SHED, 599, 300)), relayed(pull(SHED, 599.5, 301)));
}

/** One of everything that memory keeps beside the rows. */
function batch(): (DecodedArrival | DownlinkArrival)[] {
  return [
    relayed(pull(SHED, 600, 1)),
    pullAck(600.02, 1, "relay"),
    // An answer to a datagram of the commit before; 301 is never answered.
    pullAck(600.05, 300, "relay"),
    relayed(pull(TOWER, 600.1, 2)),
    relayed(push(SHED, 607, [{ payload: phy(NODE, 10) }], 3)),
    pushAck(607.03, 3, "relay"),
    // The same datagram again, and the same reception under another token: set aside, each with its count.
    relayed(push(SHED, 607, [{ payload: phy(NODE, 10) }], 3)),
    relayed(push(SHED, 607.2, [{ payload: phy(NODE, 10), tmstUs: 607e6 }], 4)),
    relayed(push(TOWER, 607.1, [{ payload: phy(NODE, 10) }], 5)),
    handOut(607.5, 608, downFrame(NODE, 1), { token: 77, door: "relay" }),
    relayed(txAck(SHED, 607.52, 77)),
    relayed(push(TOWER, 612, [{ payload: joinRequest("02005E1000000031", 5) }], 6)),
    // No datagram of the protocol: rejected with a sample.
    decoded(arrivalOf(Uint8Array.from([9, 9, 9]), START_US + 613e6, "relay")),
    relayed(push(SHED, 667, [{ payload: phy(NODE, 12), frequencyHz: 868_500_000 }], 7)),
  ];
}

/** Every row of every table. A number that was given to a gateway is not given again: it stands by its identifier here. */
function dump(db: Store): Record<string, unknown[]> {
  const names = db
    .prepare("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name")
    .pluck()
    .all() as string[];
  const euis = new Map(
    (db.prepare("SELECT id, eui FROM gateway").raw().all() as [number, string][]).map(([id, eui]) => [
      id,
      eui,
    ]),
  );
  const named = (row: Record<string, unknown>, table: string) =>
    Object.fromEntries(
      Object.entries(row).map(([column, value]) => {
        const isGateway = column === "gateway_id" || (table === "gateway" && column === "id");
        return [column, isGateway ? (euis.get(Number(value)) ?? value) : value];
      }),
    );
  return Object.fromEntries(
    names.map((name) => [
      name,
      db
        .prepare(`SELECT * FROM ${name}`)
        .all()
        .map((row) => JSON.stringify(named(row as Record<string, unknown>, name)))
        .sort(),
    ]),
  );
}

function stored(fails: boolean): Record<string, unknown[]> {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  recorder.record(before());
  if (fails) {
    // The last of all that one commit writes.
    db.exec(
      "CREATE TRIGGER full BEFORE INSERT ON round_trip_minute BEGIN SELECT raise(ABORT, 'disk full'); END",
    );
    const isEnough = (taken: number) => {
      if (taken === batch().length - 1) throw new Error("the disk is gone");
      return false;
    };
    expect(() => recorder.record(batch())).toThrow("disk full");
    db.exec("DROP TRIGGER full");
    expect(() => recorder.record(batch(), { isEnough })).toThrow("the disk is gone");
  }
  recorder.record(batch());
  recorder.settle();
  recorder.close();
  return dump(db);
}

describe("a commit that failed", () => {
  it("leaves nothing in memory: the same datagrams, recorded again, give the same rows in every table", () => {
    const rows = stored(true);
    expect(rows).toEqual(stored(false));
    // 10 frames of before and 3 of the batch; each sort of row is there.
    expect(rows.frame).toHaveLength(13);
    for (const table of [
      "datagram",
      "reception",
      "gateway",
      "downlink",
      "refusal",
      "round_trip_minute",
      "life",
    ])
      expect(rows[table]?.length, table).toBeGreaterThan(0);
  });

  it("of the search for gaps is done again from where it stood", () => {
    const searched = (fails: boolean) => {
      const db = openStore(":memory:");
      const recorder = new Recorder(db, judgeGap);
      // A node every minute for two hours; the counters 40 to 59 are missed.
      const heard = Array.from({ length: 120 }, (_, i) => i).filter((i) => i < 40 || i > 59);
      recorder.record(
        heard.flatMap((i) => [
          pull(SHED, 60 * i, i),
          push(SHED, 60 * i + 7, [{ payload: phy(NODE, i) }], 200 + i),
        ]),
      );
      const search = () => {
        while (recorder.workOnGaps({ patient: false, nowUs: null }));
      };
      if (fails) {
        db.exec("CREATE TRIGGER full BEFORE INSERT ON gap BEGIN SELECT raise(ABORT, 'disk full'); END");
        expect(search).toThrow("disk full");
        db.exec("DROP TRIGGER full");
      }
      search();
      return dump(db);
    };
    const rows = searched(true);
    expect(rows.gap?.filter((row) => String(row).includes('"missed":20'))).toHaveLength(1);
    expect(rows).toEqual(searched(false));
  });
});
