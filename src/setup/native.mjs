/**
 * Does SQLite load under this Node? It is the one compiled part of Mastlog, made for one version of Node and one kind
 * of machine. Plain JavaScript: it speaks where nothing else of Mastlog can run yet.
 */
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";

const PACKAGE = "better-sqlite3";
const BINDING = "build/Release/better_sqlite3.node";

/**
 * Returns null when the binding loads, or where `from` finds no package at all. Else: the folder that holds
 * node_modules, what is wrong ("missing", "other-node" or "unloadable"), and the system's own words.
 */
export function bindingFault(from = import.meta.url) {
  const require = createRequire(from);
  let folder;
  try {
    folder = dirname(require.resolve(`${PACKAGE}/package.json`));
  } catch {
    return null;
  }
  const file = join(folder, BINDING);
  const holder = dirname(dirname(folder));
  if (!existsSync(file)) return { holder, kind: "missing", reason: `${file} is missing` };
  try {
    require(file);
    return null;
  } catch (error) {
    const reason = error instanceof Error ? error.message : String(error);
    // Node's words for a binary of another version (src/node_binding.cc).
    const kind = /NODE_MODULE_VERSION/.test(reason) ? "other-node" : "unloadable";
    return { holder, kind, reason: reason.replace(/\s+/g, " ").trim() };
  }
}

/** Returns the one command that mends it, for any shell. */
export function mendCommand(holder) {
  return `npm --prefix "${holder}" rebuild ${PACKAGE}`;
}

/** Returns what a person reads about the fault: what is wrong, and the command. */
export function bindingSentence({ holder, kind, reason }, nodeVersion) {
  const what = {
    missing: "SQLite is not built yet for this machine.",
    "other-node": `SQLite was built for another version of Node; this is ${nodeVersion}.`,
    unloadable: `SQLite cannot be loaded: ${reason}.`,
  }[kind];
  return `${what} Run this command once: ${mendCommand(holder)}`;
}

/** Commands that bring Python, make and a C++ compiler, by the system's ID or ID_LIKE (man os-release). */
const LINUX_TOOLS = [
  [["debian", "ubuntu"], "sudo apt-get install python3 make g++"],
  [["fedora", "rhel", "centos"], "sudo dnf install python3 make gcc-c++"],
  [["suse", "opensuse"], "sudo zypper install python3 make gcc-c++"],
  [["arch"], "sudo pacman -S --needed python make gcc"],
  [["alpine"], "sudo apk add python3 make g++"],
];

/** The package that brings the headers of the system's own Node, where one is known. */
const LINUX_HEADERS = [
  [["debian", "ubuntu"], "the package libnode-dev"],
  [["fedora", "rhel", "centos"], "the package nodejs-devel"],
];

/**
 * Returns what building SQLite needs on a system, in sentences. `osRelease`: the text of /etc/os-release, "" elsewhere.
 * The tools are those that node-gyp names for each system ("Installation" in its README).
 */
export function buildNeeds(platform, osRelease, nodeVersion) {
  const network = `npm needs the network: it fetches SQLite ready-made for Node ${nodeVersion}, or else Node's headers and compiles it.`;
  if (platform === "darwin")
    return `${network} To compile, install the Xcode Command Line Tools first: xcode-select --install`;
  if (platform === "win32")
    return `${network} To compile, install Python and the Visual Studio Build Tools with "Desktop development with C++" first.`;
  const ids = osRelease
    .split("\n")
    .map((line) => /^ID(?:_LIKE)?="?([^"]*)"?\s*$/.exec(line)?.[1] ?? "")
    .flatMap((text) => text.split(" "));
  const isOneOf = ([names]) => names.some((name) => ids.includes(name));
  const tools = LINUX_TOOLS.find(isOneOf)?.[1];
  const compile =
    tools === undefined
      ? "To compile, install Python 3, make and a C++ compiler first."
      : `To compile, first run: ${tools}.`;
  const headers = LINUX_HEADERS.find(isOneOf)?.[1];
  const offline =
    headers === undefined
      ? `Without a network, unpack node-${nodeVersion}-headers.tar.gz of nodejs.org and add --nodedir=FOLDER to the command.`
      : `Without a network and with the system's own Node, the headers are in ${headers}: add --nodedir=/usr to the command.`;
  return `${network} ${compile} ${offline}`;
}

/** The same for this machine. */
export function buildNeedsHere() {
  let osRelease = "";
  try {
    osRelease = readFileSync("/etc/os-release", "utf8");
  } catch {
    // Another system than Linux, or one that does not say what it is.
  }
  return buildNeeds(process.platform, osRelease, process.version);
}
