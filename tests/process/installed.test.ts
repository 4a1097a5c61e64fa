/**
 * The package, installed into an empty folder by npm without a network, and run as an unprivileged user. What npm would
 * fetch lies there before: SQLite's package as this checkout has it, built.
 */
import { spawnSync } from "node:child_process";
import {
  cpSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  statSync,
  symlinkSync,
  writeFileSync,
} from "node:fs";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { GatewaySocket, uplink } from "./gateway-socket.ts";
import {
  cleanUp,
  type Ended,
  endOf,
  programFile,
  repository,
  spawnKept,
  temporaryFolder,
} from "./program.ts";
import { until } from "./service.ts";

/** "nobody" on every Unix; where the tests are not root's, they are unprivileged already. */
const NOBODY = { uid: 65_534, gid: 65_534 };
const isRoot = process.getuid?.() === 0;
const user = isRoot ? NOBODY : {};

/** Ends what hangs; a busy machine is given time. */
const INSTALL_WITHIN_MS = 180_000;

let folder = "";
let place = "";
let elsewhere = "";
let home = "";
let packed: { filename: string; files: { path: string }[] };

const environment = () => ({
  HOME: home,
  XDG_DATA_HOME: "",
  npm_config_cache: join(folder, "cache"),
  npm_config_update_notifier: "false",
});

beforeAll(async () => {
  programFile();
  folder = temporaryFolder();
  place = join(folder, "place");
  elsewhere = join(folder, "elsewhere");
  home = join(folder, "home");
  // Built already: `prepack` would find nothing to do.
  const words = ["pack", "--json", "--ignore-scripts", "--pack-destination", folder];
  const pack = spawnSync("npm", words, { cwd: repository, encoding: "utf8" });
  const answer = JSON.parse(pack.stdout);
  packed = Array.isArray(answer) ? answer[0] : Object.values(answer)[0];
  for (const made of [place, elsewhere, home, join(folder, "cache")]) mkdirSync(made);
  for (const [name, bins] of closure("better-sqlite3")) {
    cpSync(join(repository, "node_modules", name), join(place, "node_modules", name), {
      recursive: true,
      filter: (file) =>
        !/better-sqlite3\/(deps|src|build\/(?!Release$|Release\/better_sqlite3\.node))/.test(file),
    });
    // npm fetches anew what lacks its commands.
    mkdirSync(join(place, "node_modules/.bin"), { recursive: true });
    for (const [command, file] of bins)
      symlinkSync(join("..", name, file), join(place, "node_modules/.bin", command));
  }
  if (isRoot) spawnSync("chown", ["-R", `${NOBODY.uid}:${NOBODY.gid}`, folder]);
  const install = ["install", "--offline", "--ignore-scripts", "--no-audit", join(folder, packed.filename)];
  const { status, err } = await run("npm", install, place);
  expect({ status, err }).toEqual({ status: 0, err: "" });
}, INSTALL_WITHIN_MS);
afterAll(cleanUp);

/** A package and all that it needs, by package-lock.json, each with its commands. */
function closure(name: string): Map<string, [command: string, file: string][]> {
  const { packages } = JSON.parse(readFileSync(join(repository, "package-lock.json"), "utf8"));
  const names = new Set([name]);
  for (const one of names)
    for (const needed of Object.keys(packages[`node_modules/${one}`].dependencies ?? {})) names.add(needed);
  return new Map([...names].map((one) => [one, Object.entries(packages[`node_modules/${one}`].bin ?? {})]));
}

function run(program: string, words: string[], from: string): Promise<Ended> {
  const child = spawnKept(program, words, from, environment(), user);
  child.stdin?.end();
  return endOf(child);
}

const mastlog = (...words: string[]) => run(join(place, "node_modules/.bin/mastlog"), words, elsewhere);

