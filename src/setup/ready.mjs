/**
 * Is this checkout ready to run? Plain JavaScript, because nothing is installed yet when it starts: installs
 * what package-lock.json names and builds what changed, and is done in milliseconds when nothing is missing.
 */
import { spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { readdirSync, readFileSync, renameSync, rmSync, statSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { bindingFault, bindingSentence, buildNeedsHere } from "./native.mjs";
import { withProgress } from "./progress.mjs";
import { inTurn } from "./turn.mjs";

export const root = fileURLToPath(new URL("../../", import.meta.url));

const INSTALL_STAMP = join(root, "node_modules/.mastlog-installed");
const BUILD_STAMP = join(root, "dist/.built");

/**
 * Installs and builds what is missing; without `sqlite` or `build`, not these. Ends the process with a plain sentence
 * when it cannot.
 */
export function makeReady({ build = true, sqlite = true } = {}) {
  const major = Number(process.versions.node.split(".")[0]);
  if (major < 20) giveUp(`Mastlog needs Node 20 or newer; this is ${process.version}.`);
  if (isInstalled() && (!sqlite || bindingFault() === null) && (!build || isBuilt())) return;
  inTurn(root, () => {
    ensureInstalled();
    if (sqlite) ensureBinding();
    if (build) ensureBuilt();
  });
}

/** Runs a program with its output on stderr (stdout belongs to the command), and gives its exit code. */
export function run(program, args, { env = {}, stdout = "stderr" } = {}) {
  const result = spawnSync(program, args, {
    cwd: root,
    stdio: ["ignore", stdout === "stderr" ? 2 : "inherit", "inherit"],
    env: { ...process.env, ...env },
    shell: process.platform === "win32",
  });
  if (result.error) giveUp(`${program} could not be started: ${result.error.message}`);
  return result.status ?? 1;
}

/** Runs a program that a package brings. */
export function runTool(name, args, options) {
  return run(process.execPath, [toolPath(name), ...args], options);
}

export function giveUp(sentence) {
  process.stderr.write(`${sentence}\n`);
  process.exit(2);
}

/** By us, or by npm itself: a person may have run `npm ci`. */
const isInstalled = () => bears(INSTALL_STAMP, wantedInstall()) || isInstalledByNpm();
const isBuilt = () => bears(BUILD_STAMP, digest(sourceList()));

function wantedInstall() {
  return digest(readFileSync(join(root, "package-lock.json")));
}

/**
 * npm notes in node_modules/.package-lock.json what it has put there: the packages of package-lock.json, without the
 * project itself, and without those for other systems (docs.npmjs.com, package-lock.json, "Hidden Lockfiles"; what is
 * left out was tried with npm 10). Whether that is exactly what is wanted here.
 */
function isInstalledByNpm() {
  try {
    const packagesOf = (file) => JSON.parse(readFileSync(join(root, file), "utf8")).packages;
    const wanted = packagesOf("package-lock.json");
    const there = packagesOf("node_modules/.package-lock.json");
    const sameThing = (name) =>
      wanted[name]?.version === there[name].version && wanted[name]?.integrity === there[name].integrity;
    const isHere = (name) => name in there || name === "" || wanted[name].optional === true;
    return Object.keys(there).every(sameThing) && Object.keys(wanted).every(isHere);
  } catch {
    return false;
  }
}

/** Whether a stamp is there and is this one. Another process may be replacing what it stands in. */
function bears(stamp, wanted) {
  try {
    return readFileSync(stamp, "utf8") === wanted;
  } catch {
    return false;
  }
}

function ensureInstalled() {
  if (isInstalled()) return;
  const wanted = wantedPackages();
  process.stderr.write(
    `Installing the ${wanted.length} packages that package-lock.json names (the first time takes a minute)…\n`,
  );
  const progress = {
    what: "packages",
    files: wanted.map((name) => join(root, name, "package.json")),
    done: "All packages are there; linking them",
  };
  // The one package whose script is wanted is SQLite's: see ensureBinding. What the cache holds is not asked for again.
  const args = ["ci", "--ignore-scripts", "--prefer-offline", "--no-audit", "--no-fund", "--no-progress"];
  if (withProgress(progress, () => run("npm", [...args, "--loglevel=error"])) !== 0)
    giveUp(`npm could not install the packages: see above. ${buildNeedsHere()}`);
  writeFileSync(INSTALL_STAMP, wantedInstall());
}

/** The packages that every system gets: those for others are optional. */
function wantedPackages() {
  const { packages = {} } = JSON.parse(readFileSync(join(root, "package-lock.json"), "utf8"));
  return Object.keys(packages).filter((name) => name !== "" && packages[name].optional !== true);
}

/** After an installation, or a change of Node, SQLite's binding is fetched, or compiled where it cannot be. */
function ensureBinding() {
  const fault = bindingFault();
  if (fault === null) return;
  process.stderr.write(
    `Making SQLite ready for Node ${process.version} (compiling takes a minute or more)…\n`,
  );
  const args = ["rebuild", "better-sqlite3", "--no-progress", "--loglevel=error"];
  // node-gyp compiles on all cores when asked to.
  const rebuild = () => run("npm", args, { env: { JOBS: process.env.JOBS ?? "max" } });
  const status = withProgress({ what: "SQLite" }, rebuild);
  const left = bindingFault();
  if (status !== 0 || left !== null)
    giveUp(`${bindingSentence(left ?? fault, process.version)}\n${buildNeedsHere()}`);
}

function ensureBuilt() {
  const wanted = digest(sourceList());
  if (bears(BUILD_STAMP, wanted)) return;
  process.stderr.write("Building (1 of 3: server)…\n");
  // Built aside and moved in at the end: a service that is running from dist/ keeps its files until then.
  const aside = join(root, `node_modules/.mastlog-build-${process.pid}`);
  const remove = (folder) => rmSync(folder, { recursive: true, force: true });
  remove(aside);
  if (runTool("typescript/tsc", ["-p", "tsconfig.json", "--outDir", join(aside, "server")]) !== 0) {
    remove(aside);
    giveUp("The build failed: see above.");
  }
  for (const [at, what, config, folder] of [
    [2, "program", "src/setup/program.config.mjs", "program"],
    [3, "dashboard", "web/vite.config.ts", "web"],
  ]) {
    process.stderr.write(`  ${at} of 3: ${what}…\n`);
    const outDir = ["--outDir", join(aside, folder), "--emptyOutDir"];
    if (runTool("vite/vite", ["build", "--config", config, ...outDir, "--logLevel", "warn"]) === 0) continue;
    remove(aside);
    giveUp(`The build of the ${what} failed: see above.`);
  }
  writeFileSync(join(aside, ".built"), wanted);
  remove(join(root, "dist"));
  try {
    renameSync(aside, join(root, "dist"));
  } catch {
    // Where nobody could wait for a turn, another process was quicker: its build is as good.
    remove(aside);
  }
}

/** Every source file with its size and time: changes whenever a build would differ. */
function sourceList() {
  const files = ["src", "web", "tsconfig.json", "package-lock.json"].flatMap((name) =>
    filesUnder(join(root, name)),
  );
  return files
    .map((file) => {
      const { size, mtimeMs } = statSync(file);
      return `${file} ${size} ${mtimeMs}`;
    })
    .join("\n");
}

function filesUnder(path) {
  if (!statSync(path).isDirectory()) return [path];
  return readdirSync(path)
    .sort()
    .flatMap((name) => filesUnder(join(path, name)));
}

/** The script behind a package's command: "package/command". */
export function toolPath(name) {
  const [scope, ...rest] = name.split("/");
  const packageName = name.startsWith("@") ? `${scope}/${rest[0]}` : scope;
  const command = name.startsWith("@") ? rest[1] : rest[0];
  const manifest = JSON.parse(readFileSync(join(root, "node_modules", packageName, "package.json"), "utf8"));
  const bin = typeof manifest.bin === "string" ? manifest.bin : manifest.bin[command];
  return join(root, "node_modules", packageName, bin);
}

function digest(content) {
  return createHash("sha256").update(content).digest("hex");
}
