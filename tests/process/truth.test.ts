import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { gzipSync } from "node:zlib";
import { afterEach, describe, expect, it } from "vitest";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startRelay } from "./relay.ts";
import { cutSample, livelySite } from "./scenarios.ts";
import { startService, until } from "./service.ts";

afterEach(cleanUp);

interface Figures {
  devAddr: string;
  life: number;
  heard: number;
  expected: number;
  missed: number;
  repeats: number;
  receptions: number;
}
interface OutageFigure {
  devAddr: string;
  life: number;
  missed: number;
  missedDuringOutage: number;
}
type Life = Figures & OutageFigure;

function figuresOf({ devAddr, life, heard, expected, missed, repeats, receptions }: Life): Figures {
  return { devAddr, life, heard, expected, missed, repeats, receptions };
}

function byLife(a: Life, b: Life): number {
  return a.devAddr.localeCompare(b.devAddr) || a.life - b.life;
}

/** What the program says of every life in a store. */
async function told(db: string, folder: string): Promise<Life[]> {
  const { status, out, err } = await runProgram(["nodes", "--json", "--db", db], folder);
  expect({ status, err }).toEqual({ status: 0, err: "" });
  return (JSON.parse(out) as { nodes: Life[] }).nodes.sort(byLife);
}

/** What really happened, of the lives of which anything was heard. */
function truthOf(file: string): Life[] {
  const { nodes } = JSON.parse(readFileSync(file, "utf8")) as { nodes: (Life & { life: number | null })[] };
  return nodes.filter(({ life }) => life !== null).sort(byLife);
}

async function run(words: readonly string[], folder: string): Promise<void> {
  const { status, err } = await runProgram(words, folder);
  expect({ words: words[0], status, err }).toEqual({ words: words[0], status: 0, err: "" });
}

/**
 * An outage is seen from the listener's side by the datagrams that stay away, so its ends are known to about one
 * keepalive, and a counter that was never heard is dated by its node's rhythm. Each end of each outage may so turn
 * a counter of a life; more than that is a fault.
 */
const OUTAGE_BOUND_A_LIFE = 2;

function outageDifferences(said: readonly Life[], truth: readonly Life[]): number[] {
  return truth.map(({ missedDuringOutage }, i) =>
    Math.abs(missedDuringOutage - (said[i]?.missedDuringOutage ?? Number.NaN)),
  );
}

describe("a simulated site, through simulate, import and nodes of the built program", () => {
  it.each([
    // Further seeds in tests/store/truth.test.ts, without files and processes between.
    ["fennick-orchard.json", "0:40:00", 77],
    // With a reset and an outage; what befalls the other four hours is in tests/store/truth.test.ts, too.
    ["fennick-orchard-day.json", "2:00:00", 2026],
  ])("%s for %s with seed %i: every life's figures equal the truth", async (sample, duration, seed) => {
    const folder = temporaryFolder();
    const scenario = cutSample(sample, duration, folder);
    const seeded = ["--seed", String(seed), "--pcap", "site.pcap", "--truth", "truth.json"];
    await run(["simulate", scenario, ...seeded], folder);
    await run(["import", "site.pcap", "--db", "site.db"], folder);
    const truth = truthOf(join(folder, "truth.json"));
    const said = await told("site.db", folder);
    expect(truth.length).toBeGreaterThan(12);
    expect(truth.some(({ missed }) => missed > 0)).toBe(true);
    expect(truth.some(({ repeats }) => repeats > 0)).toBe(true);
    expect(said.map(figuresOf)).toEqual(truth.map(figuresOf));
    const differences = outageDifferences(said, truth);
    console.info(
      `${sample} seed ${seed}: missed during outage, truth ${sum(truth)}, said ${sum(said)}, largest difference of a life ${Math.max(...differences)}`,
    );
    expect(Math.max(...differences)).toBeLessThanOrEqual(OUTAGE_BOUND_A_LIFE);
  });

  it("a capture read twice, and once more by another name, changes no figure", async () => {
    const folder = temporaryFolder();
    const scenario = cutSample("fennick-orchard.json", "0:10:00", folder);
    await run(["simulate", scenario, "--pcap", "a.pcap"], folder);
    writeFileSync(join(folder, "b.pcap.gz"), gzipSync(readFileSync(join(folder, "a.pcap"))));
    await run(["import", "a.pcap", "--db", "site.db"], folder);
    const once = await told("site.db", folder);
    await run(["import", "a.pcap", "b.pcap.gz", "--db", "site.db"], folder);
    expect(await told("site.db", folder)).toEqual(once);
  });
});

function sum(lives: readonly OutageFigure[]): number {
  return lives.reduce((total, { missedDuringOutage }) => total + missedDuringOutage, 0);
}

describe("a simulated site, live over UDP", () => {
  it("is counted as it truly was, and a capture of the same traffic gives the same figures", async () => {
    const folder = temporaryFolder();
    const scenario = livelySite(folder);
    const service = await startService({ db: join(folder, "live.db") });
    const relay = await startRelay(service.udpPort);
    const live = [
      "--to",
      `127.0.0.1:${relay.port}`,
      "--speed",
      "40",
      "--seed",
      "21",
      "--truth",
      "truth.json",
    ];
    await run(["simulate", scenario, ...live], folder);
    const arrived = await until(
      () => service.json<{ arrived: { datagrams: number } }>("/api/status"),
      (status) => status.arrived.datagrams >= relay.count(),
    );
    // Loopback loses nothing: every datagram of the simulator came through.
    expect(arrived.arrived.datagrams).toBe(relay.count());
    relay.writeCapture(join(folder, "same.pcap"));
    await relay.close();
    expect((await service.end("SIGTERM")).status).toBe(0);

    const truth = truthOf(join(folder, "truth.json"));
    const said = await told("live.db", folder);
    expect(truth.length).toBe(8);
    expect(truth.some(({ missed }) => missed > 0)).toBe(true);
    expect(truth.some(({ repeats }) => repeats > 0)).toBe(true);
    expect(said.map(figuresOf)).toEqual(truth.map(figuresOf));

    // The relay wrote its own times, a fraction of a millisecond to a few before the service's: they change when
    // something was heard, never what was counted. So times, rhythm and signal order are not compared, counts are.
    await run(["import", "same.pcap", "--db", "imported.db"], folder);
    const imported = await told("imported.db", folder);
    expect(imported.map(figuresOf)).toEqual(said.map(figuresOf));
  });
});
