import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { airCommand } from "../../src/commands/air.ts";
import { sitesCommand } from "../../src/commands/placements.ts";
import {
  checkCommand,
  gatewaysCommand,
  nodesCommand,
  siteCommand,
} from "../../src/commands/view-commands.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

let store: StoreFile;
beforeAll(() => {
  store = storeFile([
    ...keepalives(SHED, 0, 601),
    ...keepalives(TOWER, 0, 601),
    ...Array.from({ length: 20 }, (_, i) =>
      push(SHED, 5 + i * 30, [{ payload: phy("01000001", i) }], 500 + i),
    ),
    ...Array.from({ length: 10 }, (_, i) =>
      push(TOWER, 9 + i * 60, [{ payload: phy("01000002", i) }], 700 + i),
    ),
  ]);
});
afterAll(() => store.remove());

const db = () => ["--db", store.path] as const;
const jsonOf = async (command: typeof nodesCommand, ...words: string[]) =>
  JSON.parse((await run(command(), ...db(), "--json", ...words)).out) as Record<string, never[]>;

describe("the sites command", () => {
  it("lists nothing before a site is named, and answers have no word of sites", async () => {
    expect((await run(sitesCommand(), "list", ...db())).out).toBe("No site is named.\n");
    const { gateways } = await jsonOf(gatewaysCommand);
    expect(gateways?.map((one) => "site" in (one as object))).toEqual([false, false]);
    expect((await run(nodesCommand(), ...db(), "--site", "Fennick Orchard")).exitCode).toBe(2);
  });

  it("puts gateways into sites, and every view can be narrowed to one", async () => {
    const set = await run(sitesCommand(), "set", "Fennick Orchard", SHED.toLowerCase(), ...db());
    expect(set).toEqual({ out: `${SHED}: site Fennick Orchard.\n`, err: "", exitCode: 0 });
    await run(sitesCommand(), "set", "Hollow Quarry", TOWER, ...db());
    const { sites } = JSON.parse((await run(sitesCommand(), "list", ...db(), "--json")).out) as {
      sites: unknown;
    };
    expect(sites).toEqual([
      { name: "Fennick Orchard", gateways: [{ eui: SHED, name: null }] },
      { name: "Hollow Quarry", gateways: [{ eui: TOWER, name: null }] },
    ]);
    const quarry = ["--site", "Hollow Quarry"];
    expect((await jsonOf(gatewaysCommand, ...quarry)).gateways).toMatchObject([
      { eui: TOWER, site: "Hollow Quarry", receptions: 10 },
    ]);
    expect((await jsonOf(nodesCommand, ...quarry)).nodes).toMatchObject([{ devAddr: "01000002", heard: 10 }]);
    expect((await jsonOf(airCommand, ...quarry)).channels).toMatchObject([{ receptions: 10 }]);
    expect((await jsonOf(siteCommand, ...quarry)).sentences?.[0]).toMatch(
      /^01000002 lost nothing .*; the gateway was reachable\.$/,
    );
    expect((await jsonOf(nodesCommand)).nodes).toHaveLength(2);
  });

  it("names the sites there are when one is not, with exit code 2", async () => {
    const asked = await run(checkCommand(), ...db(), "--site", "Fennick");
    expect(asked).toEqual({
      out: "",
      err: 'No gateway belongs to a site "Fennick". The sites are Fennick Orchard, Hollow Quarry.\n',
      exitCode: 2,
    });
    const empty = await run(sitesCommand(), "set", "  ", SHED, ...db());
    expect([empty.exitCode, empty.err]).toEqual([2, "A site's name is one line of at most 80 characters.\n"]);
  });

  it("takes a gateway out of its site", async () => {
    expect((await run(sitesCommand(), "clear", TOWER, ...db())).out).toBe(`${TOWER}: no site.\n`);
    expect((await run(gatewaysCommand(), ...db(), "--site", "Hollow Quarry")).exitCode).toBe(2);
  });
});
