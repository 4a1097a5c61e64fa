import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { gatewaysCommand } from "../../src/commands/view-commands.ts";
import { GatewaysView } from "../../src/contract/index.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, moment } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

let site: StoreFile;
let empty: StoreFile;
beforeAll(() => {
  site = storeFile([
    ...keepalives(SHED, 0, 101),
    ...keepalives(SHED, 340, 601),
    ...keepalives(TOWER, 0, 601),
    push(SHED, 20, [{ payload: phy("01A2B3C4", 1) }, { payload: phy("01A2B3C4", 2), crc: "bad", tmstUs: 9 }]),
    push(TOWER, 21, [{ payload: phy("01A2B3C4", 3) }]),
  ]);
  empty = storeFile([]);
});
afterAll(() => {
  site.remove();
  empty.remove();
});

describe("the gateways command", () => {
  it("prints one JSON document in the shape of the view, and nothing else", async () => {
    const { out, err, exitCode } = await run(gatewaysCommand(), "--db", site.path, "--json");
    const { gateways } = GatewaysView.parse(JSON.parse(out));
    expect(gateways).toMatchObject([
      {
        eui: SHED,
        receptions: 2,
        crcBad: 1,
        crcNone: 0,
        datagrams: 39,
        keepaliveSeconds: 10,
        protocolVersions: [2],
        restarts: 0,
        outages: [{ from: moment(100), to: moment(340) }],
      },
      { eui: TOWER, receptions: 1, crcBad: 0, datagrams: 62, outages: [] },
    ]);
    expect([err, exitCode]).toEqual(["", 0]);
  });

  it("heads its table with a sentence that names the gateway that was away", async () => {
    const { out } = await run(gatewaysCommand(), "--db", site.path);
    const [sentence, blank, header, ...rows] = out.trimEnd().split("\n");
    expect(sentence?.replaceAll("\u202F", " ")).toBe(
      `2 gateways were heard in this window of 10 min; gateway ${SHED} was unreachable for 4 min.`,
    );
    expect(blank).toBe("");
    expect(header).toMatch(/^gateway +name +receptions +crc bad +keepalive s +outages/);
    expect(rows.map((row) => row.slice(0, 16))).toEqual([SHED, TOWER]);
  });

  it("says of an empty store that no gateway was heard", async () => {
    const { out, exitCode } = await run(gatewaysCommand(), "--db", empty.path);
    expect(out).toMatch(/^No gateway was heard [^\n]*\.\n$/);
    expect(exitCode).toBe(0);
  });

  it("refuses a bad time in one sentence with exit code 2", async () => {
    const { out, err, exitCode } = await run(gatewaysCommand(), "--db", site.path, "--to", "noon");
    expect({ out, err, exitCode }).toEqual({
      out: "",
      err: "--to takes a time such as 2026-03-14T09:00:00Z.\n",
      exitCode: 2,
    });
  });
});
