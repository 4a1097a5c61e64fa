import { describe, expect, it } from "vitest";
import { WatchFile, type WatchMessage } from "../../src/contract/watches.ts";
import type { GatewayHealth, NodeHealth } from "../../src/diagnosis/check.ts";
import type { StoredWatchFacts } from "../../src/diagnosis/watches.ts";
import { NO_DISK_SPACE } from "../../src/service/disk-space.ts";
import { WatchService } from "../../src/service/watch-service.ts";
import { openStore } from "../../src/store/open.ts";
import { type UserChange, writeUserChange } from "../../src/store/user-changes.ts";
import { watchSettings } from "../../src/store/user-data.ts";
import { serviceUnderTest } from "./parts.ts";

const START_MS = Date.UTC(2026, 2, 14, 9);
const NOTHING: StoredWatchFacts = {
  health: { recordedSeconds: 3_600, notRecordingSeconds: 1, gateways: [], nodes: [] },
  findings: [],
  noise: [],
  clockStepsUs: [],
};
const gateway = (eui: string, silentSeconds: number): GatewayHealth => ({
  eui,
  name: null,
  silentSeconds,
  isOut: silentSeconds > 30,
});
const node = (devAddr: string, change: Partial<NodeHealth>): NodeHealth => ({
  devAddr,
  name: null,
  isStranger: false,
  silentSeconds: 10,
  isOverdue: false,
  expected: 60,
  missed: 0,
  missedDuringOutage: 0,
  ...change,
});

/** A site whose facts a test sets, minute by minute; restarts keep the store. */
function site(file: unknown) {
  const store = openStore(":memory:");
  let minute = 0;
  let monotonicMinute = 0;
  let facts: StoredWatchFacts = NOTHING;
  let isReadable = true;
  const told: WatchMessage[] = [];
  const storage = { storage: "well" as "well" | "failed", storageWords: "" };
  const start = () =>
    new WatchService({
      file: file === null ? null : WatchFile.parse(file),
      ways: [{ name: "test", send: async (message) => void told.push(message) }],
      facts: {
        watchSettings: () => watchSettings(store),
        stored: () => ({ siteName: "Orchard", bytes: 0, receptions: 0, fromUs: null, toUs: null }),
      },
      storedFacts: async () => {
        if (!isReadable) throw new Error("busy");
        return facts;
      },
      figures: () => storage,
      diskSpace: () => NO_DISK_SPACE,
      change: async (change: UserChange) => writeUserChange(store, change),
      now: () => START_MS + minute * 60_000,
      clock: { monotonicMs: () => monotonicMinute * 60_000, after: () => () => undefined },
      log: () => undefined,
    });
  let service = start();
  return {
    told,
    storage,
    get service() {
      return service;
    },
    restart: () => {
      service.close();
      service = start();
    },
    setReadable: (is: boolean) => {
      isReadable = is;
    },
    setClock: (byMinutes: number) => {
      minute += byMinutes;
    },
    /** Looks once a minute. */
    pass: async (minutes: number, next: Partial<StoredWatchFacts> = {}) => {
      facts = { ...NOTHING, ...next };
      for (let i = 0; i < minutes; i++) {
        minute += 1;
        monotonicMinute += 1;
        await service.look();
      }
    },
  };
}

const SILENT = {
  health: {
    ...NOTHING.health,
    gateways: [gateway("02005E1000000001", 700), gateway("02005E1000000002", 690)],
  },
};
const subjects = (told: readonly WatchMessage[]) =>
  told.map(({ subject }) => subject.replace("Orchard: ", ""));

