import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
// @ts-expect-error Plain JavaScript: it runs before anything is installed.
import { bindingFault, bindingSentence, buildNeeds } from "../../src/setup/native.mjs";
// @ts-expect-error Likewise.
import { progressText } from "../../src/setup/progress.mjs";

let folder = "";
afterEach(() => rmSync(folder, { recursive: true, force: true }));

/** A folder with a package of that name, and as its binding the octets given. */
function installation(binding: string | null): string {
  folder = mkdtempSync(join(tmpdir(), "mastlog-native-"));
  const release = join(folder, "node_modules/better-sqlite3/build/Release");
  mkdirSync(release, { recursive: true });
  writeFileSync(join(folder, "node_modules/better-sqlite3/package.json"), "{}");
  if (binding !== null) writeFileSync(join(release, "better_sqlite3.node"), binding);
  return pathToFileURL(join(folder, "src/setup/mastlog.mjs")).href;
}

describe("SQLite's binding", () => {
  it("loads in this checkout", () => {
    expect(bindingFault()).toBeNull();
  });

  it("that is missing: the sentence gives the command", () => {
    const fault = bindingFault(installation(null));
    expect(fault.kind).toBe("missing");
    expect(bindingSentence(fault, "v24.22.3")).toBe(
      `SQLite is not built yet for this machine. Run this command once: npm --prefix "${folder}" rebuild better-sqlite3`,
    );
  });

  it("of another version of Node: both the version here and the command", () => {
    const reason = "The module was compiled against NODE_MODULE_VERSION 115.";
    expect(bindingSentence({ holder: "/opt/tools", kind: "other-node", reason }, "v24.22.3")).toBe(
      'SQLite was built for another version of Node; this is v24.22.3. Run this command once: npm --prefix "/opt/tools" rebuild better-sqlite3',
    );
  });

  it("that is no library: the system's own words", () => {
    const fault = bindingFault(installation("no library"));
    expect(fault.kind).toBe("unloadable");
    expect(bindingSentence(fault, "v20.1.0")).toMatch(/^SQLite cannot be loaded: .*better_sqlite3\.node/);
  });
});

describe("what compiling needs", () => {
  const needs = (platform: string, osRelease: string) => buildNeeds(platform, osRelease, "v24.22.3");
  const network =
    "npm needs the network: it fetches SQLite ready-made for Node v24.22.3, or else Node's headers and compiles it.";

  it.each([
    [
      "Debian",
      "linux",
      'PRETTY_NAME="Debian"\nID=debian\n',
      "To compile, first run: sudo apt-get install python3 make g++. Without a network and with the system's own Node, the headers are in the package libnode-dev: add --nodedir=/usr to the command.",
    ],
    [
      "a child of Debian",
      "linux",
      'ID=raspbian\nID_LIKE="debian"\n',
      "To compile, first run: sudo apt-get install python3 make g++. Without a network and with the system's own Node, the headers are in the package libnode-dev: add --nodedir=/usr to the command.",
    ],
    [
      "Fedora",
      "linux",
      "ID=fedora\n",
      "To compile, first run: sudo dnf install python3 make gcc-c++. Without a network and with the system's own Node, the headers are in the package nodejs-devel: add --nodedir=/usr to the command.",
    ],
    [
      "another Linux",
      "linux",
      "",
      "To compile, install Python 3, make and a C++ compiler first. Without a network, unpack node-v24.22.3-headers.tar.gz of nodejs.org and add --nodedir=FOLDER to the command.",
    ],
    ["macOS", "darwin", "", "To compile, install the Xcode Command Line Tools first: xcode-select --install"],
    [
      "Windows",
      "win32",
      "",
      'To compile, install Python and the Visual Studio Build Tools with "Desktop development with C++" first.',
    ],
  ])("on %s", (_system, platform, osRelease, rest) => {
    expect(needs(platform, osRelease)).toBe(`${network} ${rest}`);
  });
});

describe("the progress of a first start", () => {
  it("counts what is there, then names what is left", () => {
    const progress = { what: "packages", files: ["a", "b", "c"], done: "making SQLite ready" };
    expect(progressText(progress, 1, 4)).toBe("packages: 1 of 3, 4 s");
    expect(progressText(progress, 3, 40)).toBe("making SQLite ready, 40 s");
    expect(progressText({ what: "SQLite", files: [], done: "" }, 0, 9)).toBe("SQLite, 9 s");
  });
});
