import { createSocket } from "node:dgram";
import { writeFileSync } from "node:fs";
import { createServer } from "node:net";
import { networkInterfaces } from "node:os";
import { join } from "node:path";
import Database from "better-sqlite3";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";
import { receptionKey, receptionKeys, storedNumber } from "./stored.ts";

afterEach(cleanUp);

/** What is wrong and what to do about it, in plain words on one line; no stack. */
const oneLine = /^[^\n]+\.\n$/;

const hasIpv6 = Object.values(networkInterfaces()).some((list) =>
  list?.some(({ address }) => address === "::1"),
);

interface NodesAnswer {
  nodes: { devAddr: string; heard: number; missed: number; life: number }[];
}

describe("mastlog listen", () => {
  it("prints one line once it is ready, answers, shows what it acknowledged, and prints nothing else until its end", async () => {
    const service = await startService();
    expect(service.readyLine).toMatch(/^Mastlog listens: gateways to UDP port \d+ of /);
    expect(service.readyLine).toContain(`http://127.0.0.1:${service.webPort}/`);
    expect(service.token).toBeNull();
    expect(service.udpPort).toBeGreaterThan(0);
    expect((await service.json<{ udp: { port: number }[] }>("/api/status")).udp[0]?.port).toBe(
      service.udpPort,
    );

    // From the addressed port, with version and token.
    for (const host of hasIpv6 ? ["127.0.0.1", "::1"] : ["127.0.0.1"]) {
      const socket = await GatewaySocket.open(service.udpPort, { host });
      await socket.send(keepalive(0x1234));
      const pulled = await socket.answerTo(0x1234);
      expect([...(pulled?.bytes ?? [])], host).toEqual([2, 0x12, 0x34, 4]);
      for (const version of [1, 2] as const) {
        const one = uplink(40_000 + version, { version, nodes: 2, base: 0x01b0_0000 });
        await socket.send(one.bytes);
        const pushed = await socket.answerTo(one.number);
        expect([...(pushed?.bytes ?? [])], host).toEqual([version, one.number >> 8, one.number & 255, 1]);
      }
      await socket.close();
    }

    // Counters 0 to 4 of two nodes; counter 2 of the second is left out.
    const uplinks = Array.from({ length: 10 }, (_, i) => uplink(i, { nodes: 2 })).filter(
      ({ number }) => number !== 5,
    );
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll(uplinks.map(({ bytes }) => bytes))).toBe(true);
    await socket.close();
    const ours = ({ nodes }: NodesAnswer) => nodes.filter(({ devAddr }) => devAddr.startsWith("01A2"));
    // An answer that took 25 ms left before its datagram was stored.
    const answer = await until(
      () => service.json<NodesAnswer>("/api/nodes"),
      (all) => ours(all).reduce((sum, { heard }) => sum + heard, 0) === 9,
    );
    expect(ours(answer).map(({ devAddr, heard, missed }) => ({ devAddr, heard, missed }))).toEqual(
      expect.arrayContaining([
        { devAddr: "01A20000", heard: 5, missed: 0 },
        { devAddr: "01A20001", heard: 4, missed: 1 },
      ]),
    );
    const page = await fetch(`http://127.0.0.1:${service.webPort}/`);
    expect(await page.text()).toContain("<title>");

    const { out, err } = await service.end("SIGTERM");
    expect(out).toBe(`${service.readyLine}\n`);
    expect(err).toBe("");
  });

  it.each(["SIGTERM", "SIGINT"] as const)(
    "drains what it received when %s comes amid a burst, loses nothing acknowledged, ends with 0",
    async (signal) => {
      const service = await startService();
      const socket = await GatewaySocket.open(service.udpPort);
      const uplinks = Array.from({ length: 500 }, (_, i) => uplink(i));
      await Promise.all(uplinks.map(({ bytes }) => socket.send(bytes)));
      const { status, err } = await service.end(signal);
      expect({ status, err }).toEqual({ status: 0, err: "" });
      const stored = receptionKeys(service.db);
      const acknowledged = uplinks.filter(({ number }) => socket.answers.has(number));
      const lost = acknowledged.filter(
        ({ gatewayEui, tmstUs, payload }) =>
          !stored.has(
            receptionKey({ eui: gatewayEui, tmst: tmstUs, payload: Buffer.from(payload).toString("hex") }),
          ),
      );
      expect(lost).toEqual([]);
      // What the kernel had handed over by then was stored and acknowledged, too: nothing was thrown away.
      expect(acknowledged.length).toBe(500);
      await socket.close();
    },
  );

  it("goes on with the same store at its second start: no life begins anew", async () => {
    const db = join(temporaryFolder(), "kept.db");
    const first = await startService({ db });
    let socket = await GatewaySocket.open(first.udpPort);
    expect(await socket.sendAll(Array.from({ length: 40 }, (_, i) => uplink(i).bytes))).toBe(true);
    await socket.close();
    expect((await first.end("SIGTERM")).status).toBe(0);
    const second = await startService({ db });
    socket = await GatewaySocket.open(second.udpPort);
    const more = Array.from({ length: 40 }, (_, i) => uplink(40 + i).bytes);
    expect(await socket.sendAll(more)).toBe(true);
    await socket.close();
    // An answer that took 25 ms left before its datagram was stored.
    const { nodes } = await until(
      () => second.json<NodesAnswer>("/api/nodes"),
      (answer) => answer.nodes.reduce((sum, { heard }) => sum + heard, 0) === 80,
    );
    expect(nodes.length).toBe(8);
    for (const node of nodes) expect(node).toMatchObject({ heard: 10, missed: 0, life: 1 });
    expect((await second.end("SIGINT")).status).toBe(0);
    expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(80);
  });
});

