import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { exportCommand } from "../../src/commands/export.ts";
import { importCommand } from "../../src/commands/import.ts";
import {
  gapsCommand,
  gatewaysCommand,
  joinsCommand,
  nodesCommand,
  siteCommand,
} from "../../src/commands/view-commands.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import type { StatusReport } from "../../src/model/datagram.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { run } from "../commands/run-command.ts";
import { downFrame, handOut, pullAck, pushAck, txAck } from "../store/down-traffic.ts";
import {
  arrivalOf,
  decoded,
  joinRequest,
  packet,
  phy,
  pull,
  push,
  SHED,
  START_US,
  TOWER,
} from "../store/traffic.ts";

const samples = fileURLToPath(new URL("../../sample-captures/", import.meta.url));
const PROBE = "01A2B3C4";
const VIEWS = [nodesCommand, gatewaysCommand, gapsCommand, siteCommand, joinsCommand] as const;

let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-round-"));
});
afterAll(() => rmSync(folder, { recursive: true }));

async function viewsOf(db: string): Promise<unknown[]> {
  const answers: unknown[] = [];
  for (const view of VIEWS) answers.push(JSON.parse((await run(view(), "--json", "--db", db)).out));
  return answers;
}

/** Takes the receptions out, reads them into a new store, and returns that store. */
async function throughFile(
  db: string,
  format: "jsonl" | "pcap",
  narrowed: readonly string[] = [],
): Promise<string> {
  const file = `${db}.${format}`;
  const again = `${db}-${format}.db`;
  const words = ["--what", "receptions", "--format", format, "-o", file, "--db", db, ...narrowed];
  const out = await run(exportCommand(), ...words);
  expect(out.err).toContain(file);
  const read = await run(importCommand(), file, "--db", again);
  expect(read.exitCode).toBe(0);
  return again;
}

