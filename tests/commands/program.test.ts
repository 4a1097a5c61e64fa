/** Does every command of the README's table exist, explain itself, and answer a mistake with one sentence? */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { runMastlog } from "../../src/commands/program.ts";
import { printedBy } from "./run-command.ts";

const mastlog = (...words: string[]) => printedBy(() => runMastlog(words));

/** The commands of the README's table: what a reader may count on. */
const readme = readFileSync(new URL("../../README.md", import.meta.url), "utf8");
const table = readme.slice(readme.indexOf("| command | does |"));
const COMMANDS = [
  ...new Set(
    table
      .slice(0, table.indexOf("\n\n"))
      .split("\n")
      .slice(2)
      .flatMap((line) =>
        [...(line.split("|")[1] ?? "").matchAll(/`(\w+)[^`]*`/g)].map(([, name]) => name ?? ""),
      ),
  ),
];

/** Those that need the store. */
const STORE_COMMANDS = ["listen", "import", "gateways", "nodes", "air", "rebuild"];

describe("the commands of the README's table", () => {
  it("are those that the program offers", async () => {
    const { out, err, exitCode } = await mastlog("--help");
    expect({ err, exitCode }).toEqual({ err: "", exitCode: 0 });
    const offered = [...out.matchAll(/^ {2}([a-z]+) /gm)]
      .map(([, name]) => name)
      .filter((name) => name !== "help");
    expect(offered.sort()).toEqual([...COMMANDS].sort());
    expect(COMMANDS.length).toBeGreaterThan(8);
    expect(out).toContain("Exit codes: 0 success; 1 it ran and the answer is bad; 2 wrong usage");
  });

  it.each(COMMANDS)("%s --help explains itself on stdout and ends with 0", async (command) => {
    const { out, err, exitCode } = await mastlog(command, "--help");
    expect({ err, exitCode }).toEqual({ err: "", exitCode: 0 });
    expect(out).toMatch(new RegExp(`^Usage: mastlog ${command} `));
    expect(out.length).toBeGreaterThan(150);
    if (!STORE_COMMANDS.includes(command)) return;
    expect(out).toContain("--db <file>");
    expect(out).toContain('default: "mastlog.db"');
    expect(out).toContain("MASTLOG_DB");
  });

  it.each(COMMANDS)("%s with an option that it does not know: one sentence, 2", async (command) => {
    const { out, err, exitCode } = await mastlog(command, "--no-such-option");
    expect({ out, exitCode }).toEqual({ out: "", exitCode: 2 });
    expect(err).toMatch(/^[^\n]*--no-such-option[^\n]*\n$/);
  });
});