describe("the watches of a service", () => {
  it("tell a three-hour outage of two gateways by two messages, also across restarts", async () => {
    const orchard = site({ watches: [{ watch: "gateway-silent", minutes: 10 }], tell: [] });
    await orchard.pass(5);
    await orchard.pass(60, SILENT);
    orchard.restart();
    await orchard.pass(60, SILENT);
    orchard.restart();
    await orchard.pass(60, SILENT);
    await orchard.pass(60);
    orchard.restart();
    await orchard.pass(10);
    expect(subjects(orchard.told)).toEqual([
      "Begins: 2 gateways silent",
      expect.stringMatching(
        /^Over: 2 gateways silent, 2\u202Fh 59\u202Fmin$|^Over: 2 gateways silent, 3\u202Fh/,
      ),
    ]);
  });

  it("tell loss only where chance does not explain it, and not what an outage took", async () => {
    const rule = { watch: "node-loss", share: 0.1 };
    const toldAfter = async (change: Partial<NodeHealth>) => {
      const orchard = site({ watches: [rule] });
      await orchard.pass(5, { health: { ...NOTHING.health, nodes: [node("01A2B3C4", change)] } });
      return subjects(orchard.told);
    };
    // Wilson's lower limits: 9 of 60 is 8.1 %, 12 of 60 is 11.8 %.
    expect(await toldAfter({ missed: 9 })).toEqual([]);
    expect(await toldAfter({ missed: 12 })).toEqual(["Begins: 1 node above the limit of loss"]);
    expect(await toldAfter({ missed: 12, missedDuringOutage: 12 })).toEqual([]);
    expect(await toldAfter({ missed: 12, isStranger: true })).toEqual([]);
    expect(await toldAfter({ missed: 5, expected: 9 })).toEqual([]);
  });

  it("tell a finding once, by its cause, and none that was there at the first look", async () => {
    const orchard = site({ watches: [{ watch: "finding", causes: ["interference"] }] });
    const finding = (id: string, cause: "interference" | "weak-link") => ({
      id,
      cause,
      fromUs: START_MS * 1000,
      sentence: "Interrupted for 9 min.",
    });
    await orchard.pass(3, { findings: [finding("old", "interference")] });
    await orchard.pass(30, {
      findings: [
        finding("old", "interference"),
        finding("new", "interference"),
        finding("other", "weak-link"),
      ],
    });
    expect(orchard.told.flatMap(({ changes }) => changes.flatMap(({ things }) => things))).toEqual([
      "interference: Interrupted for 9 min.",
    ]);
  });

  it("tell that nothing is recorded, that the clock was set back, and that a channel is louder", async () => {
    const orchard = site({
      watches: [{ watch: "not-recording" }, { watch: "clock-stepped" }, { watch: "noise-up", db: 6 }],
      mostAnHour: 60,
    });
    await orchard.pass(2);
    Object.assign(orchard.storage, { storage: "failed", storageWords: "The disk is full." });
    await orchard.pass(4);
    orchard.setClock(-3);
    await orchard.pass(12, { noise: [{ gateway: "Shed", frequencyHz: 868_100_000, riseDb: 7.25 }] });
    const things = orchard.told.flatMap(({ changes }) => changes.flatMap((change) => change.things));
    expect(things).toContain("The disk is full.");
    expect(things).toContain("This machine's clock was set back by 3\u202Fmin.");
    expect(things).toContain("868.1\u202FMHz at Shed has become 7.3\u202FdB louder.");
  });

  it("end no incident while the store cannot be read", async () => {
    const orchard = site({ watches: [{ watch: "gateway-silent" }] });
    await orchard.pass(5, SILENT);
    orchard.setReadable(false);
    await orchard.pass(30);
    expect(subjects(orchard.told)).toEqual(["Begins: 2 gateways silent"]);
    orchard.setReadable(true);
    await orchard.pass(10);
    expect(orchard.told).toHaveLength(2);
  });

  it("are those of the page where the file names none, and stay after a restart", async () => {
    const orchard = site(null);
    expect(orchard.service.view().rulesFrom).toBe("nobody");
    expect(await orchard.service.setRules([{ watch: "gateway-silent", minutes: 5 }])).toMatchObject({
      ok: true,
    });
    orchard.restart();
    expect(orchard.service.view()).toMatchObject({
      rulesFrom: "page",
      rules: [{ watch: "gateway-silent", minutes: 5 }],
    });
    await orchard.pass(5, SILENT);
    expect(orchard.service.summary()).toMatchObject({
      open: 1,
      newest: { subject: "Orchard: Begins: 2 gateways silent" },
    });
    expect(await site({ watches: [] }).service.setRules([])).toBeNull();
  });
});

describe("the routes of watches", () => {
  it("show and take rules, refuse wrong ones, and send a test message", async () => {
    const orchard = site(null);
    const { app } = await serviceUnderTest({ watch: orchard.service });
    const put = (payload: unknown) =>
      app.inject({ method: "PUT", url: "/api/watches", payload: payload as Record<string, unknown> });
    expect((await app.inject("/api/watches")).json()).toMatchObject({ rulesFrom: "nobody", rules: [] });
    expect((await put({ rules: [{ watch: "node-overdue" }] })).json()).toMatchObject({ rulesFrom: "page" });
    expect((await put({ rules: [{ watch: "gateway-silent", minutes: -1 }] })).statusCode).toBe(400);
    const sent = await app.inject({ method: "POST", url: "/api/watches/test" });
    expect(sent.json()).toMatchObject({ test: true, subject: "Orchard: test message of Mastlog" });
    expect(orchard.told).toHaveLength(1);
    expect((await app.inject("/api/status")).json().watch.newest.id).toBe(sent.json().id);
  });

  it("refuse rules of the page where a file has them", async () => {
    const { app } = await serviceUnderTest({ watch: site({ watches: [] }).service });
    const answer = await app.inject({ method: "PUT", url: "/api/watches", payload: { rules: [] } });
    expect([answer.statusCode, answer.json().code]).toEqual([409, "watches-in-file"]);
  });
});