function storeOf(name: string, traffic: readonly (DecodedArrival | DownlinkArrival)[]): string {
  const path = join(folder, name);
  const db = openStore(path);
  const recorder = new Recorder(db, judgeGap);
  const inOrder = [...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  for (const item of inOrder) recorder.record([item]);
  recorder.endCapture();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  recorder.close();
  db.close();
  return path;
}

function rowsOf(path: string, sql: string): unknown[] {
  const db = openStore(path);
  try {
    return db.prepare(sql).all();
  } finally {
    db.close();
  }
}

const STATUS: StatusReport = {
  timeUs: START_US + 30_250_000,
  timeText: null,
  latitudeDeg: 0.120_412_3,
  longitudeDeg: -0.541_7,
  altitudeM: 31.5,
  rxReceived: 6,
  rxCrcOk: 5,
  rxForwarded: 6,
  ackPercent: 98.5,
  downlinkDatagrams: 1,
  txEmitted: 1,
  temperatureC: 31.2,
  platform: "SX1302",
  mail: null,
  description: 'shed "north"',
};

function pushed(
  atS: number,
  body: Omit<Parameters<typeof encodePushData>[0], "version" | "gatewayEui">,
  version: 1 | 2 = 2,
) {
  const bytes = encodePushData({ version, gatewayEui: SHED, ...body }, "exact");
  return decoded(arrivalOf(bytes, START_US + Math.round(atS * 1e6)));
}

function signal(antenna: number, rssiDbm: number, snrDb: number) {
  return { antenna, ifChannel: 3, rssiDbm, signalRssiDbm: rssiDbm - 0.7, snrDb, frequencyOffsetHz: -1204 };
}

/** Everything that a gateway can say, in one short morning. */
function everything(): (DecodedArrival | DownlinkArrival)[] {
  const copied = pushed(20, {
    token: 300,
    packets: [packet({ payload: phy(PROBE, 1), tmstUs: 20_000_000 })],
    status: null,
  });
  return [
    // Version 1 at first, a packet without a counter, levels with tenths, the gateway's own time.
    pushed(
      1,
      {
        token: 1,
        packets: [{ ...packet({ payload: phy(PROBE, 0), tmstUs: null }), gatewayTimeUs: START_US + 950_123 }],
        status: null,
      },
      1,
    ),
    // The same octets twice within two seconds.
    copied,
    { ...copied, arrival: { ...copied.arrival, atUs: copied.arrival.atUs + 400_000 } },
    pushed(30, { token: 301, packets: [], status: STATUS }),
    // Two antennas in one datagram, and a packet whose CRC failed.
    pushed(40, {
      token: 302,
      packets: [
        packet({
          payload: phy(PROBE, 2),
          tmstUs: 40_000_000,
          signals: [signal(0, -97.3, 5.5), signal(1, -101.8, -2.1)],
        }),
        packet({ payload: Uint8Array.of(1, 2, 3), tmstUs: 39_900_000, crc: "bad", frequencyHz: 868_100_000 }),
      ],
      status: null,
    }),
    // FSK, and a modulation that nobody knows.
    pushed(50, {
      token: 303,
      packets: [
        {
          ...packet({ payload: phy(PROBE, 3), tmstUs: 50_000_000 }),
          modulation: { kind: "fsk", bitrateBps: 50_000 },
        },
        {
          ...packet({ payload: Uint8Array.of(9), tmstUs: 49_000_000 }),
          modulation: { kind: "unknown", text: "X" },
        },
      ],
      status: null,
    }),
    // Held up by three seconds on the way: dated back.
    ...Array.from({ length: 12 }, (_, i) =>
      push(SHED, 60 + i * 10, [{ payload: phy(PROBE, 4 + i) }], 400 + i),
    ),
    pushed(193, {
      token: 304,
      packets: [packet({ payload: phy(PROBE, 20), tmstUs: 190_000_000 })],
      status: null,
    }),
    // Nothing in it.
    pushed(195, { token: 305, packets: [], status: null }),
    push(SHED, 200, [{ payload: joinRequest("02005E10000000FE", 7) }], 500),
    pushAck(200.01, 500),
    handOut(200.2, 205, downFrame(PROBE, 1, { ack: true }), { token: 9 }),
    txAck(SHED, 200.3, 9, { result: "refused", word: "TOO_LATE" }),
    ...Array.from({ length: 30 }, (_, i) => [
      pull(SHED, i * 10, 600 + i),
      pullAck(i * 10 + 0.03, 600 + i),
    ]).flat(),
    ...Array.from({ length: 30 }, (_, i) => pull(TOWER, i * 10 + 3, 700 + i)),
    push(TOWER, 61, [{ payload: phy(PROBE, 4), rssiDbm: -120, snrDb: -11.5 }], 800),
  ];
}

describe("receptions taken out as datagrams and read back", () => {
  it.each(["jsonl", "pcap"] as const)(
    "give the same figures of a sample in every view, as %s",
    async (format) => {
      const db = join(folder, `bench-${format}.db`);
      await run(importCommand(), join(samples, "orchard-bench.pcap"), "--db", db);
      const again = await throughFile(db, format);
      expect(await viewsOf(again)).toEqual(await viewsOf(db));
    },
  );

  it.each(["jsonl", "pcap"] as const)(
    "give the same rows of everything that a gateway can say, as %s",
    async (format) => {
      const db = storeOf(`everything-${format}.db`, everything());
      const again = await throughFile(db, format);
      for (const sql of [
        `SELECT gateway_id, at_us, late_us, tmst_key, crc, ghost, further, frequency_hz, data_rate, coding_rate, antenna,
       if_channel, rf_chain, rssi_tenths, signal_rssi_tenths, snr_tenths, frequency_offset_hz, gateway_offset_us,
       airtime_us, payload FROM reception ORDER BY gateway_id, at_us, antenna, frequency_hz`,
        "SELECT gateway_id, at_us, kind FROM datagram ORDER BY gateway_id, at_us, kind",
        "SELECT * FROM status_report ORDER BY gateway_id, at_us",
        "SELECT * FROM transmit_outcome ORDER BY gateway_id, at_us",
        `SELECT eui, first_at_us, last_at_us, versions, push_source, pull_source, latitude, longitude, altitude_m, platform,
       description FROM gateway ORDER BY eui`,
        `SELECT gateway_id, at_us, token, tmst_us, frequency_hz, data_rate, coding_rate, power_tenths, moment, airtime_us,
       payload, outcome, outcome_word, receive_window FROM downlink ORDER BY at_us`,
        "SELECT dev_addr, number, begun_by, first_counter, last_counter, heard FROM life ORDER BY dev_addr, number",
        "SELECT * FROM gateway_minute ORDER BY gateway_id, minute",
        "SELECT gateway_id, reason, refused, count FROM refusal WHERE reason <> 'datr' AND reason <> 'modu' ORDER BY gateway_id, reason",
      ])
        expect([sql, rowsOf(again, sql)]).toEqual([sql, rowsOf(db, sql)]);
      expect(rowsOf(db, "SELECT * FROM reception")).toHaveLength(22);
    },
  );

  it("change nothing in the store that they came from, as JSON lines", async () => {
    const db = storeOf("own.db", everything());
    const before = await viewsOf(db);
    const file = `${db}.jsonl`;
    await run(exportCommand(), "--what", "receptions", "--format", "jsonl", "-o", file, "--db", db);
    const read = await run(importCommand(), file, "--db", db, "--json");
    const { captures } = JSON.parse(read.out) as { captures: { datagrams: number; receptions: number }[] };
    expect(captures[0]).toMatchObject({ datagrams: 0, receptions: 0, refused: 0 });
    expect(await viewsOf(db)).toEqual(before);
  });

  it("hold one node's receptions, and every keepalive, when narrowed to a node", async () => {
    const db = storeOf("narrowed.db", everything());
    const file = join(folder, "narrowed.jsonl");
    const again = join(folder, "narrowed-again.db");
    await run(
      exportCommand(),
      "--what",
      "receptions",
      "--format",
      "jsonl",
      "--node",
      PROBE,
      "-o",
      file,
      "--db",
      db,
    );
    await run(importCommand(), file, "--db", again);
    const of = "SELECT dev_addr, number, heard FROM life";
    expect(rowsOf(again, of)).toEqual(rowsOf(db, of));
    const keepalives = "SELECT count(*) AS n FROM datagram WHERE kind = 2";
    expect(rowsOf(again, keepalives)).toEqual(rowsOf(db, keepalives));
    expect(rowsOf(again, "SELECT 1 FROM frame WHERE message_type = 0")).toEqual([]);
  });
});

describe("mastlog export", () => {
  it("writes a folder tree, and replaces no file unless told to", async () => {
    const db = storeOf("tree.db", everything());
    const tree = join(folder, "tree");
    const words = ["--what", "receptions", "--format", "parquet", "-o", tree, "--db", db];
    expect((await run(exportCommand(), ...words)).exitCode).toBe(0);
    const files = readdirSync(tree, { recursive: true })
      .map(String)
      .filter((name) => name.endsWith(".parquet"));
    expect(files.sort()).toEqual([
      `site=tree/date=2026-03-14/gateway=${SHED}/receptions.parquet`,
      `site=tree/date=2026-03-14/gateway=${TOWER}/receptions.parquet`,
    ]);
    const refused = await run(exportCommand(), ...words);
    expect([refused.exitCode, refused.err]).toEqual([2, expect.stringContaining("is there already")]);
    expect((await run(exportCommand(), ...words, "--overwrite")).exitCode).toBe(0);
    expect(readdirSync(tree, { recursive: true }).filter((name) => String(name).includes(".part"))).toEqual(
      [],
    );
  });

  it("writes to stdout, with nothing else there", async () => {
    const db = storeOf("stdout.db", everything());
    const file = join(folder, "nodes.csv");
    const words = ["--what", "nodes", "--format", "csv", "--db", db, "-o"];
    const { out, err } = await run(exportCommand(), ...words, "-");
    await run(exportCommand(), ...words, file);
    expect(err).toBe("");
    expect(out).toBe(readFileSync(file, "utf8"));
  });

  it("says in one sentence what is wrong, and leaves nothing behind", async () => {
    const db = storeOf("wrong.db", everything());
    const sentence = async (...words: string[]) => {
      const { err, exitCode } = await run(exportCommand(), ...words, "--db", db);
      expect(exitCode).toBe(2);
      return err;
    };
    expect(await sentence("--what", "nodes", "--format", "csv")).toContain("where to write");
    expect(await sentence("--format", "csv", "-o", "-")).toContain("--what receptions|frames");
    expect(await sentence("--what", "nodes", "--format", "pcap", "-o", "-")).toContain("--what receptions");
    expect(await sentence("--what", "nodes", "--format", "csv", "-o", "-", "--node", "xyz")).toContain(
      "8 hex digits",
    );
    const nowhere = join(folder, "no-such-folder", "x.csv");
    expect(await sentence("--what", "nodes", "--format", "csv", "-o", nowhere)).toContain(
      "cannot be written",
    );
    expect(existsSync(nowhere)).toBe(false);
  });
});

it("the datagrams of one site give the views that its gateways alone give", async () => {
  const shed = Array.from({ length: 30 }, (_, i) => i)
    .filter((i) => i % 9 !== 4)
    .flatMap((i) => [
      push(SHED, 5 + i * 40, [{ payload: phy(PROBE, i) }], i),
      pull(SHED, 11 + i * 40, 100 + i),
    ]);
  const tower = Array.from({ length: 25 }, (_, i) =>
    push(TOWER, 8 + i * 40, [{ payload: phy("01A2B3C9", i) }], 500 + i),
  );
  const both = storeOf("both-sites.db", [...shed, ...tower]);
  const db = openStore(both);
  writeLabel(db, { kind: "gateway", id: SHED, site: "Fennick Orchard" });
  db.close();
  const alone = await viewsOf(storeOf("shed-alone.db", shed));
  for (const format of ["jsonl", "pcap"] as const) {
    const again = await throughFile(both, format, ["--site", "Fennick Orchard"]);
    expect(await viewsOf(again)).toEqual(alone);
  }
});