describe.skipIf(process.platform === "win32")("the package, installed by npm without a network", () => {
  it("holds what runs and no sources, and needs no package but SQLite", () => {
    const paths = packed.files.map(({ path }) => path);
    for (const needed of ["dist/program/main.js", "dist/web/index.html", "README.md", "LICENSE"])
      expect(paths).toContain(needed);
    expect(paths.filter((path) => /\.(ts|tsx|map)$|^tests\//.test(path))).toEqual([]);
    expect(
      readdirSync(join(repository, "migrations")).every((file) => paths.includes(`migrations/${file}`)),
    ).toBe(true);
    const { dependencies } = JSON.parse(
      readFileSync(join(place, "node_modules/mastlog/package.json"), "utf8"),
    );
    expect(Object.keys(dependencies)).toEqual(["better-sqlite3"]);
  });

  it("listens from any folder, stores in the user's data folder, and lists what it heard", async () => {
    const store = join(home, ".local/share/mastlog/mastlog.db");
    const words = ["listen", "--udp-port", "0", "--udp-host", "127.0.0.1", "--web-port", "0"];
    const child = spawnKept(join(place, "node_modules/.bin/mastlog"), words, elsewhere, environment(), user);
    const ended = endOf(child);
    let out = "";
    child.stdout?.on("data", (text: string) => {
      out += text;
    });
    const ready = await until(
      () => /UDP port (\d+) .* dashboard at (\S+)\n/.exec(out),
      (line) => line !== null || child.exitCode !== null,
      30_000,
    );
    const socket = await GatewaySocket.open(Number(ready?.[1]));
    const one = uplink(1);
    await socket.send(one.bytes);
    expect((await socket.answerTo(one.number))?.bytes.length).toBe(4);
    await socket.close();
    const page = await fetch(ready?.[2] ?? "");
    expect([page.status, (await page.text()).includes("<script")]).toEqual([200, true]);
    const nodes = await until(
      async () => JSON.parse((await mastlog("nodes", "--json")).out).nodes,
      (list: unknown[]) => list.length > 0,
    );
    expect(nodes).toMatchObject([{ devAddr: one.devAddr, heard: 1, receptions: 1 }]);
    child.kill("SIGTERM");
    expect(await ended).toEqual({ status: 0, out, err: `The store is ${store}\n` });
    // Nothing of it elsewhere, and for the user alone.
    expect(readdirSync(elsewhere)).toEqual([]);
    expect(existsSync(join(place, "node_modules/mastlog/mastlog.db"))).toBe(false);
    expect([statSync(store).mode & 0o777, statSync(join(store, "..")).mode & 0o777]).toEqual([0o600, 0o700]);
    expect(statSync(store).uid).toBe(isRoot ? NOBODY.uid : process.getuid?.());
  });

  it("reads a file named from where the person stands, and names its default store in --help", async () => {
    writeFileSync(join(elsewhere, "walk.jsonl"), "no capture\n");
    const { status, err } = await mastlog("import", "walk.jsonl");
    expect([status, err]).toEqual([
      2,
      expect.stringMatching(/^walk\.jsonl: The file is neither a packet capture/),
    ]);
    expect((await mastlog("nodes", "--help")).out).toContain(join(home, ".local/share/mastlog/mastlog.db"));
    const { status: missing, err: sentence } = await mastlog("nodes", "--db", "none.db");
    expect([missing, sentence]).toEqual([
      2,
      expect.stringContaining(`There is no store ${elsewhere}/none.db.`),
    ]);
  });

  it("says the one command that mends SQLite where its library does not load", async () => {
    writeFileSync(
      join(place, "node_modules/better-sqlite3/build/Release/better_sqlite3.node"),
      "of another machine",
    );
    const { status, out, err } = await mastlog("nodes", "--json");
    expect([status, out]).toEqual([2, ""]);
    expect(err).toContain(`Run this command once: npm --prefix "${place}" rebuild better-sqlite3\n`);
    expect(err).toContain("npm needs the network");
  });
});
