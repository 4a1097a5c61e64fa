import { describe, expect, it } from "vitest";
import {
  type RecorderCommand,
  type RecorderCommandParts,
  RecorderCommands,
} from "../../src/intake/recorder-commands.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { marksIn } from "../../src/store/user-data.ts";

const KEY_FILE = `{"nodes":[{"devAddr":"01A2B3C4","nwkSKey":"${"0A".repeat(16)}"}]}`;
const MARK = { atUs: 1_000, untilUs: null, kind: "note", text: "New battery", gatewayEui: null } as const;
const NOWHERE = { devAddr: null, latitude: null, longitude: null, eastMetres: null, northMetres: null };

function commandsUnderTest(parts: Partial<RecorderCommandParts> = {}) {
  const db = openStore(":memory:");
  const seen: string[] = [];
  const commands = new RecorderCommands({
    recorder: new Recorder(db),
    imports: { read: () => Promise.reject(new Error("No capture is read here.")) },
    changes: { add: () => seen.push("recounted"), widen: () => seen.push("all views") },
    beginForgettingSteps: () => seen.push("forgetting"),
    beginRemoval: () => undefined,
    afterImport: () => seen.push("import ended"),
    waitMs: () => Promise.resolve(),
    ...parts,
  });
  return { db, commands, seen };
}

describe("commands to the recorder", () => {
  it("of a kind that is not known are refused, and the next one is carried out", async () => {
    const { commands, seen, db } = commandsUnderTest();
    const unknown = { kind: "shut-everything" } as unknown as RecorderCommand;
    await expect(commands.run(unknown)).rejects.toThrow("does not know this command");
    expect(seen).toEqual([]);
    const change = { entity: "mark", work: { kind: "add", mark: { ...MARK, ...NOWHERE } } } as const;
    expect(await commands.run({ kind: "change", change })).toEqual({ ok: true, result: 1 });
    expect(marksIn(db, null, 10)).toMatchObject([{ text: "New battery" }]);
    expect(seen).toEqual(["all views"]);
  });

  it("that cannot be done return why, and no view is told", async () => {
    const { commands, seen } = commandsUnderTest();
    const change = { entity: "mark", work: { kind: "remove", id: 4 } } as const;
    expect(await commands.run({ kind: "change", change })).toMatchObject({ ok: false, code: "no-such-mark" });
    const thing = { kind: "node", id: "01A2B3C4" } as const;
    expect(await commands.run({ kind: "forget", thing })).toMatchObject({ ok: false, code: "no-such-node" });
    expect(seen).toEqual([]);
  });

  it("with keys count the past again; a file that is none changes nothing and shows no key", async () => {
    const { commands, seen, db } = commandsUnderTest();
    const add = (fileText: string) =>
      commands.run({ kind: "change", change: { entity: "keys", work: { kind: "add", fileText } } });
    const secret = "0B".repeat(16);
    const refused = await add(`{"nodes":[{"devAddr":"01A2B3C4","nwkSKey":"${secret}X"}]}`);
    expect(refused).toMatchObject({ ok: false, code: "key-file-unreadable" });
    expect(JSON.stringify(refused)).not.toContain(secret);
    expect(seen).toEqual([]);
    expect(await add(KEY_FILE)).toEqual({ ok: true, result: 1 });
    expect(seen).toEqual(["all views", "recounted", "all views"]);
    const remove = { entity: "keys", work: { kind: "remove", id: "01A2B3C4" } } as const;
    expect(await commands.run({ kind: "change", change: remove })).toEqual({ ok: true, result: 1 });
    expect(db.prepare("SELECT count(*) FROM node_key").pluck().get()).toBe(0);
    expect(await commands.run({ kind: "change", change: remove })).toMatchObject({ code: "no-such-keys" });
  });

  it("to import are answered once the capture's row exists, and busy until it is read", async () => {
    let end = () => {};
    const ended = new Promise<void>((resolve) => {
      end = resolve;
    });
    const { commands, seen } = commandsUnderTest({
      imports: {
        read: async (_path, _name, onBegun) => {
          onBegun(12);
          await ended;
          throw new Error("cut short");
        },
      },
    });
    const command = { kind: "import", path: "x.pcap", name: "x.pcap", deleteAfter: false } as const;
    expect(await commands.run(command)).toBe(12);
    expect([commands.isImporting, seen]).toEqual([true, ["all views"]]);
    end();
    await new Promise((resolve) => setImmediate(resolve));
    expect([commands.isImporting, seen]).toEqual([false, ["all views", "all views", "import ended"]]);
  });

  it("to import what is no capture reject with its error", async () => {
    const { commands, seen } = commandsUnderTest();
    const command = { kind: "import", path: "x", name: "x", deleteAfter: false } as const;
    await expect(commands.run(command)).rejects.toThrow("No capture is read here.");
    expect([commands.isImporting, seen]).toEqual([false, ["all views", "import ended"]]);
  });
});
