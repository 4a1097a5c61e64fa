import { networkInterfaces } from "node:os";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { acknowledgement, networkServer, TestSocket } from "./network-server.ts";
import { cleanUp } from "./program.ts";
import { pause, type Service, startService, until } from "./service.ts";
import { storedNumber } from "./stored.ts";

afterEach(cleanUp);

/** Both ways together. A hundred thousand take some half a minute: MASTLOG_RELAY_DATAGRAMS=100000. */
const DATAGRAMS = Number(process.env.MASTLOG_RELAY_DATAGRAMS ?? 10_000);
/** On their way at once: what the buffers of two loopback sockets hold in any case. */
const IN_THE_AIR = 48;

const hasIpv6 = Object.values(networkInterfaces()).some((list) =>
  list?.some(({ address }) => address === "::1"),
);

interface PassageAnswer {
  readonly words: string;
  readonly standing: string;
  readonly up: number;
  readonly down: number;
  readonly gateways: number;
  readonly associations: number;
  readonly notRecorded: number;
  readonly notRelayed: { reason: string; count: number }[];
  readonly upstreams: { state: string; sent: number; received: number; refusals: number }[];
}

const passageOf = async (service: Service) =>
  (await service.json<{ passage: PassageAnswer }>("/api/status")).passage;

/** Draws that are the same in every run: a linear congruential generator (Numerical Recipes, ranqd1). */
function draws(seed: number): (below: number) => number {
  let state = seed;
  return (below) => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return Math.floor((state / 2 ** 32) * below);
  };
}

/** One stream through the relay: what was sent into it, in order, and how far the other side has heard exactly that. */
class Stream {
  readonly #sent: Uint8Array[] = [];
  heard = 0;
  wrong = 0;
  readonly ports = new Set<number>();

  expect(bytes: Uint8Array): void {
    this.#sent.push(bytes);
  }
  hear(bytes: Uint8Array, port: number): void {
    const wanted = this.#sent[this.heard];
    if (wanted === undefined || Buffer.compare(wanted, bytes) !== 0) this.wrong += 1;
    this.heard += 1;
    this.ports.add(port);
  }
  get sent(): number {
    return this.#sent.length;
  }
}

function eui(number: number): string {
  return `02005e10000000${number.toString(16).padStart(2, "0")}`;
}

/** A datagram of a gateway with a body of any octets: what stands in it is none of the passage's business. */
function fromGateway(draw: (below: number) => number, gateway: number, identifier: number): Buffer {
  // Now and then as large as the reference daemon's buffer makes them, mostly a few packets.
  const size = identifier === 2 ? 0 : draw(200) === 0 ? draw(40_000) : draw(1_200);
  const bytes = Buffer.alloc(12 + size);
  bytes.set([1 + draw(2), draw(256), draw(256), identifier]);
  bytes.write(eui(gateway), 4, "hex");
  for (let i = 12; i < bytes.length; i++) bytes[i] = draw(256);
  return bytes;
}

function downlink(draw: (below: number) => number): Buffer {
  const bytes = Buffer.alloc(5 + draw(990));
  for (let i = 0; i < bytes.length; i++) bytes[i] = draw(256);
  bytes.set([2, draw(256), draw(256), 3]);
  return bytes;
}

