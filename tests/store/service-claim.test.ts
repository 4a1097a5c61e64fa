import { copyFileSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { type ClaimSystem, closeBesideService, ServiceClaim } from "../../src/store/service-claim.ts";
import { ServiceStore } from "../../src/store/service-store.ts";

let folder: string;
let path: string;
const opened: Store[] = [];
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-claim-"));
  path = join(folder, "site.db");
});
afterEach(() => {
  for (const db of opened.splice(0)) db.close();
  rmSync(folder, { recursive: true });
});

function open(file = path): Store {
  const db = openStore(file);
  opened.push(db);
  return db;
}

interface Machine {
  readonly bootId?: string | null;
  readonly host?: string;
  readonly namespace?: string;
  /** Processes that run, with their start times. */
  readonly running: ReadonlyMap<number, string | null>;
  readonly whileWaiting?: () => void;
}

function system(pid: number, machine: Machine): ClaimSystem & { pauses: number } {
  const made = {
    pid,
    host: machine.host ?? "shed",
    bootId: machine.bootId === undefined ? "boot-1" : machine.bootId,
    processNamespace: machine.namespace ?? "pid:[1]",
    startTicks: (of: number) => machine.running.get(of) ?? null,
    exists: (of: number) => machine.running.has(of),
    pauses: 0,
    pause: async () => {
      made.pauses += 1;
      machine.whileWaiting?.();
    },
  };
  return made;
}

const both = new Map([
  [100, "5000"],
  [200, "6000"],
]);

describe("the claim of a service on its store", () => {
  it("refuses a second service on the same machine, and names the first", async () => {
    await ServiceClaim.take(open(), system(100, { running: both }));
    const second = system(200, { running: both });
    await expect(ServiceClaim.take(open(), second)).rejects.toThrow(
      /service \(process 100\) has been recording/,
    );
    expect(second.pauses).toBe(0);
  });

  it("answers who reads, and leaves the claim of another service alone", async () => {
    const db = open();
    const first = await ServiceClaim.take(db, system(100, { running: both }));
    const value = () =>
      JSON.parse(String(db.prepare("SELECT value FROM setting WHERE key = 'service'").pluck().get()));
    const write = (change: object) =>
      db
        .prepare("UPDATE setting SET value = ? WHERE key = 'service'")
        .run(JSON.stringify({ ...value(), ...change }));
    expect([first.check(), first.isLookedAt]).toEqual([true, false]);
    write({ isLookedAt: true });
    expect([first.check(), first.isLookedAt]).toEqual([true, true]);
    first.shown();
    expect([first.isLookedAt, value().isLookedAt]).toEqual([false, false]);
    write({ id: "another", isLookedAt: true });
    first.shown();
    expect(value()).toMatchObject({ id: "another", isLookedAt: true });
  });

  it("is free after the first released it", async () => {
    const first = await ServiceClaim.take(open(), system(100, { running: both }));
    first.release();
    await expect(ServiceClaim.take(open(), system(200, { running: both }))).resolves.toBeDefined();
  });

  it.each([
    ["was killed", new Map([[200, "6000"]])],
    [
      "was killed and its number is another process's",
      new Map([
        [100, "9999"],
        [200, "6000"],
      ]),
    ],
  ])("is free at once when the first %s", async (_what, running) => {
    await ServiceClaim.take(open(), system(100, { running: both }));
    const second = system(200, { running });
    await expect(ServiceClaim.take(open(), second)).resolves.toBeDefined();
    expect(second.pauses).toBe(0);
  });

  it("is taken over after a reboot, even by a process of the same number and start time", async () => {
    await ServiceClaim.take(open(), system(100, { running: both }));
    const second = system(100, { running: both, bootId: "boot-2" });
    await expect(ServiceClaim.take(open(), second)).resolves.toBeDefined();
    expect(second.pauses).toBe(1);
  });

  it.each([
    ["another computer", { bootId: "boot-9", host: "tower" }, / on shed\)/],
    ["another container", { namespace: "pid:[2]" }, /process 100/],
    ["a system that does not tell start times", { bootId: null }, /process 100/],
  ])("refuses a second service from %s while the first answers", async (_where, machine, sentence) => {
    const first = await ServiceClaim.take(
      open(),
      system(100, {
        running: both,
        ...("bootId" in machine && machine.bootId === null ? { bootId: null } : {}),
      }),
    );
    const second = system(200, { running: both, ...machine, whileWaiting: () => first.check() });
    await expect(ServiceClaim.take(open(), second)).rejects.toThrow(sentence);
    expect(first.check()).toBe(true);
  });

  it("is lost when another computer took it over unanswered, and the first notices", async () => {
    const first = await ServiceClaim.take(open(), system(100, { running: both }));
    const second = await ServiceClaim.take(
      open(),
      system(200, { running: both, bootId: "boot-9", host: "tower" }),
    );
    expect(first.check()).toBe(false);
    expect(second.check()).toBe(true);
    // What is another's is not released.
    first.release();
    expect(second.check()).toBe(true);
  });

  it("does not count in a copy of the file", async () => {
    const db = open();
    await ServiceClaim.take(db, system(100, { running: both }));
    db.pragma("wal_checkpoint(TRUNCATE)");
    copyFileSync(path, join(folder, "copy.db"));
    const second = system(200, { running: both });
    await expect(ServiceClaim.take(open(join(folder, "copy.db")), second)).resolves.toBeDefined();
    expect(second.pauses).toBe(0);
  });
});

