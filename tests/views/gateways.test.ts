import { describe, expect, it } from "vitest";
import { GatewaysView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { pullAck } from "../store/down-traffic.ts";
import { arrivalOf, decoded, phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite, moment, siteOf, statusAt, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";

function ask(store: Store, window: AskedWindow) {
  const view = gatewaysView(store, window);
  expect(GatewaysView.parse(view)).toEqual(view);
  return view;
}

function only(store: Store, window: AskedWindow) {
  const { gateways } = ask(store, window);
  const [row] = gateways;
  if (row === undefined || gateways.length !== 1) throw new Error(`${gateways.length} gateways`);
  return row;
}

/** One uplink every `everyS` seconds, its concentrator counter running `ppm` fast and starting from `startTmstUs`. */
function ticking(
  eui: string,
  fromS: number,
  toS: number,
  everyS: number,
  ppm: number,
  startTmstUs: number,
): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let i = 0; fromS + i * everyS < toS; i++) {
    const elapsedUs = i * everyS * 1e6;
    const tmstUs = Math.round(startTmstUs + elapsedUs * (1 + ppm * 1e-6)) % 2 ** 32;
    // The way to the server takes 0 to 30 ms more than the quickest.
    const jitterS = ((i * 7919) % 31) / 1000;
    all.push(push(eui, fromS + i * everyS + jitterS, [{ payload: phy(PROBE, i), tmstUs }]));
  }
  return all;
}

