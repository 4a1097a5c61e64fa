import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { cleanUp, type Ended, repository, runProgram, spawnProgram, temporaryFolder } from "./program.ts";
import { cutSample, rows } from "./scenarios.ts";

let folder = "";

beforeAll(async () => {
  folder = temporaryFolder();
  const scenario = cutSample("orchard-bench.json", "0:04:00", folder);
  const made = await run("simulate", scenario, "--pcap", "site.pcap", "--truth", "truth.json");
  const read = await run("import", "site.pcap", "--db", "site.db");
  expect([made.status, read.status, made.err, read.err]).toEqual([0, 0, "", ""]);
  writeFileSync(join(folder, "text.db"), "This is no store but a letter.\n".repeat(100));
  writeFileSync(join(folder, "letter.pcap"), "This is no capture.\n");
  writeFileSync(join(folder, "wrong.json"), '{"nwkSKey":"00000000000000000000000000000001"}');
  writeFileSync(join(folder, "secret.json"), '{"nwkSKey":"not a key at all"}');
});
afterAll(cleanUp);

function run(...words: string[]): Promise<Ended> {
  return runProgram(words, folder);
}

// A data frame of the air: made for this test, MIC from no key.
const FRAME = "40C4B3A2010005000221A5C3F00D4411";

function expectOneSentence({ status, out, err }: Ended, contains: string): void {
  expect({ status, out }).toEqual({ status: 2, out: "" });
  expect(err).toMatch(/^[^\n]+\n$/);
  expect(err).toContain(contains);
  // A sentence for a person, no trace for a programmer.
  expect(err).not.toMatch(/\bat .*:\d+:\d+|node_modules|Error:/);
}

// Most of a command's time is its start: they run side by side.
describe.concurrent("wrong usage and unreadable input", () => {
  it("mastlog alone prints its help on stderr and ends with 2", async () => {
    const { status, out, err } = await run();
    expect({ status, out }).toEqual({ status: 2, out: "" });
    expect(err).toMatch(/^Usage: mastlog /);
    expect(err.match(/Usage:/g)?.length).toBe(1);
  });

  it("a reader that has enough of the output is no fault", async () => {
    const child = spawnProgram(["airtime", "--sf", "7", "--size", "23"], temporaryFolder());
    child.stdout?.destroy();
    const err: Buffer[] = [];
    child.stderr?.on("data", (octets: Buffer) => err.push(octets));
    const status = await new Promise((resolve) => child.once("close", resolve));
    expect(Buffer.concat(err).toString()).toBe("");
    expect(status).toBe(0);
  });

  it("a command explains itself on stdout and ends with 0", async () => {
    const { status, out, err } = await run("nodes", "--help");
    expect({ status, err }).toEqual({ status: 0, err: "" });
    expect(out).toMatch(/^Usage: mastlog nodes /);
  });

  it("mastlog --version prints the package's version", async () => {
    const { version } = JSON.parse(readFileSync(join(repository, "package.json"), "utf8")) as {
      version: string;
    };
    expect(await run("--version")).toEqual({ status: 0, out: `${version}\n`, err: "" });
  });

  // The others are tests/commands/mistakes.test.ts, without a start of the program each.
  const mistakes: [string, string[], string][] = [
    ["an unknown command", ["nods"], "nods"],
    ["a missing argument", ["decode"], "payload"],
    ["a key file that does not exist", ["decode", FRAME, "--keys", "none.json"], "key file"],
    ["a store that is none, to be written", ["import", "site.pcap", "--db", "text.db"], "text.db"],
    ["a store in a folder that does not exist", ["rebuild", "--db", "none/site.db"], "none/site.db"],
    ["a capture that is none", ["import", "letter.pcap", "--db", "site.db"], "letter.pcap"],
    ["listen with a port that is none", ["listen", "--udp-port", "seventeen"], "port"],
    [
      "listen with a token that is easily guessed",
      ["listen", "--udp-port", "0", "--web-port", "0", "--token", "abc"],
      "token",
    ],
    [
      "listen on an address that is not this machine's",
      ["listen", "--udp-port", "0", "--web-port", "0", "--host", "192.0.2.1", "--token", "x".repeat(20)],
      "192.0.2.1",
    ],
    [
      "listen for gateways on an address that is not this machine's",
      // A store of its own: the service of the case before may run beside it.
      ["listen", "--udp-port", "0", "--web-port", "0", "--udp-host", "192.0.2.1", "--db", "unheard.db"],
      "--udp-host",
    ],
  ];
  it.each(mistakes)("%s: one sentence on stderr, nothing on stdout, 2", async (_what, words, contains) => {
    expectOneSentence(await run(...words), contains);
  });

  it("a key file's trouble is told without a letter of the key", async () => {
    const ended = await run("decode", FRAME, "--keys", "secret.json");
    expectOneSentence(ended, "nwkSKey");
    expect(ended.err).not.toContain("not a key");
  });

  it("reading commands do not make a store that is not there", async () => {
    await run("nodes", "--db", "none.db");
    expect((await run("air", "--db", "none.db")).status).toBe(2);
  });
});

describe.concurrent("exit code 1: it ran, and the answer is bad", () => {
  it("decode of a frame whose MIC the keys prove wrong", async () => {
    const { status, out, err } = await run("decode", FRAME, "--keys", "wrong.json", "--json");
    expect({ status, err }).toEqual({ status: 1, err: "" });
    expect(JSON.parse(out)).toMatchObject({ micValid: false });
  });

  it("decode of octets that are no sound frame", async () => {
    const { status, out, err } = await run("decode", "40C4B3", "--json");
    expect({ status, err }).toEqual({ status: 1, err: "" });
    expect((JSON.parse(out) as { error?: unknown }).error).toBeDefined();
  });
});

/** stdout of a command that succeeded: one JSON document and nothing else. */
async function jsonOf(...words: string[]): Promise<Record<string, unknown>> {
  const { status, out, err } = await run(...words);
  expect({ status, err }).toEqual({ status: 0, err: "" });
  return JSON.parse(out) as Record<string, unknown>;
}

describe("--json", () => {
  // What stands in each document is in tests/commands/json-keys.test.ts, without a start of the program each.
  it("import prints one document for all its files", async () => {
    const { captures } = await jsonOf("import", "site.pcap", "site.pcap", "--db", "again.db", "--json");
    expect(rows(captures).map(({ readBefore }) => readBefore)).toEqual([false, true]);
    expect(rows(captures)[0]).toMatchObject({ file: "site.pcap", refused: 0 });
  });
});
