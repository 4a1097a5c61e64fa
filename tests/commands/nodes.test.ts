import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { nodesCommand } from "../../src/commands/view-commands.ts";
import { NodesView } from "../../src/contract/index.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { keepalives, moment } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

const PROBE = "01A2B3C4";
const FOREIGN = "26000001";

let site: StoreFile;
let empty: StoreFile;
beforeAll(() => {
  const heard = Array.from({ length: 20 }, (_, n) => n).filter((n) => n % 5 !== 3);
  site = storeFile([
    ...heard.map((n) => push(SHED, n * 10 + 1, [{ payload: phy(PROBE, n), snrDb: -3.5, rssiDbm: -109 }])),
    ...[0, 1, 2].map((n) => push(SHED, n * 60 + 5, [{ payload: phy(FOREIGN, n) }])),
    ...keepalives(SHED, 0, 200),
  ]);
  empty = storeFile([]);
});
afterAll(() => {
  site.remove();
  empty.remove();
});

describe("the nodes command", () => {
  it("prints one JSON document in the shape of the view, and nothing else", async () => {
    const { out, err, exitCode } = await run(nodesCommand(), "--db", site.path, "--json");
    const view = NodesView.parse(JSON.parse(out));
    expect(
      view.nodes.map(({ devAddr, heard, expected, missed }) => [devAddr, heard, expected, missed]),
    ).toEqual([
      [PROBE, 16, 20, 4],
      [FOREIGN, 3, 3, 0],
    ]);
    expect([err, exitCode]).toEqual(["", 0]);
  });

  it("prints the sentence, then a table in columns, then the strangers", async () => {
    const { out } = await run(nodesCommand(), "--db", site.path);
    const lines = out.trimEnd().split("\n");
    expect(lines[0]).toMatch(/^1 node and 1 stranger were heard in this window of 19\d|^1 node/);
    const header = lines[2] ?? "";
    const row = lines[3] ?? "";
    expect(header).toMatch(/^address +life +name/);
    expect(row.startsWith(PROBE)).toBe(true);
    // Figures end where their titles end.
    for (const [title, figure] of [
      ["heard", "16"],
      ["missed", "4"],
      ["rssi dBm", "\u2212109.0"],
      ["snr dB", "\u22123.5"],
      ["margin dB", "9.0"],
    ] as const) {
      const end = header.indexOf(title) + title.length;
      expect(row.slice(0, end).endsWith(` ${figure}`)).toBe(true);
    }
    expect(out).toMatch(new RegExp(`\\nStrangers\\naddress.*\\n${FOREIGN}`));
  });

  it("answers for the window between two times, its end left out", async () => {
    const window = ["--from", moment(1), "--to", moment(21)];
    const { out } = await run(nodesCommand(), "--db", site.path, "--json", ...window);
    const view = NodesView.parse(JSON.parse(out));
    expect(view.window).toEqual({ from: moment(1), to: moment(21), live: false });
    expect(view.nodes[0]).toMatchObject({ heard: 2, expected: 2 });
  });

  it("takes a date for its midnight in UTC", async () => {
    const { out } = await run(nodesCommand(), "--db", site.path, "--json", "--from", "2026-03-14");
    expect(JSON.parse(out).window.from).toBe("2026-03-14T00:00:00.000Z");
  });

  it("says of an empty store that no node was heard, without a table", async () => {
    const { out, exitCode } = await run(nodesCommand(), "--db", empty.path);
    expect(out).toMatch(/^No node was heard [^\n]*\.\n$/);
    expect(exitCode).toBe(0);
  });

  it.each([
    [["--from", "yesterday"], "--from takes a time such as 2026-03-14T09:00:00Z.\n"],
    [["--to", "2026-13-40"], "--to takes a time such as 2026-03-14T09:00:00Z.\n"],
    [["--from", moment(20), "--to", moment(10)], "--from must be earlier than --to.\n"],
    [["--from", moment(20), "--to", moment(20)], "--from must be earlier than --to.\n"],
    [["--db", ""], "--db takes the name of a file.\n"],
  ])("refuses %j in one sentence with exit code 2", async (words, sentence) => {
    const { out, err, exitCode } = await run(nodesCommand(), "--db", site.path, ...words);
    expect({ out, err, exitCode }).toEqual({ out: "", err: sentence, exitCode: 2 });
  });

  it("says in one line that a store is missing, and makes none", async () => {
    const path = `${site.path}.none`;
    const { out, err, exitCode } = await run(nodesCommand(), "--db", path);
    expect(out).toBe("");
    expect(err).toContain(path);
    expect(err.trimEnd().split("\n")).toHaveLength(1);
    expect(exitCode).toBe(2);
    expect((await run(nodesCommand(), "--db", path)).exitCode).toBe(2);
  });

  it("reads the store that MASTLOG_DB names where no --db is given", async () => {
    const before = process.env.MASTLOG_DB;
    process.env.MASTLOG_DB = site.path;
    try {
      const { out } = await run(nodesCommand(), "--json");
      expect(JSON.parse(out).nodes).toHaveLength(2);
    } finally {
      if (before === undefined) delete process.env.MASTLOG_DB;
      else process.env.MASTLOG_DB = before;
    }
  });
});
