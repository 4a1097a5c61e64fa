/** Is every mistake of a command line, and every input that cannot be read, answered with one sentence and 2? */
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { runMastlog } from "../../src/commands/program.ts";
import { closeStore, openStore } from "../../src/store/open.ts";
import { printedBy } from "./run-command.ts";

let folder = "";

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-mistakes-"));
  closeStore(openStore(join(folder, "site.db")));
  writeFileSync(join(folder, "text.db"), "This is no store but a letter.\n".repeat(100));
  writeFileSync(join(folder, "site.pcap"), "");
  writeFileSync(join(folder, "wrong.json"), '{"nodes":[]}');
});
afterAll(() => rmSync(folder, { recursive: true }));

// A data frame of the air: made for this test, MIC from no key.
const FRAME = "40C4B3A2010005000221A5C3F00D4411";

/** What is wrong, the words (in FOLDER stand the files of above), and what the sentence names. */
const MISTAKES: [string, string, string][] = [
  ["import without a file", "import", "file"],
  ["one argument too many", "nodes 01A2B3C4", "argument"],
  ["a payload that is neither hex nor base64", "decode zz!", "neither hex nor base64"],
  ["a counter out of range", `decode ${FRAME} --fcnt-high 70000`, "--fcnt-high"],
  ["a spreading factor that LoRa has not", "airtime --sf 13 --size 10", "sf"],
  ["airtime without a size", "airtime --sf 7", "size"],
  ["a time that is none", "nodes --db FOLDER/site.db --from yesterday", "--from"],
  ["a store that does not exist", "nodes --db FOLDER/none.db", "none.db"],
  ["a store that is none", "gateways --db FOLDER/text.db", "text.db"],
  ["a capture that does not exist", "import FOLDER/none.pcap --db FOLDER/site.db", "none.pcap"],
  ["a folder as a capture", "import FOLDER --db FOLDER/site.db", "mastlog-mistakes-"],
  ["a port that is none", "import FOLDER/site.pcap --udp-port 70000 --db FOLDER/site.db", "--udp-port"],
  ["simulate without a destination", "simulate", "--to"],
  ["a scenario that does not exist", "simulate FOLDER/none.json --pcap FOLDER/x.pcap", "none.json"],
  ["a scenario that is none", "simulate FOLDER/wrong.json --pcap FOLDER/x.pcap", "wrong.json"],
  ["simulate into a folder that does not exist", "simulate --pcap FOLDER/none/x.pcap", "none/x.pcap"],
];

describe("wrong usage and unreadable input", () => {
  it.each(MISTAKES)("%s: one sentence on stderr, nothing on stdout, 2", async (_what, line, contains) => {
    const words = line.split(" ").map((word) => word.replace("FOLDER", folder));
    const { out, err, exitCode } = await printedBy(() => runMastlog(words));
    expect({ out, exitCode }).toEqual({ out: "", exitCode: 2 });
    expect(err).toMatch(/^[^\n]+\n$/);
    expect(err).toContain(contains);
    // A sentence for a person, no trace for a programmer.
    expect(err).not.toMatch(/\bat .*:\d+:\d+|node_modules|Error:/);
  });
});
