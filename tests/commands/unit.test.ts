import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, describe, expect, it, vi } from "vitest";
import { reportToSupervisor, unitCommand, unitText } from "../../src/commands/unit.ts";
import { run } from "./run-command.ts";

const facts = { node: "/usr/bin/node", program: "/usr/lib/node_modules/mastlog/src/setup/mastlog.mjs" };
const lineOf = (unit: string, name: string) =>
  unit
    .split("\n")
    .find((line) => line.startsWith(`${name}=`))
    ?.slice(name.length + 1);

describe("the systemd unit", () => {
  it("starts this installation as a user of its own, with the store in its state folder", () => {
    const unit = unitText({ ...facts, words: [] });
    expect(lineOf(unit, "ExecStart")).toBe(
      "/usr/bin/node /usr/lib/node_modules/mastlog/src/setup/mastlog.mjs listen --db %S/mastlog/mastlog.db",
    );
    expect([lineOf(unit, "DynamicUser"), lineOf(unit, "StateDirectory")]).toEqual(["yes", "mastlog"]);
    expect([lineOf(unit, "Restart"), lineOf(unit, "WantedBy")]).toEqual(["on-failure", "multi-user.target"]);
  });

  it("passes the words of listen on as they are, whatever signs they hold", () => {
    const words = ["--db", "/srv/site.db", "--token-file", '/etc/my "own" 5% $x\\token'];
    expect(lineOf(unitText({ ...facts, words }), "ExecStart")).toBe(
      `/usr/bin/node ${facts.program} listen --db /srv/site.db --token-file "/etc/my \\"own\\" 5%% $$x\\\\token"`,
    );
  });

  it("can read an installation in a home folder, and says what that needs", () => {
    const unit = unitText({ ...facts, program: "/home/pat/mastlog/src/setup/mastlog.mjs", words: [] });
    expect(lineOf(unit, "ProtectHome")).toBe("read-only");
    expect(unit).toContain("# Node or Mastlog lies in a home folder");
    expect(lineOf(unitText({ ...facts, words: [] }), "ProtectHome")).toBe("yes");
  });

  const hasSystemd = spawnSync("systemd-analyze", ["--version"]).status === 0;
  it.skipIf(!hasSystemd)("passes systemd-analyze verify as it is printed", async () => {
    const { out, exitCode } = await run(unitCommand(), "--", "--relay", "ns.example:1700");
    expect(exitCode).toBe(0);
    const folder = mkdtempSync(join(tmpdir(), "mastlog-unit-"));
    const file = join(folder, "mastlog.service");
    // The program's file is there only once it is built.
    writeFileSync(file, out.replace(/(?<=^ExecStart=\S+ )\S+/m, "/bin/true"));
    const { status, stdout, stderr } = spawnSync("systemd-analyze", ["verify", file], { encoding: "utf8" });
    rmSync(folder, { recursive: true });
    expect([status, stdout, stderr]).toEqual([0, "", ""]);
  });
});

describe("what a supervisor is told", () => {
  afterEach(() => vi.useRealTimers());

  it("is that the service is ready, that it lives, three times in each interval, and that it ends", () => {
    vi.useFakeTimers();
    const words: string[] = [];
    const environment = { NOTIFY_SOCKET: "/run/systemd/notify", WATCHDOG_USEC: "120000000" };
    const stop = reportToSupervisor({ environment, notify: (word) => words.push(word) });
    vi.advanceTimersByTime(120_000);
    stop();
    vi.advanceTimersByTime(120_000);
    expect(words).toEqual(["READY=1", "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1", "STOPPING=1"]);
  });

  it("is nothing where there is none", () => {
    const words: string[] = [];
    reportToSupervisor({ environment: {}, notify: (word) => words.push(word) })();
    expect(words).toEqual([]);
  });
});
