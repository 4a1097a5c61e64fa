/** A checkout in miniature: the real scripts of src/setup, invented sources, and tools that only write down their call. */
import { spawn, spawnSync } from "node:child_process";
import {
  chmodSync,
  copyFileSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { delimiter, dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const SETUP = fileURLToPath(new URL("../../src/setup/", import.meta.url));

/** Ends what hangs: on a busy machine a start of Node alone takes seconds. */
const ENDS_MS = 120_000;

/** A stand-in for a package's command: notes its arguments in calls.log, makes what `--outDir` is to hold, or fails. */
function tool(name: string, makes: string): string {
  return `
const { appendFileSync, existsSync, mkdirSync, writeFileSync } = require("node:fs");
appendFileSync("calls.log", ${JSON.stringify(name)} + " " + process.argv.slice(2).join(" ") + "\\n");
if (existsSync(${JSON.stringify(`fail-${name}`)})) process.exit(3);
const out = process.argv[process.argv.indexOf("--outDir") + 1];
mkdirSync(out, { recursive: true });
writeFileSync(out + "/" + ${JSON.stringify(makes)}, "export const built = 1;\\n");
`;
}

/** npm, too: what \`npm ci\` brings is the two tools. */
const NPM = `#!/usr/bin/env node
const { appendFileSync, existsSync } = require("node:fs");
appendFileSync("calls.log", "npm " + process.argv.slice(2).join(" ") + "\\n");
process.exit(existsSync("fail-npm") ? 1 : 0);
`;

export interface Run {
  readonly status: number | null;
  readonly out: string;
  readonly err: string;
  /** Tools that were called, with their first arguments. */
  readonly calls: readonly string[];
}

export class MiniatureCheckout {
  readonly folder = mkdtempSync(join(tmpdir(), "mastlog-setup-"));

  constructor() {
    for (const script of [
      "ready.mjs",
      "turn.mjs",
      "native.mjs",
      "progress.mjs",
      "build.mjs",
      "mastlog.mjs",
    ]) {
      mkdirSync(join(this.folder, "src/setup"), { recursive: true });
      copyFileSync(join(SETUP, script), join(this.folder, "src/setup", script));
    }
    this.write("package.json", '{"type":"module"}');
    this.write("package-lock.json", '{"lockfileVersion":3}');
    this.write("tsconfig.json", "{}");
    this.write("src/main.ts", "export const source = 1;\n");
    this.write("src/radio/table.json", '{"value":1}');
    this.write("web/src/page.tsx", "export const page = 1;\n");
    this.write("node_modules/typescript/package.json", '{"bin":{"tsc":"tsc.cjs"}}');
    this.write("node_modules/typescript/tsc.cjs", tool("tsc", "main.js"));
    this.write("node_modules/vite/package.json", '{"bin":"vite.cjs"}');
    this.write("node_modules/vite/vite.cjs", tool("vite", "index.html"));
    this.write("bin/package.json", '{"type":"commonjs"}');
    this.write("bin/npm", NPM);
    chmodSync(join(this.folder, "bin/npm"), 0o755);
  }

  write(name: string, text: string): void {
    const path = join(this.folder, name);
    mkdirSync(dirname(path), { recursive: true });
    writeFileSync(path, text);
  }

  has(name: string): boolean {
    return existsSync(join(this.folder, name));
  }

  read(name: string): string {
    return readFileSync(join(this.folder, name), "utf8");
  }

  remove(name: string): void {
    rmSync(join(this.folder, name), { recursive: true, force: true });
  }

  run(script: string, ...words: string[]): Run {
    this.remove("calls.log");
    const { status, stdout, stderr } = spawnSync(
      process.execPath,
      [join(this.folder, "src/setup", script), ...words],
      {
        // From elsewhere: the scripts find their checkout by themselves.
        cwd: tmpdir(),
        encoding: "utf8",
        timeout: ENDS_MS,
        env: { ...process.env, PATH: `${join(this.folder, "bin")}${delimiter}${process.env.PATH ?? ""}` },
      },
    );
    const calls = this.has("calls.log") ? this.read("calls.log").trim().split("\n") : [];
    return { status, out: stdout, err: stderr, calls };
  }

  /** Several at once; what they called between them, and what each of them said. */
  async runTogether(
    script: string,
    count: number,
  ): Promise<{ statuses: (number | null)[]; calls: string[]; said: string }> {
    this.remove("calls.log");
    const said: string[] = [];
    const runs = Array.from({ length: count }, () => {
      const child = spawn(process.execPath, [join(this.folder, "src/setup", script)], {
        cwd: tmpdir(),
        stdio: ["ignore", "ignore", "pipe"],
        timeout: ENDS_MS,
        env: { ...process.env, PATH: `${join(this.folder, "bin")}${delimiter}${process.env.PATH ?? ""}` },
      });
      child.stderr.on("data", (octets: Buffer) => said.push(octets.toString()));
      return new Promise<number | null>((resolve) => child.once("close", resolve));
    });
    const statuses = await Promise.all(runs);
    const calls = this.has("calls.log") ? this.read("calls.log").trim().split("\n") : [];
    return { statuses, calls, said: said.join("") };
  }

  dispose(): void {
    rmSync(this.folder, { recursive: true, force: true });
  }
}
