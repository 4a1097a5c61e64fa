import { readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { reportCommand } from "../../src/commands/report.ts";
import { readNodeKeysFile } from "../../src/ledger/keys/file.ts";
import { addKeys } from "../../src/store/keys.ts";
import { openStore } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { keepalives } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

const PROBE = "01A2B3C4";

let site: StoreFile;
let empty: StoreFile;
let file: string;
beforeAll(() => {
  const heard = Array.from({ length: 20 }, (_, n) => n).filter((n) => n % 5 !== 3);
  site = storeFile([
    ...heard.map((n) => push(SHED, n * 10 + 1, [{ payload: phy(PROBE, n), snrDb: -3.5, rssiDbm: -109 }])),
    ...keepalives(SHED, 0, 200),
  ]);
  empty = storeFile([]);
  file = join(dirname(site.path), "report.html");
});
afterAll(() => {
  site.remove();
  empty.remove();
});

async function reportOf(store: StoreFile, ...more: string[]) {
  const printed = await run(reportCommand("9.9.9"), "--db", store.path, "--zone", "UTC", "-o", file, ...more);
  return { ...printed, html: printed.exitCode === 0 ? readFileSync(file, "utf8") : "" };
}

describe("the report command", () => {
  it("writes what was heard, by whom, and what was lost", async () => {
    const { html, out, err } = await reportOf(site);
    expect([out, err]).toEqual(["", ""]);
    expect(html).toContain(PROBE);
    expect(html).toContain(SHED);
    expect(html).toContain("Mastlog 9.9.9");
    expect(html).toMatch(/80\.0\u202F% \(\d+\.\d to \d+\.\d\)/);
  });

  it("is one file that runs nothing and fetches nothing", async () => {
    const { html } = await reportOf(site);
    expect(html).not.toMatch(/<script|<link|<img|url\((?!#)|https?:\/\//i);
    expect(html).toContain("default-src 'none'");
  });

  it("shows names as text, whatever they hold", async () => {
    const db = openStore(site.path);
    writeLabel(db, { kind: "node", id: PROBE, name: "<b onclick=x>gate" });
    db.close();
    const { html } = await reportOf(site);
    expect(html).toContain("&lt;b onclick=x");
    expect(html).not.toContain("<b onclick");
  });

  it("holds no payload", async () => {
    const { html } = await reportOf(site);
    const payload = phy(PROBE, 4);
    expect(html.toLowerCase()).not.toContain(Buffer.from(payload).toString("hex"));
    expect(html).not.toContain(Buffer.from(payload).toString("base64"));
  });

  it("holds payloads when asked for them, with the caution, and keys even then never", async () => {
    const nwkSKey = "2B7E151628AED2A6ABF7158809CF4F3C";
    const db = openStore(site.path);
    const read = readNodeKeysFile(JSON.stringify({ nodes: [{ devAddr: PROBE, nwkSKey, appSKey: nwkSKey }] }));
    expect(read.ok && addKeys(db, read.nodes)).toBe(1);
    db.close();
    const { html } = await reportOf(site, "--payloads");
    const octets = (Buffer.from(phy(PROBE, 19)).toString("hex").match(/../g) ?? []).join(" ");
    expect(html.toLowerCase()).toContain(octets);
    expect(html).toContain("Give it only to people who may read it");
    expect(html.replaceAll(" ", "").toUpperCase()).not.toContain(nwkSKey);
  });

  it("says so when there is nothing in the window", async () => {
    const { html } = await reportOf(empty);
    expect(html).toContain("No gateway was heard");
  });

  it("takes no zone that does not exist, and no file that cannot be written", async () => {
    expect(await run(reportCommand("1"), "--db", site.path, "--zone", "Orchard", "-o", file)).toMatchObject({
      err: "--zone takes a time zone such as Europe/Berlin or UTC, not Orchard.\n",
      exitCode: 2,
    });
    const nowhere = join(dirname(site.path), "no-such-folder", "r.html");
    const printed = await run(reportCommand("1"), "--db", site.path, "-o", nowhere);
    expect(printed.exitCode).toBe(2);
    expect(printed.err).toContain("cannot be written");
  });
});
