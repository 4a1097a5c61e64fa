/** Does one malicious datagram end the built program? At the socket, in line, and in a file that is imported. */
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterEach, expect, it } from "vitest";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { networkServer } from "../process/network-server.ts";
import { cleanUp, runProgram, temporaryFolder } from "../process/program.ts";
import { startService, until } from "../process/service.ts";
import { storedNumber } from "../process/stored.ts";
import { arrivalOf, START_US } from "../store/traffic.ts";
import { pushRaw } from "../wire/forwarder/datagrams.ts";

afterEach(cleanUp);

/** Packets that hold an object where text or a number belongs; tokens from 1 on. */
const hostile = ["time", "datr", "freq", "stat", "modu", "data", "rsig", "tmst"].map((field, i) => {
  const bytes = pushRaw(field, '{"toString":0,"valueOf":{"then":[]},"__proto__":null}');
  bytes.set([0, i + 1], 1);
  return bytes;
});
const hostileDownlinks = ["freq", "datr", "modu", "data", "tmst", "powe"].map((field) =>
  Buffer.concat([
    Uint8Array.of(2, 0, 9, 3),
    Buffer.from(`{"txpk":{"imme":true,"size":4,"data":"YAECAw==","${field}":{"toString":0}}}`),
  ]),
);
const datagrams = (db: string) => storedNumber(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0");

it("objects in the place of values are answered and recorded, and so is what follows", async () => {
  const service = await startService();
  const socket = await GatewaySocket.open(service.udpPort);
  for (const bytes of [...hostile, uplink(99).bytes]) await socket.send(bytes);
  expect(await socket.answerTo(99)).not.toBeNull();
  await until(
    () => socket.answered,
    (answered) => answered === hostile.length + 1,
  );
  await socket.close();
  expect((await service.end("SIGTERM")).status).toBe(0);
  expect(datagrams(service.db)).toBe(hostile.length + 1);
});

it("in line they pass in both directions, and recording goes on", async () => {
  const server = await networkServer();
  const service = await startService({ words: ["--relay", `127.0.0.1:${server.port}`] });
  const socket = await GatewaySocket.open(service.udpPort);
  for (const bytes of hostile) await socket.send(bytes);
  await until(
    () => socket.answered,
    (answered) => answered === hostile.length,
  );
  const back = server.heard[0]?.from ?? 0;
  for (const bytes of hostileDownlinks) server.socket.send(bytes, back);
  await until(
    () => socket.answered,
    (answered) => answered === hostile.length + hostileDownlinks.length,
  );
  await socket.send(uplink(99).bytes);
  await until(
    () => datagrams(service.db),
    (count) => count === hostile.length + 1,
  );
  const { passage } = await service.json<{ passage: { notRecorded: number } }>("/api/status");
  expect(passage.notRecorded).toBe(0);
  await socket.close();
  await server.close();
  expect((await service.end("SIGTERM")).status).toBe(0);
});

it("a capture that holds them is read to its end", async () => {
  const folder = temporaryFolder();
  const writer = createPcapWriter();
  const up = [...hostile, uplink(99).bytes].map((bytes, i) => arrivalOf(bytes, START_US + i * 1e6));
  const down = hostileDownlinks.map((bytes, i) => ({
    bytes,
    atUs: START_US + i * 1e6 + 1_000,
    from: { address: "192.0.2.1", port: 1700 },
    to: { address: "192.0.2.7", port: 40_123 },
  }));
  const path = join(folder, "hostile.pcap");
  const packets = [...up, ...down].map((one) => writer.datagram(one));
  writeFileSync(path, Buffer.concat([writer.header, ...packets]));
  const db = join(folder, "site.db");
  const { status, err } = await runProgram(["import", path, "--db", db], folder);
  expect({ status, err }).toEqual({ status: 0, err: "" });
  expect(datagrams(db)).toBe(up.length);
});