describe("a gateway's account", () => {
  const traffic = [
    ...keepalives(SHED, 0, 600, 10),
    push(SHED, 11, [{ payload: phy(PROBE, 0) }]),
    push(SHED, 21, [{ payload: phy(PROBE, 1), crc: "bad" }]),
    push(SHED, 31, [{ payload: phy(PROBE, 2), crc: "none" }]),
    statusAt(SHED, 40, { ackPercent: 99.5, temperatureC: 31.2 }),
    statusAt(SHED, 70, { ackPercent: 98, temperatureC: 32 }),
  ];

  it("counts datagrams, and receptions by their CRC", () => {
    expect(only(siteOf(traffic), windowOf(0, 600))).toMatchObject({
      eui: SHED,
      datagrams: 65,
      receptions: 3,
      crcBad: 1,
      crcNone: 1,
      keepaliveSeconds: 10,
      protocolVersions: [2],
      pullSource: "192.0.2.7 40123",
      firstHeard: moment(0),
      lastHeard: moment(590),
      restarts: 0,
      outages: [],
      rejected: {},
    });
  });

  it("repeats what the gateway's newest report of the window says", () => {
    const db = siteOf(traffic);
    expect(only(db, windowOf(0, 600))).toMatchObject({ ackPercent: 98, temperatureC: 32 });
    expect(only(db, windowOf(0, 60))).toMatchObject({ ackPercent: 99.5, temperatureC: 31.2 });
    expect(only(db, windowOf(100, 600))).toMatchObject({ ackPercent: null, temperatureC: null });
  });

  it("tells what was rejected from what was odd but used", () => {
    const text = (json: string, atS: number, token: number) => {
      const head = Uint8Array.from([2, 0, token, 0, ...Buffer.from(SHED, "hex")]);
      return decoded(arrivalOf(Buffer.concat([head, Buffer.from(json)]), START_US + atS * 1e6));
    };
    const db = siteOf([
      ...traffic,
      text("{not json", 41, 1),
      text("{not json either", 42, 2),
      text('{"neither":"packets nor status"}', 43, 3),
    ]);
    db.exec(
      "INSERT INTO refusal (gateway_id, reason, refused, count, first_at_us, last_at_us) SELECT id, 'time_odd', 0, 4, 1, 2 FROM gateway",
    );
    const { rejected, odd } = only(db, windowOf(0, 600));
    const counted = db
      .prepare("SELECT reason, refused, sum(count) AS n FROM refusal GROUP BY 1, 2")
      .all() as {
      reason: string;
      refused: number;
      n: number;
    }[];
    const of = (wasRefused: number) =>
      Object.fromEntries(
        counted.filter(({ refused }) => refused === wasRefused).map(({ reason, n }) => [reason, n]),
      );
    expect(rejected.json_syntax).toBe(2);
    expect({ rejected, odd }).toEqual({ rejected: of(1), odd: of(0) });
    expect(odd).toEqual({ time_odd: 4 });
  });

  it("repeats the newest report that says either, and leaves out what that one does not say", () => {
    const figures = (...reports: DecodedArrival[]) => {
      const { ackPercent, temperatureC } = only(siteOf([...traffic, ...reports]), windowOf(0, 600));
      return [ackPercent, temperatureC];
    };
    expect(figures(statusAt(SHED, 500))).toEqual([98, 32]);
    expect(figures(statusAt(SHED, 500, { temperatureC: 30 }))).toEqual([null, 30]);
    expect(figures(statusAt(SHED, 500, { ackPercent: 97 }))).toEqual([97, null]);
  });

  it("bears the site that a person named, and no key for it else", () => {
    const db = siteOf(traffic);
    expect(only(db, windowOf(0, 600))).not.toHaveProperty("site");
    writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed", site: "Orchard" });
    expect(only(db, windowOf(0, 600))).toHaveProperty("site", "Orchard");
  });

  it("says what it has of removed receptions: what was counted, and nothing of single ones", () => {
    // Five reports of 90 % acknowledged: their lateness is an event; its server's answer shows the downlink path.
    const db = siteOf([
      ...traffic,
      ...[100, 130, 160, 190, 220].map((s) => statusAt(SHED, s, { ackPercent: 90, temperatureC: 33 })),
      pullAck(590.05, 59),
    ]);
    const whole = only(db, windowOf(0, 600));
    expect(whole.events).toMatchObject([{ kind: "late-acknowledgements", open: true, from: moment(0) }]);
    expect(whole.downlinks).not.toBeNull();
    expect(whole).toMatchObject({ ackPercent: 90, temperatureC: 33 });
    const removedTo = (second: number) =>
      only(db, {
        ...windowOf(0, 600),
        removed: { beforeUs: START_US + second * 1e6, rule: "1 day", basis: "sums" },
      });
    expect(removedTo(600)).toMatchObject({
      datagrams: whole.datagrams,
      receptions: 3,
      ackPercent: null,
      temperatureC: null,
      events: [],
      downlinks: null,
    });
    expect(removedTo(75)).toMatchObject({ ackPercent: 90, events: [{ kind: "late-acknowledgements" }] });
    expect(removedTo(300)).toMatchObject({ ackPercent: null, events: [] });
  });

  it("bears the name that a person gave", () => {
    const db = siteOf(traffic);
    writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed" });
    expect(only(db, windowOf(0, 600)).name).toBe("Packing shed");
  });

  it("is shown in the windows in which it was heard, and in live ones even when it is gone", () => {
    const db = siteOf([...keepalives(SHED, 0, 101), ...keepalives(TOWER, 1000, 1101)]);
    const euis = (window: AskedWindow) => ask(db, window).gateways.map(({ eui }) => eui);
    expect(euis(windowOf(0, 500))).toEqual([SHED]);
    expect(euis(windowOf(1000, 1101))).toEqual([TOWER]);
    expect(euis(windowOf(1000, 1101, true))).toEqual([SHED, TOWER]);
  });
});

describe("the heartbeat", () => {
  it("has a cell a minute, from the minute in which the window begins", () => {
    const db = siteOf([
      ...keepalives(SHED, 0, 180, 20),
      push(SHED, 65, [{ payload: phy(PROBE, 0) }]),
      push(SHED, 66, [{ payload: phy(PROBE, 1), crc: "bad" }]),
      statusAt(SHED, 130),
    ]);
    expect(only(db, windowOf(30, 170)).heartbeat).toEqual({
      cellSeconds: 60,
      from: moment(0),
      keepalivesExpected: 3,
      datagrams: [3, 5, 4],
      keepalives: [3, 3, 3],
      statusReports: [0, 0, 1],
      receptions: [0, 2, 0],
      crcBad: [0, 1, 0],
    });
  });

  it("takes wider cells for longer windows, 480 at most, without losing a keepalive", () => {
    const { heartbeat } = only(siteOf(keepalives(SHED, 0, 36_000, 30)), windowOf(0, 36_000));
    expect(heartbeat).toMatchObject({ cellSeconds: 120, keepalivesExpected: 4 });
    expect(heartbeat.keepalives).toEqual(Array(300).fill(4));
  });

  it("begins at a full hour where its cells are hours", () => {
    // 24 days from half past nine: 72 min would be 480 cells, so two hours each, from nine o'clock on.
    const DAY_S = 86_400;
    const db = siteOf([...keepalives(SHED, 3_600, 3_700), ...keepalives(SHED, DAY_S, DAY_S + 50)]);
    const { heartbeat } = only(db, windowOf(1_800, 1_800 + 24 * DAY_S));
    expect(heartbeat).toMatchObject({ cellSeconds: 7_200, from: moment(0), keepalivesExpected: 720 });
    expect(heartbeat.keepalives).toHaveLength(289);
    expect([heartbeat.keepalives[0], heartbeat.keepalives[12]]).toEqual([10, 5]);
  });
});