describe("mastlog listen, hindered", () => {
  it("says in one line that the UDP port is taken, and ends with 2", async () => {
    const holder = createSocket("udp4");
    await new Promise<void>((done) => holder.bind(0, "0.0.0.0", done));
    const port = String(holder.address().port);
    const folder = temporaryFolder();
    const { status, out, err } = await runProgram(["listen", "--udp-port", port, "--web-port", "0"], folder);
    holder.close();
    expect({ status, out }).toEqual({ status: 2, out: "" });
    expect(err).toMatch(oneLine);
    expect(err).toContain(`UDP port ${port} is taken`);
  });

  it("says in one line that the TCP port is taken, and ends with 2", async () => {
    const holder = createServer();
    await new Promise<void>((done) => holder.listen(0, "127.0.0.1", done));
    const address = holder.address();
    const port = String(typeof address === "object" ? address?.port : 0);
    const { status, out, err } = await runProgram(
      ["listen", "--udp-port", "0", "--web-port", port],
      temporaryFolder(),
    );
    holder.close();
    expect({ status, out }).toEqual({ status: 2, out: "" });
    expect(err).toMatch(oneLine);
    expect(err).toContain(`TCP port ${port}`);
  });

  it("refuses a store that a newer program wrote, in one line, and leaves it as it is", async () => {
    const folder = temporaryFolder();
    const path = join(folder, "newer.db");
    const db = new Database(path);
    db.exec("CREATE TABLE future (a); INSERT INTO future VALUES (7)");
    db.pragma("user_version = 999");
    db.close();
    const { status, out, err } = await runProgram(
      ["listen", "--udp-port", "0", "--web-port", "0", "--db", path],
      folder,
    );
    expect({ status, out }).toEqual({ status: 2, out: "" });
    expect(err).toMatch(oneLine);
    expect(err).toContain("newer");
    expect(storedNumber(path, "SELECT a FROM future")).toBe(7);
    expect(storedNumber(path, "PRAGMA user_version")).toBe(999);
  });

  it("refuses a file that is no store, in one line", async () => {
    const { status, out, err } = await runProgram(
      ["listen", "--udp-port", "0", "--web-port", "0", "--db", "/dev/null/none.db"],
      temporaryFolder(),
    );
    expect({ status, out }).toEqual({ status: 2, out: "" });
    expect(err).toMatch(oneLine);
  });
});

describe("mastlog listen --host 0.0.0.0", () => {
  it("asks for the token that its line names: 401 without, 200 with it", async () => {
    const service = await startService({ words: ["--host", "0.0.0.0"] });
    expect(service.token).toMatch(/^[\w-]{32}$/);
    const url = `http://127.0.0.1:${service.webPort}/api/nodes`;
    expect((await fetch(url)).status).toBe(401);
    const wrong = await fetch(url, { headers: { authorization: `Bearer ${"x".repeat(32)}` } });
    expect(wrong.status).toBe(401);
    const right = await fetch(url, { headers: { authorization: `Bearer ${service.token}` } });
    expect(right.status).toBe(200);
    expect(await right.json()).toMatchObject({ nodes: [] });
  });

  it("takes its token from a file, so that no list of processes shows it", async () => {
    const token = "a-token-kept-in-a-file";
    const file = join(temporaryFolder(), "token");
    writeFileSync(file, `${token}\n`);
    const service = await startService({ words: ["--token-file", file] });
    expect(service.token).toBe(token);
    const url = `http://127.0.0.1:${service.webPort}/api/nodes`;
    expect((await fetch(url)).status).toBe(401);
    const right = await fetch(url, { headers: { authorization: `Bearer ${token}` } });
    expect(right.status).toBe(200);
  });

  it("takes its token from MASTLOG_TOKEN, and a typed one before that, and asks for it", async () => {
    const environment = { MASTLOG_TOKEN: "a-token-of-the-environment" };
    expect((await startService({ environment })).token).toBe(environment.MASTLOG_TOKEN);
    const typed = "a-token-that-was-typed";
    const service = await startService({ environment, words: ["--token", typed] });
    expect(service.token).toBe(typed);
    const status = async () => (await fetch(`http://127.0.0.1:${service.webPort}/api/status`)).status;
    expect(await status()).toBe(401);
  });

  it("says in one line that a token file cannot be read, is empty, or is one too many", async () => {
    const folder = temporaryFolder();
    writeFileSync(join(folder, "empty"), "\n");
    writeFileSync(join(folder, "token"), "a-token-kept-in-a-file");
    for (const words of [["missing"], ["empty"], ["token", "--token", "a-token-that-was-typed"]]) {
      const { status, out, err } = await runProgram(["listen", "--token-file", ...words], folder);
      expect({ status, out }).toEqual({ status: 2, out: "" });
      expect(err).toMatch(oneLine);
    }
  });
});
