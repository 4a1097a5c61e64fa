import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it, vi } from "vitest";
import { keysCommand } from "../../src/commands/keys.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { DEV_ADDR, frame10 } from "../ledger/keyed-frames.ts";
import { push, SHED } from "../store/traffic.ts";

const SECRET = "9F3C5A7E1B2D4F60718293A4B5C6D7E8";
const DEVICE = "02005E1000000A01";

let folder = "";
let exitCodeBefore: typeof process.exitCode;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-keys-"));
  exitCodeBefore = process.exitCode;
  process.exitCode = undefined;
});
afterEach(() => {
  process.exitCode = exitCodeBefore;
  rmSync(folder, { recursive: true });
});

/** Runs the command as a shell would; nothing that it ever prints may hold the key. */
async function run(...words: string[]): Promise<{ out: string; err: string; status: number }> {
  const said = { out: "", err: "" };
  const listen = (to: "out" | "err") => (text: string | Uint8Array) => {
    said[to] += String(text);
    return true;
  };
  const spies = [
    vi.spyOn(process.stdout, "write").mockImplementation(listen("out")),
    vi.spyOn(process.stderr, "write").mockImplementation(listen("err")),
  ];
  process.exitCode = undefined;
  try {
    await keysCommand().parseAsync([...words, "--db", join(folder, "site.db")], { from: "user" });
  } finally {
    for (const spy of spies) spy.mockRestore();
  }
  expect(`${said.out}${said.err}`.toUpperCase()).not.toContain(SECRET.slice(0, 12));
  return { ...said, status: Number(process.exitCode ?? 0) };
}

function keyFile(content: unknown): string {
  const file = join(folder, "keys.json");
  writeFileSync(file, typeof content === "string" ? content : JSON.stringify(content));
  return file;
}

const NODES = {
  nodes: [
    { devAddr: DEV_ADDR, nwkSKey: SECRET, appSKey: SECRET, note: "north row", counterBits: 32 },
    { devEui: DEVICE, appKey: SECRET },
  ],
};

describe("mastlog keys", () => {
  it("adds a file, lists the names of what is held, and removes it", async () => {
    const file = keyFile(NODES);
    expect(await run("add", file)).toEqual({
      out: "2 new sets of keys; nothing of the past had to be counted again.\n",
      err: "",
      status: 0,
    });
    const listed = await run("list");
    expect(listed.out).toContain(`${DEV_ADDR}`);
    expect(listed.out).toContain("nwkSKey appSKey");
    const json = JSON.parse((await run("list", "--json")).out) as unknown;
    expect(json).toEqual({
      keys: [
        {
          id: 2,
          devAddr: null,
          devEui: DEVICE,
          counterBits: null,
          note: null,
          origin: "person",
          holds: ["appKey"],
        },
        {
          id: 1,
          devAddr: DEV_ADDR,
          devEui: null,
          counterBits: 32,
          note: "north row",
          origin: "person",
          holds: ["nwkSKey", "appSKey"],
        },
      ],
    });
    expect((await run("remove", DEVICE.toLowerCase())).out).toContain("1 set of keys removed");
    expect(JSON.parse((await run("remove", DEV_ADDR, "--json")).out)).toMatchObject({ removed: 1 });
    expect((await run("list")).out).toBe("No keys are held.\n");
  });

  it("accounts the past with new keys at once", async () => {
    const db = openStore(join(folder, "site.db"));
    const recorder = new Recorder(db);
    const key = Uint8Array.from(Buffer.from(SECRET, "hex"));
    for (const counter of [65_534, 65_535, 0]) {
      const { octets } = frame10(key, { counter });
      recorder.record([push(SHED, counter === 0 ? 120 : counter - 65_530, [{ payload: octets }])]);
    }
    recorder.close();
    expect(db.prepare("SELECT count(*) FROM life").pluck().get()).toBe(1);
    expect(JSON.parse((await run("add", keyFile(NODES), "--json")).out)).toEqual({
      added: 2,
      given: 2,
      accountedAnew: 1,
    });
    expect(db.prepare("SELECT first_counter FROM life ORDER BY number").pluck().all()).toEqual([65_534, 0]);
    db.close();
  });

  it.each([
    ["no JSON", `{"nodes": [${SECRET}`, "The key file is not JSON.\n"],
    [
      "a short key",
      { nodes: [{ devAddr: DEV_ADDR, nwkSKey: SECRET.slice(1) }] },
      "Node 1 of the key file: its nwkSKey must be 32 hex digits.\n",
    ],
    ["a key by a wrong name", { nodes: [{ devAddr: DEV_ADDR, nwkSKey: SECRET, [SECRET]: 1 }] }, null],
  ])("refuses a file with %s in one sentence, and stores nothing", async (_title, content, sentence) => {
    const { out, err, status } = await run("add", keyFile(content));
    expect({ out, status }).toEqual({ out: "", status: 2 });
    if (sentence !== null) expect(err).toBe(sentence);
    expect(err.split("\n")).toHaveLength(2);
  });

  it("says in one sentence that a file is missing, or that a node is no node, without repeating what was typed", async () => {
    expect(await run("add", join(folder, "none.json"))).toEqual({
      out: "",
      err: "The key file cannot be read (ENOENT).\n",
      status: 2,
    });
    openStore(join(folder, "site.db")).close();
    expect(await run("remove", SECRET)).toMatchObject({ out: "", status: 2 });
    expect(await run("remove", "0000000A")).toMatchObject({
      err: "No keys are held for 0000000A.\n",
      status: 2,
    });
  });
});