describe("the concentrator's clock", () => {
  it.each([-18, 0, 25])("is told to run %i ppm off, across wraps of its counter", (ppm) => {
    // Three hours from shortly before a wrap: three wraps in all.
    const db = siteOf(ticking(SHED, 0, 10_800, 15, ppm, 2 ** 32 - 60e6));
    const row = only(db, windowOf(0, 10_800));
    expect(row.restarts).toBe(0);
    expect(Math.abs((row.clockDriftPpm ?? Number.NaN) - ppm)).toBeLessThan(1);
  });

  it("is not judged while its interval is wider than 5 ppm on either side, and comes with it then", () => {
    const early = only(siteOf(ticking(SHED, 0, 300, 15, 20, 0)), windowOf(0, 300));
    expect([early.clockDriftPpm, early.clockDriftInterval95]).toEqual([null, null]);
    const later = only(siteOf(ticking(SHED, 0, 3600, 15, 20, 0)), windowOf(0, 3600));
    const [low, high] = later.clockDriftInterval95 ?? [Number.NaN, Number.NaN];
    expect(low).toBeLessThanOrEqual(20);
    expect(high).toBeGreaterThanOrEqual(20);
  });

  it("is judged by all stretches between restarts, which are counted and dated", () => {
    const db = siteOf([...ticking(SHED, 0, 3600, 15, 12, 5e6), ...ticking(SHED, 3700, 9000, 15, 12, 1_000)]);
    const row = only(db, windowOf(0, 9000));
    expect(row.restarts).toBe(1);
    expect(Math.abs(Date.parse(row.restartTimes[0] ?? "") - Date.parse(moment(3700)))).toBeLessThan(100);
    expect(Math.abs((row.clockDriftPpm ?? Number.NaN) - 12)).toBeLessThan(1);
  });
});

describe("the region", () => {
  it("is recognised from the channels heard, with a confidence", () => {
    const channels = [868.1, 868.3, 868.5, 867.1, 867.3, 867.5, 867.7, 867.9];
    const db = siteOf(
      Array.from({ length: 80 }, (_, n) =>
        push(SHED, n * 10, [
          {
            payload: phy(PROBE, n),
            frequencyHz: Math.round((channels[n % 8] ?? 0) * 1e6),
            spreadingFactor: 7 + (n % 4),
          },
        ]),
      ),
    );
    const { region } = only(db, windowOf(0, 800));
    expect(region).toMatchObject({ name: "EU868", contradictions: [] });
    expect(region.confidence).toBeGreaterThan(0.9);
  });

  it("says where another gateway listens, by its name or else its identifier", () => {
    const hops = (eui: string, firstMhz: number, devAddr: string) =>
      Array.from({ length: 80 }, (_, n) =>
        push(eui, n * 10 + (eui === SHED ? 0 : 1), [
          {
            payload: phy(devAddr, n),
            frequencyHz: Math.round((firstMhz + 0.2 * (n % 8)) * 1e6),
            spreadingFactor: 7 + (n % 4),
          },
        ]),
      );
    const db = siteOf([...hops(SHED, 902.3, PROBE), ...hops(TOWER, 903.9, "01A2B3C5")]);
    writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed" });
    const [shed, tower] = ask(db, windowOf(0, 800)).gateways.map(({ region }) => region);
    expect([shed?.subBand, tower?.subBand]).toEqual([1, 2]);
    expect(shed?.contradictions).toEqual([
      expect.stringContaining(`listens to sub-band 1 and ${TOWER} to sub-band 2 of US902-928`),
    ]);
    expect(tower?.contradictions).toEqual([
      expect.stringContaining("listens to sub-band 2 and Packing shed to sub-band 1 of US902-928"),
    ]);
  });

  it("stays open where nothing was heard", () => {
    expect(only(siteOf(keepalives(SHED, 0, 100)), windowOf(0, 100)).region.name).toBeNull();
  });
});