describe.skipIf(process.platform !== "linux")("the words on a store that was deleted while open", () => {
  const name = (store: Store, text: string) =>
    store.prepare("INSERT INTO setting (key, value) VALUES ('site', ?)").run(text);

  it("name a copy that is whole at once, though nothing was merged before", async () => {
    const service = await ServiceStore.open(path);
    name(service.db, "Fennick Orchard");
    rmSync(path);
    expect(copyNamed(() => service.assertInPlace())).toBe("Fennick Orchard");
    expect(copyNamed(() => service.check())).toBe("Fennick Orchard");
    service.db.close();
  });

  it("name no copy while a reader keeps the log from being merged", async () => {
    const service = await ServiceStore.open(path);
    service.db.pragma("busy_timeout = 1");
    const reader = open();
    reader.exec("BEGIN; SELECT count(*) FROM setting");
    name(service.db, "Fennick Orchard");
    rmSync(path);
    expect(service.check()).toMatch(/was deleted\. Do not stop Mastlog: [^:]+$/);
    reader.exec("COMMIT");
    expect(copyNamed(() => service.check())).toBe("Fennick Orchard");
    service.db.close();
  });

  /** The name of the site in the copy that the words give the command for. */
  function copyNamed(look: () => unknown): unknown {
    let words: string;
    try {
      words = String(look());
    } catch (error) {
      words = String(error);
    }
    const [, from] = /: cp (\S+) RESCUED\.db$/.exec(words) ?? [];
    const copy = join(folder, "rescued.db");
    copyFileSync(from ?? words, copy);
    return open(copy).prepare("SELECT value FROM setting WHERE key = 'site'").pluck().get();
  }
});

describe("a store that a reader keeps from being merged at the end", () => {
  /** What a command says when it ends amid another program's reading; `running`: processes at that time. */
  async function said(running: ReadonlyMap<number, string>): Promise<string | null> {
    await ServiceClaim.take(open(), system(100, { running: both }));
    const writer = openStore(path);
    const reader = open();
    reader.exec("BEGIN");
    reader.prepare("SELECT count(*) FROM setting").get();
    writer.prepare("INSERT INTO setting (key, value) VALUES ('site', 'Orchard')").run();
    return closeBesideService(writer, system(200, { running }));
  }

  it("is merged by the service that records into it: nothing is said", async () => {
    expect(await said(both)).toBeNull();
  });

  it("is told of where that service has ended", async () => {
    expect(await said(new Map([[200, "6000"]]))).toBe(
      `The newest data are still in ${path}-wal: another program reads the store, or the disk is full. Keep both files together.`,
    );
  });
});
