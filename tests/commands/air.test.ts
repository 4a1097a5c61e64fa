import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { airCommand } from "../../src/commands/air.ts";
import { AirView, StrangersView } from "../../src/contract/index.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, moment } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

// A data frame of 17 octets at SF9 and 125 kHz. LoRa modem formula: 12.25 + 28 symbols of 4.096 ms each.
const AIRTIME_S = 0.164864;

let site: StoreFile;
let empty: StoreFile;
beforeAll(() => {
  const heard = (eui: string, atS: number, n: number, frequencyHz: number) =>
    push(eui, atS, [{ payload: phy("01A2B3C4", n), frequencyHz }]);
  site = storeFile([
    ...keepalives(SHED, 0, 301),
    ...keepalives(TOWER, 0, 301),
    heard(SHED, 30, 0, 868_100_000),
    heard(TOWER, 30.02, 0, 868_100_000),
    heard(SHED, 90, 1, 868_300_000),
    // overlaps the one before by half
    push(SHED, 90 + AIRTIME_S / 2, [
      { payload: phy("01A2B3C5", 7), frequencyHz: 868_300_000, crc: "bad", rssiDbm: -96 },
    ]),
  ]);
  empty = storeFile([]);
});
afterAll(() => {
  site.remove();
  empty.remove();
});

describe("the air command", () => {
  it("prints one JSON document in the shape of the view: one row a gateway and channel", async () => {
    const { out, err, exitCode } = await run(airCommand(), "--db", site.path, "--json");
    const { channels } = AirView.parse(JSON.parse(out));
    expect(channels.map((row) => [row.gatewayEui, row.frequencyHz, row.receptions, row.crcBad])).toEqual([
      [SHED, 868_100_000, 1, 0],
      [SHED, 868_300_000, 2, 1],
      [TOWER, 868_100_000, 1, 0],
    ]);
    const [, overlapping] = channels;
    expect(overlapping?.airtimeSeconds).toBeCloseTo(2 * AIRTIME_S, 5);
    expect(overlapping?.busySeconds).toBeCloseTo(1.5 * AIRTIME_S, 5);
    expect(overlapping?.utilisation).toBeCloseTo((1.5 * AIRTIME_S) / 300, 5);
    expect([err, exitCode]).toEqual(["", 0]);
  });

  it("cuts a packet at the end of the window", async () => {
    const window = ["--from", moment(0), "--to", new Date(Date.parse(moment(30)) - 100).toISOString()];
    const { out } = await run(airCommand(), "--db", site.path, "--json", ...window);
    const { channels } = AirView.parse(JSON.parse(out));
    const shed = channels.find(({ gatewayEui }) => gatewayEui === SHED);
    expect(shed?.busySeconds).toBeCloseTo(AIRTIME_S - 0.1, 5);
    expect(shed?.receptions).toBe(0);
  });

  it("prints the sentence, the table and the caution about limits", async () => {
    const { out } = await run(airCommand(), "--db", site.path);
    const parts = out.trimEnd().split("\n\n");
    expect(parts[0]).toMatch(/^The busiest channel, 868\.3\u202FMHz/);
    expect(parts[1]?.split("\n")).toHaveLength(4);
    expect(parts.at(-1)).toMatch(/lower bound.*local rules/);
  });

  it("prints what each gateway's air is made of, part by part", async () => {
    const { out } = await run(airCommand(), "--db", site.path);
    const titles = out.split("\n\n").map((part) => part.split("\n")[0]);
    expect(titles.slice(2, -1)).toEqual([
      `${SHED}, EU868`,
      TOWER,
      "Data rates",
      "Whose airtime",
      "Nodes with most airtime",
      "Airtime against limits, fullest hour of each sub-band",
    ]);
    // The packet with a wrong CRC names no node.
    expect(out).toMatch(/^private +own +1 +3 +2 +0\.49 +75\.0\u202F%/m);
    expect(out).toMatch(/^no node named +– +0 +1 +0 +0\.16 +25\.0\u202F%/m);
    expect(out).toContain("Not visible here: no downlink of this gateway passes this machine.");
  });

  it("says of an empty store that nothing was on the air, without a table", async () => {
    const { out, exitCode } = await run(airCommand(), "--db", empty.path);
    expect(out.split("\n\n")[0]).toBe("Nothing was on the air in this window.");
    expect(out.split("\n\n")).toHaveLength(2);
    expect(exitCode).toBe(0);
  });

  it("refuses a store that is none in one sentence with exit code 2", async () => {
    const { out, err, exitCode } = await run(airCommand(), "--db", import.meta.filename);
    expect([out, exitCode]).toEqual(["", 2]);
    expect(err.trimEnd().split("\n")).toHaveLength(1);
  });

  it("prints neighbours' networks with --strangers, and as one document with --json", async () => {
    const text = await run(airCommand(), "--db", site.path, "--strangers");
    expect(text.out).toMatch(/^No stranger was heard in this window\.\n/);
    const { out, exitCode } = await run(airCommand(), "--db", site.path, "--strangers", "--json");
    expect(StrangersView.parse(JSON.parse(out))).toMatchObject({ networks: [], nodes: [], weeksAt: null });
    expect(exitCode).toBe(0);
  });
});