describe("the passage between gateways and their server", () => {
  it(
    `brings ${DATAGRAMS.toLocaleString("en-GB")} datagrams both ways, byte for byte and in order, through loss, disorder and a restart of the server`,
    async () => {
      let server = await TestSocket.open();
      const serverPort = server.port;
      const service = await startService({ words: ["--relay", `127.0.0.1:${serverPort}`] });
      const draw = draws(20_260_314);
      const host = (gateway: number) => (gateway === 3 && hasIpv6 ? "::1" : "127.0.0.1");
      // Two gateways behind one IPv4 address, a third that speaks IPv6; each with a socket to push and one to pull.
      const sockets = new Map<string, TestSocket>();
      const up = new Map<string, Stream>();
      const down = new Map<string, Stream>();
      const associations = new Map<string, number>();
      const stream = (of: Map<string, Stream>, key: string): Stream => {
        const known = of.get(key) ?? new Stream();
        of.set(key, known);
        return known;
      };
      const onServer = (bytes: Buffer, from: { port: number }): void => {
        const key = `${bytes.toString("hex", 4, 12)} ${bytes[3] === 0 ? "push" : "pull"}`;
        stream(up, key).hear(bytes, from.port);
        associations.set(key, from.port);
        const answer = acknowledgement(bytes);
        // One of ten acknowledgements is lost before it reaches the relay.
        if (answer === null || draw(10) === 0) return;
        stream(down, key).expect(answer);
        server.send(answer, from.port);
        if (bytes[3] !== 2) return;
        for (let i = draw(4); i > 0; i--) {
          const sent = downlink(draw);
          stream(down, key).expect(sent);
          server.send(sent, from.port);
        }
      };
      server.onDatagram = onServer;
      for (const gateway of [1, 2, 3]) {
        for (const direction of ["push", "pull"]) {
          const key = `${eui(gateway)} ${direction}`;
          const socket = await TestSocket.open(host(gateway));
          socket.onDatagram = (bytes, from) => stream(down, key).hear(bytes, from.port);
          sockets.set(key, socket);
        }
      }
      const total = (of: Map<string, Stream>, what: "sent" | "heard" | "wrong") =>
        [...of.values()].reduce((sum, one) => sum + one[what], 0);
      const onTheWay = () =>
        total(up, "sent") - total(up, "heard") + total(down, "sent") - total(down, "heard");
      const settled = () => until(onTheWay, (count) => count === 0, 5_000);

      /** Sends as a disorderly path delivers: some never, some in another order; what reaches the relay is noted. */
      const traffic = async (count: number): Promise<void> => {
        const enough = total(up, "sent") + total(down, "sent") + count;
        while (total(up, "sent") + total(down, "sent") < enough) {
          const burst: { key: string; gateway: number; bytes: Buffer }[] = [];
          for (let i = 1 + draw(6); i > 0; i--) {
            const gateway = 1 + draw(3);
            const identifier = [0, 0, 2, 2, 5][draw(5)] ?? 0;
            const key = `${eui(gateway)} ${identifier === 0 ? "push" : "pull"}`;
            const bytes = fromGateway(draw, gateway, identifier);
            if (draw(20) > 0) burst.splice(draw(burst.length + 1), 0, { key, gateway, bytes });
          }
          for (const { key, gateway, bytes } of burst) {
            stream(up, key).expect(bytes);
            sockets.get(key)?.send(bytes, service.udpPort, host(gateway));
          }
          while (onTheWay() > IN_THE_AIR) await new Promise((resume) => setImmediate(resume));
        }
        await settled();
      };

      const startMs = performance.now();
      await traffic(DATAGRAMS / 2);
      // The server is away for a moment; what is sent meanwhile reaches nobody, and nobody pretends that it did.
      await server.close();
      const heardBefore = total(down, "heard");
      for (let i = 0; i < 60; i++) {
        sockets.get(`${eui(1)} push`)?.send(fromGateway(draw, 1, 0), service.udpPort);
        await pause(1);
      }
      await pause(200);
      expect(total(down, "heard")).toBe(heardBefore);
      const refused = await until(
        () => passageOf(service),
        ({ upstreams }) => upstreams[0]?.state === "refusing",
      );
      expect(refused.words).toContain("nobody listens on that port");
      expect(refused.standing).toBe("bad");
      server = await TestSocket.open("127.0.0.1", serverPort);
      server.onDatagram = onServer;
      await traffic(DATAGRAMS / 2);
      const tookMs = performance.now() - startMs;

      expect({ up: total(up, "wrong"), down: total(down, "wrong") }).toEqual({ up: 0, down: 0 });
      expect(up.size).toBe(6);
      // Each association kept its one port towards the server, and its own.
      for (const one of up.values()) expect(one.ports.size).toBe(1);
      expect(new Set(associations.values()).size).toBe(6);
      // To the gateway everything comes from the port that it sent to.
      for (const one of down.values()) expect([...one.ports]).toEqual([service.udpPort]);
      const passed = total(up, "heard") + total(down, "heard");
      expect(passed).toBeGreaterThanOrEqual(DATAGRAMS);
      console.info(`relay: ${passed} datagrams both ways in ${(tookMs / 1000).toFixed(1)} s`);
      const passage = await until(
        () => passageOf(service),
        (one) =>
          one.upstreams[0]?.state === "answering" &&
          one.up >= total(up, "heard") &&
          one.down >= total(down, "heard"),
      );
      expect(passage.words).toBe(`Relaying to 127.0.0.1:${serverPort}, answering; 3 gateways.`);
      expect(passage).toMatchObject({ associations: 6, down: total(down, "heard"), notRelayed: [] });
      for (const socket of sockets.values()) await socket.close();
      await server.close();
      // What passed is recorded behind it, at the pace of the store.
      await until(
        () => service.json<{ acknowledged: { waiting: number } }>("/api/status"),
        ({ acknowledged }) => acknowledged.waiting === 0,
        30_000,
      );
      const { status, err } = await service.end("SIGTERM");
      expect({ status, err }).toEqual({ status: 0, err: "" });
    },
    Math.max(90_000, DATAGRAMS),
  );

  it("brings downlinks to the port that a gateway pulls from now, also those sent to its association of before", async () => {
    const server = await networkServer();
    const service = await startService({ words: ["--relay", `localhost:${server.port}`] });
    const before = await GatewaySocket.open(service.udpPort);
    await before.send(keepalive(1));
    expect((await before.answerTo(1))?.bytes[3]).toBe(4);
    const oldPort = server.pulledFrom.get(eui(1)) ?? 0;
    await before.close();
    const after = await GatewaySocket.open(service.udpPort);
    await after.send(keepalive(2));
    expect((await after.answerTo(2))?.bytes[3]).toBe(4);
    const newPort = server.pulledFrom.get(eui(1)) ?? 0;
    expect(newPort).not.toBe(oldPort);
    for (const [token, port] of [
      [0x0303, newPort],
      [0x0404, oldPort],
    ] as const) {
      const bytes = Uint8Array.from([2, token >> 8, token & 255, 3, 0x7b, 0x7d]);
      server.socket.send(bytes, port);
      expect([...((await after.answerTo(token))?.bytes ?? [])]).toEqual([...bytes]);
    }
    await after.close();
    await server.close();
  });

  it("gives a gateway no acknowledgement but the server's own, and records what passed", async () => {
    const server = await networkServer();
    const service = await startService({ words: ["--relay", `127.0.0.1:${server.port}`] });
    const gateway = await GatewaySocket.open(service.udpPort);
    const uplinks = Array.from({ length: 40 }, (_, i) => uplink(i));
    expect(await gateway.sendAll(uplinks.map(({ bytes }) => bytes))).toBe(true);
    expect(gateway.answered).toBe(40);
    server.fallSilent();
    await gateway.send(uplink(40).bytes);
    await gateway.send(keepalive(0x7777));
    await pause(300);
    expect(gateway.answered).toBe(40);
    expect(server.heard.length).toBe(42);
    await until(
      () => service.json<{ storage: { receptions: number } }>("/api/status"),
      ({ storage }) => storage.receptions === 41,
    );
    await gateway.close();
    await server.close();
    await service.end("SIGTERM");
    expect(storedNumber(service.db, "SELECT count(*) FROM reception")).toBe(41);
  });

  it("lets a second server hear, and passes nothing of it back", async () => {
    const server = await networkServer();
    const listener = await networkServer();
    const words = ["--relay", `127.0.0.1:${server.port}`, "--relay", `127.0.0.1:${listener.port}`];
    const service = await startService({ words });
    const gateway = await GatewaySocket.open(service.udpPort);
    await gateway.send(keepalive(1));
    expect(await gateway.answerTo(1)).not.toBeNull();
    await until(
      () => listener.heard.length,
      (count) => count === 1,
    );
    expect(listener.heard[0]?.bytes).toEqual(server.heard[0]?.bytes);
    listener.socket.send(Uint8Array.of(2, 0, 9, 3, 0x7b, 0x7d), listener.heard[0]?.from ?? 0);
    await pause(200);
    expect(gateway.answered).toBe(1);
    await until(
      async () => (await passageOf(service)).upstreams.map(({ sent, received }) => `${sent}/${received}`),
      (counts) => counts.join(" ") === "1/1 1/2",
    );
    await gateway.close();
    await Promise.all([server.close(), listener.close()]);
  });

  it("relays no stranger's datagram anywhere else, and sends no more than it received", async () => {
    const server = await networkServer();
    const service = await startService({ words: ["--relay", `127.0.0.1:${server.port}`] });
    const bystander = await TestSocket.open();
    const stranger = await TestSocket.open();
    const draw = draws(7);
    let octetsSent = 0;
    let octetsHeard = 0;
    stranger.onDatagram = (bytes) => {
      octetsHeard += bytes.length;
    };
    const send = (bytes: Uint8Array) => {
      octetsSent += bytes.length;
      stranger.send(bytes, service.udpPort);
    };
    // Rubbish, a server's datagrams, and a downlink that names the bystander's address in its body.
    for (let i = 0; i < 300; i++) send(Uint8Array.from({ length: draw(60) }, () => draw(256)));
    send(Buffer.from(`\u0002\u0001\u0001\u0003{"txpk":{"host":"127.0.0.1","port":${bystander.port}}}`));
    await pause(200);
    const rubbishPassed = server.heard.filter(({ bytes }) => bytes.length < 12 || (bytes[3] ?? 9) > 5).length;
    expect(rubbishPassed).toBe(0);
    expect(stranger.heard).toBe(0);
    // Heads that are in order, with identifiers invented for each.
    const before = server.heard.length;
    for (let i = 0; i < 300; i++) send(fromGateway(draw, i % 256, [0, 2, 5][i % 3] ?? 0).subarray(0, 400));
    await pause(300);
    expect(server.heard.length - before).toBeLessThanOrEqual(300);
    expect(stranger.heard).toBeLessThanOrEqual(300);
    expect(octetsHeard).toBeLessThan(octetsSent);
    expect(bystander.heard).toBe(0);
    const passage = await until(
      () => passageOf(service),
      ({ up, notRelayed }) =>
        up === server.heard.length && notRelayed.some(({ reason }) => reason === "unreadable"),
    );
    expect(passage.up).toBeGreaterThan(0);
    await Promise.all([bystander.close(), stranger.close(), server.close()]);
  });
});
