import { beforeAll, describe, expect, it } from "vitest";
import { type BenchItem, BenchView } from "../../src/contract/index.ts";
import { readOwnPlans } from "../../src/radio/regions/own-plans.ts";
import type { Store } from "../../src/store/open.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { type BenchOptions, benchView, knownGateways } from "../../src/views/bench.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import { arrivalOf, decoded, phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { MAST, orchardScenario, playedSite } from "./a-played-site.ts";
import { keepalives, moment, siteOf, statusAt, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";

function bench(db: Store, window: AskedWindow, eui = SHED, options: BenchOptions = {}): BenchView {
  const view = benchView(db, window, eui, options);
  if (view === null) throw new Error("no such gateway");
  expect(BenchView.parse(view)).toEqual(view);
  return view;
}

function item(view: BenchView, id: string): BenchItem {
  const found = view.items.find((one) => one.id === id);
  if (found === undefined) throw new Error(`no item ${id}`);
  return found;
}

function states(view: BenchView): Record<string, string> {
  return Object.fromEntries(view.items.map(({ id, state }) => [id, state]));
}

describe("a simulated gateway with which all is well", () => {
  let db: Store;
  let view: BenchView;
  beforeAll(() => {
    db = playedSite(
      orchardScenario({
        duration: "0:20:00",
        nodes: 16,
        rhythmSeconds: 30,
        node: { slowFadingDb: 6, transmitPowerDbm: 2 },
        gateway: { clockDriftPpm: 3, forwardsCrcBad: true },
      }),
      2,
    );
    view = bench(db, wholeOf(1_200), MAST);
  }, 60_000);

  it("passes what can be judged", () => {
    const wrong = view.items.filter(({ state }) => state === "warn" || state === "fail");
    expect(wrong).toEqual([]);
    expect(view.verdict).toBe("pass");
    expect(states(view)).toMatchObject({
      keepalives: "pass",
      "status-reports": "pass",
      "one-gateway": "pass",
      "gateway-clock": "pass",
      "counter-drift": "pass",
      forwarded: "pass",
      arrived: "pass",
      region: "pass",
      channels: "pass",
      noise: "pass",
      "datagram-order": "pass",
    });
  });

  it("gives figures that the scenario bears out", () => {
    expect(item(view, "keepalives").value).toBeCloseTo(10.1, 1);
    expect(item(view, "status-reports").value).toBeCloseTo(30, 1);
    expect(Math.abs((item(view, "counter-drift").value ?? 99) - 3)).toBeLessThan(1.5);
    expect(item(view, "region").figure).toBe("EU868");
    expect(item(view, "arrived")).toMatchObject({ figure: "none lost" });
  });

  it("tells its last datagrams in plain words, newest first", () => {
    const words = view.feed.map((one) => one.words);
    expect(words).toContain("keepalive");
    expect(
      words.some((one) => /^1 reception: 868\.[135]\u202FMHz SF[789] \u2212\d+\u202FdBm/.test(one)),
    ).toBe(true);
    expect(words.some((one) => /status report: \d+ received, \d+ forwarded/.test(one))).toBe(true);
    const times = view.feed.map(({ at }) => at);
    expect(times).toEqual([...times].sort().reverse());
  });
});

describe("a gateway whose reports say that half of its datagrams were acknowledged", () => {
  it("has 50 % and a warning; at 49.9 % it fails", () => {
    const acknowledged = (percents: readonly number[]) => {
      const reports = percents.map((ackPercent, i) => statusAt(SHED, 15 + 30 * i, { ackPercent }));
      const db = siteOf([...keepalives(SHED, 0, 120), ...reports]);
      return item(bench(db, windowOf(0, 120)), "acknowledged");
    };
    // The first report after a start does not count.
    expect(acknowledged([100, 50, 50, 50])).toMatchObject({ value: 50, figure: "50\u202F%", state: "warn" });
    expect(acknowledged([100, 49.9, 49.9, 49.9])).toMatchObject({ value: 49.9, state: "fail" });
    expect(acknowledged([0, 96, 95, 94])).toMatchObject({ value: 95, state: "pass" });
  });
});

function wholeOf(seconds: number): AskedWindow {
  const fromUs = Date.parse("2026-04-14T04:00:00Z") * 1000;
  return { fromUs, toUs: fromUs + seconds * 1e6, live: false };
}

describe("a simulated gateway with which something is wrong", () => {
  it("is told its lossy, doubling, disordered way, and its restart", () => {
    const db = playedSite(
      orchardScenario({
        duration: "0:15:00",
        nodes: 16,
        rhythmSeconds: 20,
        network: { lossShare: 0.2, duplicateShare: 0.06, reorderShare: 0.08 },
        events: [{ event: "gateway-power-outage", gateway: MAST, from: "0:06:00", to: "0:07:00" }],
      }),
      3,
    );
    const view = bench(db, wholeOf(900), MAST);
    expect(states(view)).toMatchObject({
      keepalives: "fail",
      arrived: "fail",
      "datagram-order": "fail",
      restarts: "warn",
      "one-gateway": "pass",
    });
    expect(view.verdict).toBe("fail");
    const [twice, late] = item(view, "datagram-order").figure.match(/\d+/g) ?? [];
    expect(Number(twice)).toBeGreaterThan(10);
    expect(Number(late)).toBeGreaterThan(10);
  }, 60_000);
});

describe("two gateways under one identifier", () => {
  it("are told by their two counters, and no drift is claimed", () => {
    const traffic = Array.from({ length: 60 }, (_, i) =>
      push(SHED, 10 * i, [
        { payload: phy(PROBE, i), tmstUs: (10e6 * i + (i % 2 === 0 ? 7e6 : 1_900e6)) % 2 ** 32 },
      ]),
    );
    const view = bench(siteOf([...keepalives(SHED, 0, 600), ...traffic]), windowOf(0, 600));
    expect(item(view, "one-gateway")).toMatchObject({ state: "fail", value: 2 });
    expect(item(view, "counter-drift").state).toBe("waiting");
  });
});

describe("a gateway's clock", () => {
  const reporting = (aheadS: number): DecodedArrival[] =>
    // A report that was cut `aheadS` later than it arrives.
    Array.from({ length: 4 }, (_, i) => {
      const { arrival } = statusAt(SHED, 30 * i + aheadS);
      return decoded({ ...arrival, atUs: START_US + 30e6 * i });
    });

  it.each([
    [0, "pass", /^\+0\.5\u202Fs$/],
    [-60, "warn", /^\u221259\.5\u202Fs$/],
    [7_200, "fail", /^\+2\u202Fh$/],
  ])("that is %i s ahead: %s", (aheadS, state, figure) => {
    const view = bench(siteOf(reporting(aheadS)), windowOf(-1, 200));
    expect(item(view, "gateway-clock")).toMatchObject({ state, figure: expect.stringMatching(figure) });
  });
});

describe("downlinks", () => {
  const answer = (atS: number, token: number, word: string | null) =>
    decoded(
      arrivalOf(
        encodeTxAck({
          version: 2,
          token,
          gatewayEui: SHED,
          outcome: { result: word === null ? "accepted" : "refused", word, powerDbm: null },
        }),
        START_US + atS * 1e6,
      ),
    );

  it("are judged by the gateway's answers, and the round trip by the time that they took", () => {
    const db = siteOf([...keepalives(SHED, 0, 100), answer(10.24, 1, null), answer(20.26, 2, "TOO_LATE")]);
    const sent = db.prepare(
      "INSERT INTO downlink (gateway_id, at_us, token, data_rate, payload, digest) VALUES (1, ?, ?, 0, x'60', ?)",
    );
    sent.run(START_US + 10e6, 1, 1);
    sent.run(START_US + 20e6, 2, 2);
    const view = bench(db, windowOf(0, 100));
    expect(item(view, "downlinks")).toMatchObject({ state: "warn", figure: "1 of 2" });
    expect(item(view, "round-trip")).toMatchObject({ state: "warn", value: 250, unit: "ms" });
    expect(view.feed.map(({ words }) => words)).toEqual(
      expect.arrayContaining(["downlink taken for sending", "downlink refused: TOO_LATE"]),
    );
  });

  it("take the result of a test that was made", () => {
    const db = siteOf(keepalives(SHED, 0, 100));
    const test = { result: "unanswered", word: null } as const;
    expect(item(bench(db, windowOf(0, 100)), "downlinks")).toMatchObject({ state: "waiting", awaits: null });
    expect(item(bench(db, windowOf(0, 100), SHED, { downlinkTest: test }), "downlinks").state).toBe("fail");
  });
});

describe("what was rejected", () => {
  it("counts against the gateway, and against the address it calls from where no identifier could be read", () => {
    const broken = arrivalOf(
      Uint8Array.from([2, 1, 1, 0, ...Buffer.from(SHED, "hex"), 0x7b]),
      START_US + 30e6,
    );
    const foreign = arrivalOf(Uint8Array.from([9, 1, 1, 2, ...Buffer.from(SHED, "hex")]), START_US + 40e6);
    const view = bench(
      siteOf([...keepalives(SHED, 0, 100), decoded(broken), decoded(foreign)]),
      windowOf(0, 100),
    );
    expect(item(view, "refused")).toMatchObject({ state: "fail", value: 2 });
    expect(item(view, "protocol-version").state).toBe("fail");
  });
});

describe("the sub-band", () => {
  it("of another plan than the one handed in is named", () => {
    const hz = Array.from({ length: 8 }, (_, i) => 902_300_000 + i * 200_000);
    const traffic = Array.from({ length: 80 }, (_, i) =>
      push(SHED, 5 * i, [
        { payload: phy(PROBE, i), frequencyHz: hz[i % 8] ?? 0, spreadingFactor: 7 + (i % 4) },
      ]),
    );
    const read = readOwnPlans(
      JSON.stringify({
        plans: [
          {
            name: "Orchard plan",
            channels: Array.from({ length: 8 }, (_, i) => ({ frequencyHz: 903_900_000 + i * 200_000 })),
          },
        ],
      }),
    );
    const ownPlans = read.ok ? read.plans : [];
    const view = bench(siteOf([...keepalives(SHED, 0, 400), ...traffic]), windowOf(0, 400), SHED, {
      ownPlans,
    });
    expect(read.ok).toBe(true);
    expect(item(view, "region")).toMatchObject({ state: "fail", figure: "US915, sub-band 1" });
    expect(item(view, "region").reason).toMatch(/^Wrong sub-band: .*Orchard plan lies in sub-band 2\.$/);
    expect(item(view, "channels")).toMatchObject({ state: "pass", figure: "8 of 8" });
  });
});

describe("the list", () => {
  it("bears the gateway's name", () => {
    const db = siteOf(keepalives(SHED, 0, 100));
    writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed" });
    expect(bench(db, windowOf(0, 100)).name).toBe("Packing shed");
  });

  it("begins with little, waits, and fails a gateway that fell silent only while the clock goes on", () => {
    const db = siteOf([pull(SHED, 0, 1)]);
    expect(bench(db, windowOf(-10, 5, true)).verdict).toBe("waiting");
    const silent = siteOf(keepalives(SHED, 0, 100));
    expect(item(bench(silent, windowOf(0, 300, true)), "keepalives").state).toBe("fail");
    expect(item(bench(silent, windowOf(0, 300)), "keepalives").state).toBe("pass");
  });

  it("is none for an identifier that was never heard; the known ones are told newest first", () => {
    const db = siteOf([...keepalives(SHED, 0, 100), ...keepalives(TOWER, 50, 200)]);
    expect(benchView(db, windowOf(0, 200), "02005E10000000FF")).toBeNull();
    expect(knownGateways(db)).toEqual([TOWER, SHED]);
    expect(bench(db, windowOf(0, 200)).firstHeard).toBe(moment(0));
  });
});