describe("how a gateway stands", () => {
  const standing = (traffic: DecodedArrival[], window: AskedWindow) => {
    const { standing: word, clause } = only(
      window.live ? listenedSite(traffic, (window.toUs - START_US) / 1e6) : siteOf(traffic),
      window,
    );
    return `${word}: ${clause}`.replaceAll("\u202F", " ");
  };
  const uplink = (atS: number) => push(SHED, atS, [{ payload: phy(PROBE, Math.round(atS)) }]);

  it("is good when it was reachable and heard something", () => {
    expect(standing([...keepalives(SHED, 0, 300), uplink(45)], windowOf(0, 300))).toBe(
      "good: reachable throughout, keepalive every 10 s",
    );
  });

  it("is not said of time before it was first heard", () => {
    expect(standing([...keepalives(SHED, 3300, 3600), uplink(3345)], windowOf(0, 3600, true))).toBe(
      "good: reachable since it was first heard, for 5 min, keepalive every 10 s",
    );
  });

  it("is of the whole window where it came within the first minute of it", () => {
    const from = (second: number) =>
      standing(
        [...keepalives(SHED, second, second + 300), uplink(second + 45)],
        windowOf(0, second + 300, true),
      );
    expect(from(60)).toBe("good: reachable throughout, keepalive every 10 s");
    expect(from(61)).toBe("good: reachable since it was first heard, for 5 min, keepalive every 10 s");
  });

  it("waits while it heard no packet", () => {
    expect(standing(keepalives(SHED, 0, 300), windowOf(0, 300))).toBe(
      "waiting: alive, but heard no packet in this window",
    );
  });

  it("waits in its first minute before keepalives are missed", () => {
    expect(standing([uplink(0), uplink(5)], windowOf(-3000, 40, true))).toBe(
      "waiting: too early to say: fewer than three keepalives yet",
    );
    expect(standing([uplink(0), uplink(5)], windowOf(-3000, 61, true))).toBe(
      "look: sends no keepalives: downlinks cannot reach it",
    );
    expect(standing([uplink(0), pull(SHED, 3), pull(SHED, 63)], windowOf(-3000, 90, true))).toBe(
      "waiting: too early to say: fewer than three keepalives yet",
    );
  });

  it("keeps its keepalives in a window too short to hold three", () => {
    expect(standing([...keepalives(SHED, 0, 300), uplink(292)], windowOf(285, 295, true))).toBe(
      "good: reachable throughout, keepalive every 10 s",
    );
  });

  it("is bad while it is unreachable, for as long as it was silent at the window's end", () => {
    const traffic = [...keepalives(SHED, 0, 101), uplink(45), ...keepalives(SHED, 700, 800)];
    expect(standing(traffic, windowOf(0, 400, true))).toBe("bad: unreachable for 5 min");
    expect(standing(traffic, windowOf(0, 800))).toBe("look: was unreachable once, 10 min");
  });

  it("is bad when it fell silent before the window began, not alive", () => {
    expect(standing([...keepalives(SHED, 0, 101), uplink(45)], windowOf(7300, 10_900, true))).toBe(
      "bad: unreachable for 3 h",
    );
  });

  it("needs a look after a restart, and when no CRC was right", () => {
    const restarted = [
      ...keepalives(SHED, 0, 400),
      push(SHED, 100, [{ payload: phy(PROBE, 1), tmstUs: 3_000_000_000 }]),
      push(SHED, 300, [{ payload: phy(PROBE, 2), tmstUs: 5_000_000 }]),
    ];
    expect(standing(restarted, windowOf(0, 400))).toBe("look: restarted once");
    const broken = push(SHED, 45, [{ payload: phy(PROBE, 1), crc: "bad" }]);
    expect(standing([...keepalives(SHED, 0, 300), broken], windowOf(0, 300))).toBe(
      "look: heard no packet with a right CRC",
    );
  });
});
