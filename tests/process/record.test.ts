/** Do the datagrams that a service records to a file say to another store what they said to its own? */
import { readFileSync, statSync, writeFileSync } from "node:fs";
import { rename } from "node:fs/promises";
import { join } from "node:path";
import { afterEach, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { networkServer } from "./network-server.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";

afterEach(cleanUp);

async function nodesOf(db: string, folder: string): Promise<unknown> {
  const { status, out } = await runProgram(["nodes", "--json", "--db", db], folder);
  expect(status).toBe(0);
  return (JSON.parse(out) as { nodes: unknown }).nodes;
}

const linesOf = (file: string): string[] => readFileSync(file, "utf8").split("\n");

it("import of what --record wrote gives the same nodes, and is nothing new to the store that heard it", async () => {
  const folder = temporaryFolder();
  const file = join(folder, "heard.jsonl");
  const live = join(folder, "live.db");
  // A line that a power cut left unfinished does not swallow the first of this run.
  writeFileSync(file, '{"at":"2026-04-09T09:30:00.0', { mode: 0o640 });
  const service = await startService({ db: live, words: ["--record", file] });
  const socket = await GatewaySocket.open(service.udpPort);
  await socket.send(keepalive(7));
  // Counters of four nodes; two were never sent.
  const uplinks = Array.from({ length: 80 }, (_, i) => uplink(1_000 + i, { nodes: 4 })).filter(
    ({ number }) => number !== 1_021 && number !== 1_042,
  );
  expect(await socket.sendAll(uplinks.map(({ bytes }) => bytes))).toBe(true);
  await socket.close();
  const ended = await service.end("SIGTERM");
  expect([ended.status, ended.err]).toEqual([0, ""]);

  const lines = linesOf(file);
  // The cut line, a keepalive, 78 uplinks, and the end of the last line.
  expect(lines.length).toBe(1 + 1 + 78 + 1);
  const copy = join(folder, "copy.db");
  // Exit code 0 or 1 as for any capture with a cut line; what counts is what was read.
  await runProgram(["import", file, "--db", copy], folder);
  const nodes = await nodesOf(live, folder);
  expect(nodes).toHaveLength(4);
  expect(await nodesOf(copy, folder)).toEqual(nodes);
  await runProgram(["import", file, "--db", live], folder);
  expect(await nodesOf(live, folder)).toEqual(nodes);
});

it("in line the server's answers are recorded, too, and import finds them, whatever the server's port", async () => {
  const folder = temporaryFolder();
  const file = join(folder, "heard.jsonl");
  const live = join(folder, "live.db");
  const server = await networkServer();
  const words = ["--relay", `127.0.0.1:${server.port}`, "--record", file];
  const service = await startService({ db: live, words });
  const socket = await GatewaySocket.open(service.udpPort);
  const uplinks = Array.from({ length: 20 }, (_, i) => uplink(i, { nodes: 2 }).bytes);
  expect(await socket.sendAll([keepalive(60_000), ...uplinks], { inTheAir: 1 })).toBe(true);
  await socket.close();
  await service.end("SIGTERM");
  await server.close();

  expect(linesOf(file)).toHaveLength(2 * 21 + 1);
  const copy = join(folder, "copy.db");
  const { status } = await runProgram(["import", file, "--db", copy], folder);
  expect(status).toBe(0);
  expect(await nodesOf(copy, folder)).toEqual(await nodesOf(live, folder));
  // All but the sentence on where round trips were measured: at a relay, or where a capture was taken.
  const gateways = async (db: string) =>
    JSON.parse((await runProgram(["gateways", "--json", "--db", db], folder)).out, (key, value: unknown) =>
      key === "tripMeaning" ? null : value,
    ) as unknown;
  expect(await gateways(copy)).toEqual(await gateways(live));
});

it("the file is its owner's; moved away, it ends with a sentence and the service goes on", async () => {
  const folder = temporaryFolder();
  const file = join(folder, "heard.jsonl");
  const service = await startService({ words: ["--record", file] });
  expect(statSync(file).mode & 0o777).toBe(0o600);
  const socket = await GatewaySocket.open(service.udpPort);
  await socket.send(uplink(1).bytes);
  await until(
    () => linesOf(file).length,
    (lines) => lines === 2,
  );
  await rename(file, `${file}.old`);
  await socket.send(uplink(2).bytes);
  const { notices } = await until(
    () => service.json<{ notices: string[] }>("/api/status"),
    (status) => status.notices.length > 0,
  );
  const sentence = `The recording to ${file} has ended: the file was moved or deleted. It holds 1 datagram of this run; 1 datagram could not be written. Start Mastlog again to go on.`;
  expect(notices).toEqual([sentence]);
  await socket.send(keepalive(9));
  expect(await socket.answerTo(9)).not.toBeNull();
  expect(await service.text("/metrics")).toMatch(/\nmastlog_recorded_to_file_total 1\n/);
  await socket.close();
  const { status, err } = await service.end("SIGTERM");
  expect([status, err]).toEqual([0, `${sentence}\n`]);
});

it("a file that cannot be recorded to is refused at the start, in one sentence", async () => {
  const folder = temporaryFolder();
  const db = join(folder, "site.db");
  for (const [file, why] of [
    [folder, "it is not a plain file"],
    [db, "it is the store"],
    [join(folder, "nowhere", "heard.jsonl"), "ENOENT"],
  ] as const) {
    const ports = ["--udp-port", "0", "--web-port", "0", "--db", db];
    const { status, err } = await runProgram(["record", "-o", file, ...ports], folder);
    expect(status).toBe(2);
    expect(err).toContain(why);
    expect(err.trimEnd().split("\n")).toHaveLength(1);
  }
  const { status, err } = await runProgram(["record", "--db", db], folder);
  expect([status, err]).toEqual([2, "Name the file to record to with -o FILE.jsonl.\n"]);
});
