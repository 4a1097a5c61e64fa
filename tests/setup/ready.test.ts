import { createHash } from "node:crypto";
import { existsSync, mkdirSync, readdirSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, describe, expect, it } from "vitest";
import { MiniatureCheckout } from "./checkout.ts";

// One checkout for all, since every start of a tool costs: each test leaves it installed and built.
const checkout = new MiniatureCheckout();
afterAll(() => checkout.dispose());

const names = (calls: readonly string[]) => calls.map((call) => call.split(" ")[0]);

describe.skipIf(process.platform === "win32")("a checkout that is made ready", () => {
  it("installs and builds at first: npm ci, the server, the dashboard, in this order", () => {
    const { status, out, calls } = checkout.run("build.mjs");
    expect({ status, out }).toEqual({ status: 0, out: "" });
    expect(names(calls)).toEqual(["npm", "tsc", "vite", "vite"]);
    expect(calls[0]).toMatch(/^npm ci /);
    expect(checkout.has("dist/server/main.js")).toBe(true);
    expect(checkout.has("dist/web/index.html")).toBe(true);
  });

  it("calls nothing and says nothing when nothing has changed", () => {
    const again = checkout.run("build.mjs");
    expect({ status: again.status, out: again.out, err: again.err }).toEqual({ status: 0, out: "", err: "" });
    expect(again.calls).toEqual([]);
  });

  it.each([
    ["a source of the server", "src/main.ts", "export const source = 2;\n"],
    ["a new source", "src/ledger/new.ts", "export const added = 1;\n"],
    ["a source of the dashboard", "web/src/page.tsx", "export const page = 22;\n"],
    ["a table of the server", "src/radio/table.json", '{"value":22}'],
    ["the compiler's settings", "tsconfig.json", '{"include":["src"]}'],
  ])("builds anew, without installing, when %s has changed", (_what, file, text) => {
    checkout.write(file, text);
    const { status, err, calls } = checkout.run("build.mjs");
    expect(status).toBe(0);
    expect(names(calls)).toEqual(["tsc", "vite", "vite"]);
    expect(err).toContain("Building");
  });

  it("builds anew when a source was removed, and leaves nothing of it in dist", () => {
    checkout.write("src/radio/gone.ts", "export const gone = 1;");
    checkout.run("build.mjs");
    checkout.write("dist/server/radio/gone.js", "export const gone = 1;");
    checkout.remove("src/radio/gone.ts");
    expect(names(checkout.run("build.mjs").calls)).toEqual(["tsc", "vite", "vite"]);
    expect(checkout.has("dist/server/radio/gone.js")).toBe(false);
  });

  it("builds anew when dist is gone", () => {
    checkout.remove("dist");
    expect(names(checkout.run("build.mjs").calls)).toEqual(["tsc", "vite", "vite"]);
    expect(checkout.has("dist/server/main.js")).toBe(true);
  });

  it("builds once when several commands start at once; the others wait and find it done", async () => {
    checkout.write("src/main.ts", "export const source = 77;\n");
    const { statuses, calls, said } = await checkout.runTogether("build.mjs", 3);
    expect(statuses).toEqual([0, 0, 0]);
    expect(names(calls)).toEqual(["tsc", "vite", "vite"]);
    expect(said.match(/Building/g)).toHaveLength(1);
    expect(checkout.has("dist/server/main.js")).toBe(true);
  });

  it("takes the turn of a process that is gone, and gives its own back", () => {
    const name = createHash("sha256").update(`${checkout.folder}/`).digest("hex").slice(0, 16);
    const turn = join(tmpdir(), `mastlog-turn-${name}`);
    mkdirSync(turn);
    // No process of a machine bears the highest number there is.
    writeFileSync(join(turn, "pid"), String(2 ** 31 - 1));
    checkout.write("src/main.ts", "export const source = 78;\n");
    expect(names(checkout.run("build.mjs").calls)).toEqual(["tsc", "vite", "vite"]);
    expect(existsSync(turn)).toBe(false);
  });

  it("does not build for tests or notes", () => {
    checkout.write("tests/some.test.ts", "");
    checkout.write("README.md", "# Notes");
    expect(checkout.run("build.mjs").calls).toEqual([]);
  });

  it("installs again when package-lock.json names something else", () => {
    checkout.write("package-lock.json", '{"lockfileVersion":3,"packages":{}}');
    expect(names(checkout.run("build.mjs").calls)).toEqual(["npm", "tsc", "vite", "vite"]);
  });

  it("does not install a second time after a person ran npm ci", () => {
    const one = { version: "1.2.3", integrity: "sha512-one" };
    const lock = { "": { name: "orchard" }, "node_modules/one": one };
    const elsewhere = { "node_modules/elsewhere": { version: "1.0.0", optional: true } };
    checkout.write("package-lock.json", JSON.stringify({ packages: { ...lock, ...elsewhere } }));
    const noted = (packages: object) =>
      checkout.write("node_modules/.package-lock.json", JSON.stringify({ packages }));
    noted({ "node_modules/one": one });
    expect(names(checkout.run("build.mjs").calls)).toEqual(["tsc", "vite", "vite"]);
    // Another version, and a package that is not wanted any more or not there yet.
    for (const there of [
      { "node_modules/one": { ...one, version: "1.2.4" } },
      { "node_modules/one": { ...one, integrity: "sha512-two" } },
      { "node_modules/one": one, "node_modules/old": one },
      {},
    ]) {
      checkout.remove("node_modules/.mastlog-installed");
      noted(there);
      expect(names(checkout.run("build.mjs").calls)).toEqual(["npm"]);
    }
    checkout.remove("node_modules/.package-lock.json");
  });

  it.each(["tsc", "vite"])(
    "keeps the last build whole and ends with 2 when %s fails, and tries again",
    (name) => {
      checkout.write("src/main.ts", `export const changedBefore = "${name}";\n`);
      checkout.write(`fail-${name}`, "");
      const failed = checkout.run("build.mjs");
      expect(failed.status).toBe(2);
      expect(failed.err).toMatch(/The build[^\n]* failed: see above\.\n$/);
      expect(checkout.has("dist/server/main.js")).toBe(true);
      expect(checkout.has("dist/web/index.html")).toBe(true);
      checkout.remove(`fail-${name}`);
      expect(names(checkout.run("build.mjs").calls)).toEqual(["tsc", "vite", "vite"]);
      const left = readdirSync(join(checkout.folder, "node_modules")).filter((one) => one.includes("build"));
      expect(left).toEqual([]);
    },
  );

  it("says in a sentence that npm could not install, ends with 2, and tries again", () => {
    checkout.write("package-lock.json", '{"lockfileVersion":3,"name":"orchard"}');
    checkout.write("fail-npm", "");
    const { status, err } = checkout.run("build.mjs");
    expect(status).toBe(2);
    expect(err).toContain("npm could not install the packages");
    checkout.remove("fail-npm");
    expect(names(checkout.run("build.mjs").calls)).toEqual(["npm", "tsc", "vite", "vite"]);
  });

  it("runs the built program after that, its arguments untouched and stdout its own", () => {
    const program = "process.stdout.write(JSON.stringify(process.argv.slice(2)) + '\\n');\n";
    checkout.write("dist/program/main.js", program);
    const { status, out, err, calls } = checkout.run("mastlog.mjs", "nodes", "--json", "a b");
    expect({ status, out, err, calls }).toEqual({
      status: 0,
      out: '["nodes","--json","a b"]\n',
      err: "",
      calls: [],
    });
  });
});
