/** What was acknowledged while nobody looked: durable as it came, in rows once somebody looks or the service starts again. */
import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";
import { integrity, storedNumber } from "./stored.ts";

afterAll(cleanUp);

async function startHolding(db: string): Promise<{ child: ChildProcess; port: number }> {
  const program = fileURLToPath(new URL("holding-intake.mjs", import.meta.url));
  const child = spawn(process.execPath, [program, db], { stdio: ["pipe", "pipe", "inherit"] });
  return { child, port: Number(await lineOf(child)) };
}

async function lineOf({ stdout }: ChildProcess): Promise<string> {
  if (stdout === null) throw new Error("The program has no standard output.");
  const [line] = (await once(stdout, "data")) as [Buffer];
  return line.toString().trim();
}

it("is in rows when a command reads the store beside the service, which asks for it once", async () => {
  const folder = temporaryFolder();
  const db = join(folder, "read.db");
  const { child, port } = await startHolding(db);
  try {
    const gateway = await GatewaySocket.open(port);
    const heardByCommand = async () => {
      const { out, err, status } = await runProgram(["nodes", "--json", "--db", db], folder);
      expect({ err, status }).toEqual({ err: "", status: 0 });
      const { nodes } = JSON.parse(out) as { nodes: { heard: number }[] };
      return nodes.reduce((sum, { heard }) => sum + heard, 0);
    };
    for (let number = 0; number < 16; number++) await gateway.send(uplink(number).bytes);
    await until(
      () => gateway.answered,
      (answered) => answered === 16,
    );
    expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(0);
    expect(await heardByCommand()).toBe(16);
    expect(await heardByCommand()).toBe(16);
    await until(
      () => storedNumber(db, "SELECT json_extract(value, '$.isLookedAt') FROM setting WHERE key = 'service'"),
      (isLookedAt) => isLookedAt === 0,
    );
    await gateway.close();
  } finally {
    child.kill("SIGKILL");
    await once(child, "exit");
  }
});

it("is in rows when somebody looks, and after a kill at the next start", async () => {
  const folder = temporaryFolder();
  const db = join(folder, "held.db");
  const receptions = () => storedNumber(db, "SELECT count(*) FROM reception");
  const { child, port } = await startHolding(db);
  try {
    const gateway = await GatewaySocket.open(port);
    for (let number = 0; number < 20; number++) await gateway.send(uplink(number).bytes);
    await until(
      () => gateway.answered,
      (answered) => answered === 20,
    );
    expect(receptions()).toBe(0);
    child.stdin?.write("look\n");
    expect(await lineOf(child)).toBe("looked");
    expect(receptions()).toBe(20);
    for (let number = 20; number < 40; number++) await gateway.send(uplink(number).bytes);
    await gateway.send(keepalive(9_999));
    await until(
      () => gateway.answered,
      (answered) => answered === 41,
    );
    expect(receptions()).toBe(20);
    await gateway.close();
  } finally {
    child.kill("SIGKILL");
    await once(child, "exit");
  }
  const told = await runProgram(["nodes", "--db", db], folder);
  expect(told.err).toMatch(
    /^The last service was cut off: 2\d datagrams of it are not shown yet\. Start Mastlog once, or run 'mastlog rebuild'\.\n$/,
  );
  expect(told.status).toBe(0);
  const service = await startService({ db });
  const { nodes } = await service.json<{ nodes: { heard: number; expected: number }[] }>("/api/nodes");
  // Eight nodes take turns, each counting from 0.
  expect(nodes.map(({ heard, expected }) => [heard, expected])).toEqual(Array(8).fill([5, 5]));
  const { err } = await service.end("SIGTERM");
  expect(err).toMatch(/The last run was cut off: 2\d datagrams of it became rows only now\./);
  expect(receptions()).toBe(40);
  expect(integrity(db)).toBe("ok");
});
