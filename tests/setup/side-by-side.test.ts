import { mkdtempSync, rmSync } from "node:fs";
import { getPriority, tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
// @ts-expect-error Plain JavaScript: it runs before anything is built.
import { runParts } from "../../src/setup/side-by-side.mjs";

interface Part {
  readonly name: string;
  readonly commands: readonly (readonly string[])[];
  readonly needs?: readonly string[];
  readonly computes?: boolean;
  readonly env?: Readonly<Record<string, string>>;
  readonly after?: () => void;
}

const node = (code: string) => [process.execPath, "-e", code];
const saying = (text: string) => node(`console.log(${JSON.stringify(text)})`);
/** Runs until it is stopped. */
const ENDLESS = node("setInterval(() => {}, 1000)");

async function run(parts: readonly Part[]): Promise<{ failed: string | null; printed: string }> {
  let printed = "";
  const write = (text: string) => {
    printed += text;
  };
  const failed = await runParts(parts, { cwd: process.cwd(), write });
  return { failed, printed: printed.replace(/: \d+ s$/gm, ": N s") };
}

describe("parts that run side by side", { timeout: 120_000 }, () => {
  it("a part begins once all that it needs have passed, in whatever order they are listed", async () => {
    const { failed, printed } = await run([
      { name: "third", commands: [saying("three")], needs: ["first", "second"] },
      { name: "first", commands: [saying("one")] },
      { name: "second", commands: [saying("two")], needs: ["first"] },
    ]);
    expect(failed).toBeNull();
    expect(printed).toBe(
      [
        "── first: begins\n\n── first\none\n── first: N s",
        "── second: begins\n\n── second\ntwo\n── second: N s",
        "── third: begins\n\n── third\nthree\n── third: N s\n",
      ].join("\n"),
    );
  });

  it("parts that need nothing of each other run at one time", async () => {
    // Each waits for a word that only the other's start brings: by a file of the other's.
    const meets = (own: string, other: string) =>
      node(`
        const { existsSync, writeFileSync } = require("node:fs");
        writeFileSync(${JSON.stringify(own)}, "");
        setInterval(() => existsSync(${JSON.stringify(other)}) && process.exit(0), 20);
      `);
    const folder = mkdtempSync(join(tmpdir(), "mastlog-parts-"));
    const { failed } = await run([
      { name: "left", commands: [meets(`${folder}/left`, `${folder}/right`)] },
      { name: "right", commands: [meets(`${folder}/right`, `${folder}/left`)] },
    ]);
    rmSync(folder, { recursive: true });
    expect(failed).toBeNull();
  });

  it("what a part prints stands in one piece, errors included, between its head and its end", async () => {
    const slow = node("console.log('a1'); console.error('a2'); setTimeout(() => console.log('a3'), 300)");
    const { printed } = await run([
      { name: "slow", commands: [slow, saying("a4")] },
      { name: "quick", commands: [saying("b1")] },
    ]);
    const [slowText] = /── slow\n[^─]*/.exec(printed) ?? [];
    expect(slowText?.split("\n").sort().join(" ").trim()).toBe("a1 a2 a3 a4 ── slow");
    expect(printed).toContain("── quick\nb1\n── quick: N s\n");
  });

  it("the first part that fails is named; what runs beside it is stopped, what needs it never begins", async () => {
    const ended: string[] = [];
    const { failed, printed } = await run([
      { name: "endless", commands: [ENDLESS], computes: true, after: () => ended.push("endless") },
      { name: "bad", commands: [saying("broken"), node("process.exit(3)"), saying("too much")] },
      { name: "never", commands: [saying("never")], needs: ["bad"] },
    ]);
    expect(failed).toBe("bad");
    expect(ended).toEqual(["endless"]);
    expect(printed).toContain("── bad\nbroken\n── bad: N s\n");
    expect(printed).not.toContain("too much");
    expect(printed).not.toContain("never");
    expect(printed).not.toContain("── endless: N s");
  });

  it("a program that cannot be started, or is killed, fails its part", async () => {
    expect(await run([{ name: "none", commands: [["/no/such/program"]] }])).toMatchObject({
      failed: "none",
      printed: expect.stringContaining("/no/such/program could not be started"),
    });
    const killed = node("process.kill(process.pid, 'SIGKILL')");
    expect(await run([{ name: "killed", commands: [killed] }])).toMatchObject({ failed: "killed" });
  });

  it("a part has its own variables", async () => {
    const tells = node("console.log(process.env.MASTLOG_TEST_PART)");
    const { printed } = await run([
      { name: "plain", commands: [tells], env: { MASTLOG_TEST_PART: "quick" } },
    ]);
    expect(printed).toContain("── plain\nquick\n");
  });

  it.skipIf(process.platform === "win32")("a part that computes gives way to the others", async () => {
    // Set once the program has been started, so it looks until it is so.
    const looks = `const { getPriority } = require("node:os");
      setInterval(() => getPriority() > ${getPriority()} && process.exit(0), 20);`;
    expect(await run([{ name: "computes", commands: [node(looks)], computes: true }])).toMatchObject({
      failed: null,
    });
  });
});
