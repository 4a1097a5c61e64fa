import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it, vi } from "vitest";
import { checkCommand, gapsCommand } from "../../src/commands/view-commands.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives } from "../views/a-site.ts";
import { type Printed, run } from "./run-command.ts";

const PROBE = "01A2B3C4";
const QUIET = "01A2B3C5";
const TO_S = 900;

let folder = "";
let path = "";

/** A service listened for 15 minutes. The shed was in reach throughout; the tower fell silent after 5 minutes. */
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-check-"));
  path = join(folder, "site.db");
  const db = openStore(path);
  const recorder = new Recorder(db, judgeGap);
  recorder.listen(START_US, "start");
  // Counters 0 to 44 every 20 s; every ninth is lost: 5 of 45.
  const heard = Array.from({ length: 45 }, (_, n) => n).filter((n) => n % 9 !== 4);
  const traffic = [
    ...heard.map((n) => push(SHED, n * 20 + 1, [{ payload: phy(PROBE, n) }])),
    ...[0, 1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => push(SHED, n * 20 + 3, [{ payload: phy(QUIET, n) }])),
    ...keepalives(SHED, 0, TO_S),
    ...keepalives(TOWER, 0, 300),
  ].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  for (const { arrival, ...rest } of traffic)
    recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
  recorder.heartbeat(START_US + TO_S * 1e6, true);
  while (recorder.workOnGaps({ patient: false, nowUs: START_US + TO_S * 1e6 }));
  recorder.close();
  db.close();
});
afterAll(() => rmSync(folder, { recursive: true }));

/** The command so many seconds after the begin. */
async function check(atS: number, ...words: string[]): Promise<Printed> {
  const clock = vi.spyOn(Date, "now").mockReturnValue(START_US / 1000 + atS * 1000);
  try {
    const printed = await run(checkCommand(), "--db", path, ...words);
    return { ...printed, out: printed.out.replace(/\u202F/g, " ") };
  } finally {
    clock.mockRestore();
  }
}

describe("the check command", () => {
  it("ends with 1 and one line for a gateway that fell silent and a node that lost too much", async () => {
    expect(await check(TO_S, "--max-loss", "5%")).toEqual({
      out: `Not well: gateway ${TOWER} silent for 10 min 10 s; node ${PROBE} lost 11.1 % (5 of 45); node ${QUIET} silent for 11 min 57 s.\n`,
      err: "",
      exitCode: 1,
    });
  });

  it("ends with 0 for what was asked for and is well", async () => {
    const words = ["--gateway", SHED.toLowerCase(), "--node", PROBE, "--max-loss", "0.2"];
    expect(await check(TO_S, ...words)).toEqual({
      out: "Well: 1 gateway in reach, 1 node within 20 % loss, over 15 min recorded.\n",
      err: "",
      exitCode: 0,
    });
    expect((await check(TO_S, "--gateway", TOWER, "--max-silence", "15m")).exitCode).toBe(0);
  });

  it("ends with 2 when the service has stopped, and its silence is nobody's", async () => {
    const { out, exitCode } = await check(TO_S + 1_800, "--gateway", SHED);
    expect([out, exitCode]).toEqual(["Cannot tell: nothing was recorded for 30 min.\n", 2]);
  });

  it("prints its rows as JSON, with the same exit code", async () => {
    const { out, exitCode } = await check(TO_S, "--json", "--node", PROBE, "--max-loss", "0.05");
    expect([JSON.parse(out).state, exitCode]).toEqual(["not-well", 1]);
    expect(JSON.parse(out).rows).toMatchObject([{ kind: "node", id: PROBE, state: "not-well" }]);
  });

  it.each([
    [["--max-loss", "lots"], "--max-loss takes a share such as 5% or 0.05."],
    [["--max-loss", "5"], "--max-loss takes a share such as 5% or 0.05."],
    [["--window", "soon"], "--window takes a time such as 60s or 5m."],
    [["--gateway", "shed"], "The gateway's identifier is 16 hex digits, such as 02005E1000000001."],
    [["--node", "probe"], "A node is named by its device address, 8 hex digits, such as 01A2B3C4."],
  ])("refuses %j in one sentence, with 2", async (words, sentence) => {
    expect(await check(TO_S, ...words)).toEqual({ out: "", err: `${sentence}\n`, exitCode: 2 });
  });
});

describe("gaps --fail-on", () => {
  it("ends with 1 only for a cause that was found, and refuses one that does not exist", async () => {
    const gaps = (causes: string) => run(gapsCommand(), "--db", path, "--fail-on", causes);
    const found = Object.keys(
      JSON.parse((await run(gapsCommand(), "--db", path, "--json")).out).counts.own.byCause,
    );
    expect(found).toContain("node-silent");
    expect((await gaps("interference, node-silent")).exitCode).toBe(1);
    expect((await gaps("interference")).exitCode).toBe(0);
    expect(await gaps("sunspots")).toMatchObject({
      exitCode: 2,
      err: expect.stringMatching(/^--fail-on knows no cause "sunspots"; it takes gateway-unreachable, /),
    });
  });
});
