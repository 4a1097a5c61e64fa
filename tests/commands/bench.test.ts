import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { benchCommand } from "../../src/commands/bench.ts";
import { BenchTable, BenchView, ReceiverView } from "../../src/contract/index.ts";
import { openStore } from "../../src/store/open.ts";
import { writeBenchRecord, writeBenchReference } from "../../src/store/settings.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, record, statusAt } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

const COPIED = "AA555A0000000000";

let site: StoreFile;
let empty: StoreFile;
beforeAll(() => {
  site = storeFile([
    ...keepalives(SHED, 0, 300),
    ...Array.from({ length: 10 }, (_, i) => statusAt(SHED, 30 * i)),
    ...Array.from({ length: 12 }, (_, i) => push(SHED, 20 * i + 3, [{ payload: phy("01A2B3C4", i) }])),
    ...keepalives(COPIED, 0, 300),
  ]);
  empty = storeFile([]);
});
afterAll(() => {
  site.remove();
  empty.remove();
});

describe("the bench command", () => {
  it("prints one JSON document in the shape of the view, and nothing else", async () => {
    const { out, err, exitCode } = await run(benchCommand(), SHED, "--db", site.path, "--json");
    const view = BenchView.parse(JSON.parse(out));
    expect(view.eui).toBe(SHED);
    expect(view.items.find(({ id }) => id === "keepalives")).toMatchObject({ state: "pass", value: 10 });
    expect([err, exitCode]).toEqual(["", 0]);
  });

  it("measures the receiver when asked, with what it lacks", async () => {
    const { out } = await run(benchCommand(), SHED, "--db", site.path, "--receiver");
    expect(out).toContain(`Not enough yet to measure the receiver of gateway ${SHED}`);
    for (const line of out.split("\n")) expect(line.length).toBeLessThanOrEqual(100);
    const json = await run(benchCommand(), SHED, "--db", site.path, "--receiver", "--json");
    const { receiver } = JSON.parse(json.out) as { receiver: unknown };
    expect(ReceiverView.parse(receiver)).toMatchObject({ eui: SHED, verdict: "not enough" });
    const all = await run(benchCommand(), "--all", "--receiver", "--db", site.path);
    expect([all.exitCode, all.err]).toEqual([2, expect.stringContaining("--receiver takes one gateway")]);
  });

  it("prints the list under its verdict, fit for a page of 100 columns", async () => {
    const { out } = await run(benchCommand(), SHED, "--db", site.path);
    const lines = out.trimEnd().split("\n");
    expect(lines[0]).toMatch(new RegExp(`^Bench of gateway ${SHED}: . (pass|warn|waiting)$`));
    expect(out.replaceAll("\u202F", " ")).toMatch(
      /✓ pass {5}Keepalives +every 10 s\n {11}30 keepalives, one every 10 s, none missing\./,
    );
    expect(Math.max(...lines.map((line) => [...line].length))).toBeLessThanOrEqual(100);
  });

  it("reads the identifier as it is printed on a case", async () => {
    const { exitCode } = await run(benchCommand(), "02-00-5e-10:00:00:00:01", "--db", site.path, "--json");
    expect(exitCode).toBe(0);
  });

  it("ends with exit code 1 when a check fails", async () => {
    const { out, exitCode } = await run(benchCommand(), COPIED, "--db", site.path, "--json");
    const view = BenchView.parse(JSON.parse(out));
    expect([view.verdict, exitCode]).toEqual(["fail", 1]);
  });

  it("says of an unknown identifier which ones are known, with exit code 2", async () => {
    const { out, err, exitCode } = await run(benchCommand(), TOWER, "--db", site.path);
    expect([out, exitCode]).toEqual(["", 2]);
    expect(err).toMatch(
      new RegExp(
        `^No gateway ${TOWER} was heard; known are \\w{16} and \\w{16}\\. Did you mean ${SHED}\\?\n$`,
      ),
    );
    const far = await run(benchCommand(), "02005E10000FFFFF", "--db", site.path);
    expect(far.err).toMatch(
      /none of its datagrams arrived: check its server address, its port and the firewall/,
    );
    expect(far.exitCode).toBe(2);
    const none = await run(benchCommand(), TOWER, "--db", empty.path);
    expect(none.err).toBe(`No gateway ${TOWER} was heard, nor any other.\n`);
  });

  it("refuses an unknown plan with all names and exit code 2", async () => {
    const { out, err, exitCode } = await run(benchCommand(), SHED, "--expect", "EU869", "--db", site.path);
    expect([out, exitCode]).toEqual(["", 2]);
    expect(err).toMatch(
      /^--expect knows no plan "EU869"; it takes one of EU868, US915, US915\/1 to US915\/8, .*ISM2400\.\n$/,
    );
  });

  it("measures against the reference that was set for the bench, unless told otherwise", async () => {
    const ids = async (...words: string[]) => {
      const { out } = await run(benchCommand(), SHED, "--db", site.path, "--json", ...words);
      const { items, reference } = BenchView.parse(JSON.parse(out));
      return [reference?.eui, reference?.maxOffsetDb, items.some(({ part }) => part === "reference")];
    };
    expect(await ids()).toEqual([undefined, undefined, false]);
    const db = openStore(site.path);
    writeBenchReference(db, { eui: COPIED, maxOffsetDb: 1.5, maxLossPoints: 1 });
    try {
      expect(await ids()).toEqual([COPIED, 1.5, true]);
      expect(await ids("--max-offset", "4")).toEqual([COPIED, 4, true]);
      expect(await ids("--no-reference")).toEqual([undefined, undefined, false]);
    } finally {
      writeBenchReference(db, null);
      db.close();
    }
  });

  it("shows all gateways in a table, those that fail first, with exit code 1", async () => {
    const { out, exitCode } = await run(benchCommand(), "--all", "--db", site.path, "--json");
    const { gateways } = BenchTable.parse(JSON.parse(out));
    expect(gateways.map(({ eui, verdict }) => [eui, verdict])).toEqual([
      [COPIED, "fail"],
      [SHED, expect.stringMatching(/pass|warn|waiting/)],
    ]);
    expect(gateways[0]?.fault).toMatchObject({ id: "identifier", state: "fail" });
    expect(exitCode).toBe(1);
    const text = await run(benchCommand(), "--all", "--db", site.path);
    expect(text.out).toMatch(/^2 gateways, 20.*\n\n✕ FAIL {5}AA555A0000000000 .*1 failed/);
    expect(text.out).toMatch(/Identifier: This is the identifier of the sample configuration/);
  });

  it("says each gateway in one line where that is asked for", async () => {
    const db = openStore(site.path);
    writeBenchRecord(db, {
      eui: SHED,
      serial: "FO-1207",
      signedOffUs: Date.parse("2026-03-14T12:00:00Z") * 1000,
    });
    try {
      const all = await run(benchCommand(), "--all", "--brief", "--db", site.path);
      const lines = all.out.trimEnd().split("\n");
      expect(lines).toHaveLength(3);
      expect(lines[1]).toMatch(/^✕ FAIL +AA555A0000000000 .*Identifier$/);
      expect(lines[2]).toMatch(new RegExp(`${SHED} +.*FO-1207 +2026-03-14T12:00:00.000Z`));
      const one = await run(benchCommand(), SHED, "--brief", "--db", site.path);
      expect(one.out.trimEnd().split("\n").at(-1)).toContain("FO-1207");
      const whole = await run(benchCommand(), SHED, "--db", site.path);
      expect(whole.out).toContain("serial or order FO-1207, signed off 2026-03-14T12:00:00.000Z");
    } finally {
      writeBenchRecord(db, { eui: SHED, serial: null, signedOffUs: null });
      db.close();
    }
  });

  it("notes a serial number, and signs off what did not pass only when asked to, until it is taken back", async () => {
    const bench = (...words: string[]) => run(benchCommand(), SHED, "--brief", "--db", site.path, ...words);
    const before = JSON.parse((await bench("--json")).out);
    expect([before.verdict, before.serial, before.signedOff]).toEqual(["warn", null, null]);
    const refused = await bench("--sign-off", "--serial", " FO-1208 ");
    expect(refused.exitCode).toBe(1);
    expect(refused.err).toBe("Not signed off: a check is to be looked at. With --anyway it is.\n");
    expect(refused.out).toMatch(/FO-1208 +Packets arrived\n$/);
    const fromMs = Date.now();
    const signed = await bench("--sign-off", "--anyway");
    expect(signed).toMatchObject({ err: "", exitCode: 0 });
    const [, at = ""] = /FO-1208 +(\S+Z) /.exec(signed.out) ?? [];
    expect(Date.parse(at)).toBeGreaterThanOrEqual(fromMs);
    expect(JSON.parse((await bench("--json")).out)).toMatchObject({ serial: "FO-1208", signedOff: at });
    await bench("--take-back", "--serial", "");
    expect(JSON.parse((await bench("--json")).out)).toMatchObject({ serial: null, signedOff: null });
  });

  it("refuses a signing off of all, of none, and a serial number of two lines", async () => {
    const said = async (...words: string[]) => {
      const { err, exitCode } = await run(benchCommand(), ...words, "--db", site.path);
      expect(exitCode).toBe(2);
      return err;
    };
    expect(await said("--all", "--sign-off")).toContain("take one gateway, not --all");
    expect(await said(SHED, "--sign-off", "--take-back")).toContain("exclude each other");
    expect(await said(SHED, "--anyway")).toContain("needs --sign-off");
    expect(await said(SHED, "--serial", "a\nb")).toContain("one line of plain text");
  });

  it("holds a gateway against the plan that is expected", async () => {
    const { out, exitCode } = await run(
      benchCommand(),
      SHED,
      "--expect",
      "us915/2",
      "--db",
      site.path,
      "--json",
    );
    const view = BenchView.parse(JSON.parse(out));
    expect(view.expected).toBe("US915/2");
    expect(view.items.find(({ id }) => id === "region")).toMatchObject({
      state: "fail",
      figure: "0 of 12",
      advice: expect.stringMatching(/903\.9 to 905\.3/),
    });
    expect(exitCode).toBe(1);
  });

  it("ends with exit code 1 for a known gateway that sent nothing in the window", async () => {
    const span = ["--from", "2026-03-14T10:00:00Z", "--to", "2026-03-14T11:00:00Z"];
    const { out, exitCode } = await run(benchCommand(), SHED, ...span, "--db", site.path);
    expect(out).toMatch(/Nothing was recorded in this window.*last heard\s+5\d\u202Fmin \d+\u202Fs ago/s);
    expect(exitCode).toBe(1);
  });

  it.each([
    [["--all", SHED], "--all takes no gateway: it shows every one.\n"],
    [[], "Give the identifier of a gateway, or --all for a table of all.\n"],
    [
      [SHED, "--max-offset", "2"],
      "--max-offset and --max-loss need --reference: no reference is set for this bench.\n",
    ],
    [[SHED, "--reference", SHED], "A gateway cannot be its own reference.\n"],
    [[SHED, "--reference", COPIED, "--max-loss", "much"], "--max-loss takes points, 0 to 100.\n"],
    [["shed"], "The gateway's identifier is 16 hex digits, such as 02005E1000000001.\n"],
    [[SHED, "--wait", "soon"], "--wait takes a time such as 60s or 5m.\n"],
    [[SHED, "--from", "noon"], "--from takes a time such as 2026-03-14T09:00:00Z.\n"],
  ])("refuses %j in one sentence with exit code 2", async (words, sentence) => {
    const { out, err, exitCode } = await run(benchCommand(), ...words, "--db", site.path);
    expect({ out, err, exitCode }).toEqual({ out: "", err: sentence, exitCode: 2 });
  });
});

describe("the bench command that waits", () => {
  it("sees a gateway that comes while it sits, and answers when the time is over", async () => {
    const file = storeFile([]);
    const db = openStore(file.path);
    const nowS = (Date.now() * 1000 - START_US) / 1e6;
    const late = setTimeout(
      () =>
        record(
          db,
          [0, 1, 2].map((n) => pull(SHED, nowS - 20 + 10 * n, n)),
        ),
      300,
    );
    try {
      const { out, exitCode } = await run(benchCommand(), SHED, "--db", file.path, "--wait", "1s", "--json");
      const view = BenchView.parse(JSON.parse(out));
      expect(view.items.find(({ id }) => id === "keepalives")).toMatchObject({ state: "pass", value: 10 });
      expect([view.verdict, view.window.live, exitCode]).toEqual(["waiting", true, 0]);
    } finally {
      clearTimeout(late);
      db.close();
      file.remove();
    }
  });

  it("names the known gateways when the time is over and the one asked for never came", async () => {
    const { err, exitCode } = await run(benchCommand(), TOWER, "--db", site.path, "--wait", "0s");
    expect(exitCode).toBe(2);
    expect(err).toMatch(/^No gateway \w{16} was heard; known are/);
  });
});
