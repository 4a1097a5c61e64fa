import { describe, expect, it } from "vitest";
import type { WatchMessage } from "../../src/contract/watches.ts";
import type { NodeHealth } from "../../src/diagnosis/check.ts";
import { serviceUnderTest } from "./parts.ts";
import { gateway, NOTHING, node, START_MS, watchedSite } from "./watched-site.ts";

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
    const orchard = watchedSite({ watches: [{ watch: "gateway-silent", minutes: 10 }], tell: [] });
    await orchard.pass(5);
    await orchard.pass(60, SILENT);
    await orchard.restart();
    await orchard.pass(60, SILENT);
    await orchard.restart();
    await orchard.pass(60, SILENT);
    await orchard.pass(60);
    await orchard.restart();
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
      const orchard = watchedSite({ watches: [rule] });
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

  it("are narrowed to a site, whose loss is one of its own", async () => {
    const site = "Mill Lower";
    const orchard = watchedSite({
      watches: [
        { watch: "site-loss", share: 0.1, site },
        { watch: "node-loss", share: 0.1, site },
        { watch: "gateway-silent", minutes: 10, site },
      ],
    });
    const bad = {
      health: {
        ...NOTHING.health,
        nodes: [node("01A2B3C4", { missed: 30 })],
        gateways: [gateway("02005E1000000009", 700)],
      },
    };
    await orchard.pass(5, bad, { Elsewhere: bad });
    expect(orchard.told).toEqual([]);
    await orchard.pass(5, {}, { [site]: bad });
    expect(orchard.told.flatMap(({ changes }) => changes.flatMap(({ things }) => things)).sort()).toEqual([
      "All nodes together lost 50.0\u202F% (30 of 60) at Mill Lower in the last hour.",
      "Gateway 02005E1000000009 has been silent for 11\u202Fmin 40\u202Fs.",
      "Node 01A2B3C4 lost 50.0\u202F% (30 of 60) at Mill Lower in the last hour.",
    ]);
  });

  it("tell a finding once, by its cause, and none that was there at the first look", async () => {
    const orchard = watchedSite({ watches: [{ watch: "finding", causes: ["interference"] }] });
    const finding = (id: string, cause: "interference" | "weak-link") => ({
      id,
      cause,
      where: null,
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
    const orchard = watchedSite({
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
    const orchard = watchedSite({ watches: [{ watch: "gateway-silent" }] });
    await orchard.pass(5, SILENT);
    orchard.setReadable(false);
    await orchard.pass(30);
    expect(subjects(orchard.told)).toEqual(["Begins: 2 gateways silent"]);
    orchard.setReadable(true);
    await orchard.pass(10);
    expect(orchard.told).toHaveLength(2);
  });

  it("are those of the page where the file names none, and stay after a restart", async () => {
    const orchard = watchedSite(null);
    expect(orchard.service.view().rulesFrom).toBe("nobody");
    expect(await orchard.service.setRules([{ watch: "gateway-silent", minutes: 5 }])).toMatchObject({
      ok: true,
    });
    await orchard.restart();
    expect(orchard.service.view()).toMatchObject({
      rulesFrom: "page",
      rules: [{ watch: "gateway-silent", minutes: 5 }],
    });
    await orchard.pass(5, SILENT);
    expect(orchard.service.summary()).toMatchObject({
      open: 1,
      newest: { subject: "Orchard: Begins: 2 gateways silent" },
    });
    expect(await watchedSite({ watches: [] }).service.setRules([])).toBeNull();
  });
});

describe("a message that could not be delivered", () => {
  const rule = { watches: [{ watch: "gateway-silent", minutes: 10 }] };

  it("is sent after a restart of the service, and one that was delivered is not sent again", async () => {
    const orchard = watchedSite(rule);
    await orchard.pass(5, SILENT);
    orchard.setReachable(false);
    await orchard.pass(10);
    expect(subjects(orchard.told)).toEqual(["Begins: 2 gateways silent"]);
    await orchard.restart();
    await orchard.restart();
    expect(orchard.told).toHaveLength(1);
    orchard.setReachable(true);
    await orchard.restart();
    expect(subjects(orchard.told)).toEqual([
      "Begins: 2 gateways silent",
      expect.stringMatching(/^Over: 2 gateways silent/),
    ]);
    await orchard.restart();
    expect(orchard.told).toHaveLength(2);
    expect(new Set(orchard.told.map(({ id }) => id)).size).toBe(2);
  });

  it("is given up a day after it was made, and the log says so; a test message is not kept", async () => {
    const orchard = watchedSite(rule);
    orchard.setReachable(false);
    await orchard.pass(5, SILENT);
    orchard.service.test();
    orchard.setClock(24 * 60);
    orchard.setReachable(true);
    await orchard.restart();
    await orchard.restart();
    expect(orchard.told).toEqual([]);
    expect(orchard.lines).toEqual([
      '"Orchard: Begins: 2 gateways silent" could not be sent to test within a day: given up.',
    ]);
  });

  it("is dropped with a line where its recipient is none any more", async () => {
    const sent: string[] = [];
    const ways = [
      { name: "old", send: async () => Promise.reject(new Error("no line")) },
      { name: "new", send: async ({ id }: WatchMessage) => void sent.push(id) },
    ];
    const orchard = watchedSite(rule, ways);
    await orchard.pass(5, SILENT);
    ways.shift();
    await orchard.restart();
    expect(orchard.lines).toEqual([
      'old is no recipient any more: "Orchard: Begins: 2 gateways silent" is dropped.',
    ]);
    expect(sent).toHaveLength(1);
  });
});

describe("the routes of watches", () => {
  it("show and take rules, refuse wrong ones, and send a test message", async () => {
    const orchard = watchedSite(null);
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
    const { app } = await serviceUnderTest({ watch: watchedSite({ watches: [] }).service });
    const answer = await app.inject({ method: "PUT", url: "/api/watches", payload: { rules: [] } });
    expect([answer.statusCode, answer.json().code]).toEqual([409, "watches-in-file"]);
  });
});
