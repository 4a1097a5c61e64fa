/** Does a name, a note or a gateway's own word reach the terminal as it was written? Never what would steer it. */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { airCommand } from "../../src/commands/air.ts";
import { benchCommand } from "../../src/commands/bench.ts";
import { placementsCommand } from "../../src/commands/placements.ts";
import { trialsCommand } from "../../src/commands/trials.ts";
import { marksCommand, positionsCommand } from "../../src/commands/user-data.ts";
import { gapsCommand, gatewaysCommand, nodesCommand } from "../../src/commands/view-commands.ts";
import { openStore } from "../../src/store/open.ts";
import { writeLabel, writeSiteName } from "../../src/store/user-data.ts";
import { encodePushData, encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import { arrivalOf, decoded, phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

/** Clears the screen, retitles the terminal, begins a line of its own and turns the writing about. */
const HOSTILE = "tower\u001b[2J\u001b]0;title\u0007\u009b31m\nforged line\u202Edehs\u007f";
const STEERING = /(?!\n)[\p{Cc}\u202A-\u202E\u2066-\u2069]/u;

const report = decoded(
  arrivalOf(
    encodePushData({
      version: 2,
      token: 40,
      gatewayEui: SHED,
      packets: [],
      status: {
        ...{ timeUs: null, latitudeDeg: 46.2, longitudeDeg: 3.2, altitudeM: 145, ackPercent: 100 },
        ...{ rxReceived: 2, rxCrcOk: 2, rxForwarded: 2, downlinkDatagrams: 0, txEmitted: 0 },
        temperatureC: null,
        timeText: HOSTILE,
        platform: HOSTILE,
        mail: HOSTILE,
        description: HOSTILE,
      },
    }),
    START_US + 30e6,
  ),
);
const outcome = decoded(
  arrivalOf(
    encodeTxAck({
      version: 2,
      token: 41,
      gatewayEui: SHED,
      outcome: { result: "refused", word: HOSTILE, powerDbm: null },
    }),
    START_US + 31e6,
  ),
);

let site: StoreFile;
beforeAll(() => {
  site = storeFile([
    ...keepalives(SHED, 0, 101),
    ...keepalives(SHED, 340, 601),
    ...keepalives(TOWER, 0, 601),
    report,
    outcome,
    ...Array.from({ length: 60 }, (_, i) => i)
      .filter((i) => i < 20 || i > 40)
      .map((i) => push(i % 2 === 0 ? SHED : TOWER, i * 10, [{ payload: phy("01A2B3C4", i) }], i)),
  ]);
  const db = openStore(site.path);
  for (const id of [SHED, TOWER]) writeLabel(db, { kind: "gateway", id, name: `${HOSTILE} ${id}` });
  writeLabel(db, { kind: "node", id: "01A2B3C4", name: HOSTILE, own: true });
  writeSiteName(db, HOSTILE);
  // As an older release, or another program, may have left it: the API refuses such a text.
  db.prepare("INSERT INTO mark (at_us, kind, text, gateway_eui) VALUES (?, 'note', ?, ?)").run(
    START_US + 5e6,
    HOSTILE,
    SHED,
  );
  db.close();
});
afterAll(() => site.remove());

describe("a hostile text in a store", () => {
  it.each([
    ["gateways", gatewaysCommand, []],
    ["nodes", nodesCommand, []],
    ["air", airCommand, []],
    ["gaps", gapsCommand, []],
    ["bench", benchCommand, [SHED]],
    ["marks", marksCommand, ["list"]],
    ["placements", placementsCommand, ["list"]],
    ["positions", positionsCommand, ["list"]],
    ["trials", trialsCommand, []],
  ] as const)("is plain in the text of %s, and reads back from its JSON", async (_name, command, words) => {
    const text = await run(command(), ...words, "--db", site.path);
    expect(text.out).not.toBe("");
    expect(`${text.out}${text.err}`).not.toMatch(STEERING);
    expect(text.out).not.toMatch(/^forged line/m);
    const json = await run(command(), ...words, "--db", site.path, "--json");
    expect(json.out).not.toMatch(STEERING);
    JSON.parse(json.out);
  });

  it("stays whole in JSON", async () => {
    const { out } = await run(nodesCommand(), "--db", site.path, "--json");
    const { nodes } = JSON.parse(out) as { nodes: { name: string }[] };
    expect(nodes.map(({ name }) => name)).toEqual([HOSTILE]);
  });
});
