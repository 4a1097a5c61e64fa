import { describe, expect, it } from "vitest";
import type { Copy } from "../../../src/intake/relay/copies.ts";
import { Passage, type PassageSocket } from "../../../src/intake/relay/relay.ts";
import type { RelayTarget } from "../../../src/intake/relay/targets.ts";
import type { UpstreamSocketHandlers } from "../../../src/intake/relay/upstream.ts";
import type { Endpoint } from "../../../src/model/datagram.ts";
import { writeHead } from "../../../src/wire/forwarder/header.ts";

const SHED = "02005E1000000001";
const SERVER: RelayTarget = { host: "192.0.2.10", port: 1700 };
const LISTENER: RelayTarget = { host: "192.0.2.11", port: 1700 };
const OWN = { address: "192.0.2.1", port: 1700 };

const pushData = (token: number, body = "{}") => writeHead({ version: 2, token }, 0, SHED, body);
const pullData = (token: number) => writeHead({ version: 2, token }, 2, SHED, "");
const txAck = (token: number) => writeHead({ version: 2, token }, 5, SHED, "");
const fromServer = (identifier: number, token: number, body = "") =>
  writeHead({ version: 2, token }, identifier, null, body);

interface FakeSocket extends PassageSocket {
  readonly to: Endpoint;
  readonly handlers: UpstreamSocketHandlers;
  readonly sent: Uint8Array[];
  closed: boolean;
}

async function setUp(targets: readonly [RelayTarget, ...RelayTarget[]] = [SERVER]) {
  const sockets: FakeSocket[] = [];
  const answers: { bytes: Uint8Array; to: Endpoint }[] = [];
  const copies: Copy[] = [];
  const time = { ms: 0 };
  const names: Record<string, string[]> = { "ns.example": ["192.0.2.20"] };
  const passage = new Passage({
    targets,
    lookUp: async (host) => names[host] ?? [],
    clock: { monotonicMs: () => time.ms, nowUs: () => time.ms * 1000, after: () => undefined },
    onCopy: (copy) => copies.push(copy),
    isOwnEndpoint: ({ address, port }) => address === OWN.address && port === OWN.port,
    openSocket: (to, handlers) => {
      const socket: FakeSocket = {
        to,
        handlers,
        sent: [],
        closed: false,
        send: (bytes) => socket.sent.push(bytes),
        close: () => {
          socket.closed = true;
        },
      };
      sockets.push(socket);
      return socket;
    },
  });
  await passage.start();
  const receive = (bytes: Uint8Array, port: number, address = "198.51.100.7") =>
    passage.receive(
      { bytes, atUs: time.ms * 1000, from: { address, port }, to: OWN, door: "relay" },
      (answer, to) => answers.push({ bytes: answer, to }),
    );
  return { passage, sockets, answers, copies, time, names, receive };
}

describe("two relays that point at each other", () => {
  it("are told, and what comes back goes round no more", async () => {
    const { sockets, receive, passage, time } = await setUp();
    receive(pushData(1, '{"rxpk":[]}'), 40_000);
    time.ms += 30;
    // The other relay sends from a socket of its own, not from the port that it listens on.
    receive(pushData(1, '{"rxpk":[]}'), 51_515, SERVER.host);
    receive(pushData(2), 40_000);
    expect(sockets).toHaveLength(1);
    expect(sockets[0]?.sent).toHaveLength(2);
    expect(passage.figures()).toMatchObject({
      up: 2,
      notRelayed: { loop: 1 },
      loop: { count: 1, from: { address: SERVER.host, port: 51_515 }, atUs: 30_000 },
    });
  });

  it("are not seen in a datagram that the network doubled, or that comes again much later", async () => {
    const { receive, passage, time } = await setUp();
    receive(pullData(1), 40_000);
    receive(pullData(1), 40_000);
    time.ms += 2_001;
    receive(pullData(1), 40_001);
    expect(passage.figures()).toMatchObject({ up: 3, loop: null });
  });
});

describe("the passage", () => {
  it("passes each datagram on once, unchanged, from a socket for each direction", async () => {
    const { sockets, receive, passage } = await setUp();
    const pushed = [pushData(1), pushData(2, '{"rxpk":[{"broken'), pushData(1)];
    for (const bytes of pushed) receive(bytes, 40_000);
    receive(pullData(3), 40_001);
    receive(txAck(4), 40_001);
    expect(sockets.map(({ to }) => to)).toEqual([
      { address: "192.0.2.10", port: 1700 },
      { address: "192.0.2.10", port: 1700 },
    ]);
    expect(sockets[0]?.sent).toEqual(pushed);
    expect(sockets[1]?.sent).toEqual([pullData(3), txAck(4)]);
    expect(passage.figures()).toMatchObject({ up: 5, down: 0, gateways: 1, associations: 2 });
  });

  it("makes no answer of its own", async () => {
    const { answers, receive, passage, time } = await setUp();
    receive(pushData(1), 40_000);
    receive(pullData(2), 40_001);
    time.ms = 60_000;
    passage.tend();
    expect(answers).toEqual([]);
  });

  it("brings acknowledgements to where was pushed from, and what belongs to pulls to where was pulled from", async () => {
    const { sockets, answers, receive } = await setUp();
    receive(pushData(1), 40_000);
    receive(pullData(2), 40_001);
    const down = [fromServer(1, 1), fromServer(4, 2), fromServer(3, 9, '{"txpk":{}}')];
    sockets[0]?.handlers.onDatagram(Buffer.from(down[0] ?? []));
    for (const bytes of down.slice(1)) sockets[1]?.handlers.onDatagram(Buffer.from(bytes));
    expect(answers.map(({ bytes, to }) => [[...bytes], to.port])).toEqual([
      [[...fromServer(1, 1)], 40_000],
      [[...fromServer(4, 2)], 40_001],
      [[...fromServer(3, 9, '{"txpk":{}}')], 40_001],
    ]);
  });

  it("brings a downlink that the server sent to the push side to where the gateway pulls from, and counts it", async () => {
    const { sockets, answers, receive, passage } = await setUp();
    receive(pushData(1), 40_000);
    receive(pullData(2), 40_001);
    sockets[0]?.handlers.onDatagram(Buffer.from(fromServer(3, 9, "{}")));
    expect(answers[0]?.to.port).toBe(40_001);
    expect(passage.figures().strayDownlinks).toBe(1);
  });

  it("lets a second upstream hear what gateways send, and passes nothing of it on", async () => {
    const { sockets, answers, copies, receive, passage } = await setUp([SERVER, LISTENER]);
    receive(pullData(2), 40_001);
    expect(sockets.map(({ sent }) => sent.length)).toEqual([1, 1]);
    sockets[1]?.handlers.onDatagram(Buffer.from(fromServer(3, 9, "{}")));
    expect(answers).toEqual([]);
    expect(copies.filter(({ way }) => way === "down")).toEqual([]);
    expect(passage.figures().upstreams.map(({ received }) => received)).toEqual([0, 1]);
  });

  it("copies both ways aside, with whose they are", async () => {
    const { sockets, copies, receive } = await setUp();
    receive(pullData(2), 40_001);
    sockets[0]?.handlers.onDatagram(Buffer.from(fromServer(3, 9, "{}")));
    expect(copies.map(({ way, from, to, gatewayEui }) => [way, from.port, to.port, gatewayEui])).toEqual([
      ["up", 40_001, 1700, SHED],
      ["down", 1700, 40_001, SHED],
    ]);
  });

  it("does not relay what a stranger sends without a readable head, and what a known gateway sends, whatever it is", async () => {
    const { sockets, receive, passage, copies } = await setUp();
    const rubbish = [
      new Uint8Array(0),
      Uint8Array.of(2, 1, 2),
      Uint8Array.of(9, 9, 9, 9, 9),
      fromServer(3, 1),
    ];
    for (const bytes of rubbish) receive(bytes, 50_000, "203.0.113.66");
    expect(sockets).toEqual([]);
    expect(passage.figures()).toMatchObject({ up: 0, notRelayed: { unreadable: 4 } });
    // Not silently: it is recorded as refused.
    expect(copies.length).toBe(4);
    receive(pushData(1), 40_000);
    for (const bytes of rubbish) receive(bytes, 40_000);
    expect(sockets[0]?.sent).toEqual([pushData(1), ...rubbish]);
  });

  it("does not relay what comes from itself, from an upstream, from no port or from a group address", async () => {
    const { sockets, receive, passage } = await setUp();
    receive(pushData(1), OWN.port, OWN.address);
    receive(pushData(1), SERVER.port, SERVER.host);
    receive(pushData(1), 0);
    receive(pushData(1), 40_000, "255.255.255.255");
    receive(pushData(1), 40_000, "ff02::1");
    expect(sockets).toEqual([]);
    expect(passage.figures().notRelayed).toMatchObject({ loop: 2, source: 3 });
  });

  it("sends no stranger's datagram more than once to each upstream, whatever identifiers it invents", async () => {
    const { sockets, answers, receive } = await setUp([SERVER, LISTENER]);
    for (let i = 0; i < 1_000; i++) {
      const eui = (0x02005e1000000000n + BigInt(i)).toString(16).toUpperCase().padStart(16, "0");
      receive(writeHead({ version: 2, token: i }, 2, eui, ""), 40_000 + i, "203.0.113.66");
    }
    const sent = sockets.reduce((sum, socket) => sum + socket.sent.length, 0);
    expect(sent).toBeLessThanOrEqual(2_000);
    expect(new Set(sockets.map(({ to }) => `${to.address}:${to.port}`))).toEqual(
      new Set(["192.0.2.10:1700", "192.0.2.11:1700"]),
    );
    expect(answers).toEqual([]);
  });

  it("counts what cannot leave while a name has no address, and passes on once it has one", async () => {
    const { sockets, receive, passage, names, time } = await setUp([{ host: "late.example", port: 1700 }]);
    receive(pushData(1), 40_000);
    expect(passage.figures().upstreams[0]).toMatchObject({ state: "unresolved", sent: 0, unsent: 1 });
    names["late.example"] = ["192.0.2.30"];
    time.ms = 6_000;
    passage.tend();
    await Promise.resolve();
    await Promise.resolve();
    receive(pushData(2), 40_000);
    expect(sockets.map(({ to, sent }) => [to.address, sent])).toEqual([["192.0.2.30", [pushData(2)]]]);
  });

  it("follows a name to another address, and still takes answers of the old one for ten seconds", async () => {
    const { sockets, answers, receive, passage, names, time } = await setUp([
      { host: "ns.example", port: 1700 },
    ]);
    receive(pullData(1), 40_000);
    names["ns.example"] = ["192.0.2.21"];
    time.ms = 61_000;
    passage.tend();
    await Promise.resolve();
    await Promise.resolve();
    receive(pullData(2), 40_000);
    expect(sockets.map(({ to, sent }) => [to.address, sent.length])).toEqual([
      ["192.0.2.20", 1],
      ["192.0.2.21", 1],
    ]);
    sockets[0]?.handlers.onDatagram(Buffer.from(fromServer(4, 1)));
    expect(answers.length).toBe(1);
    time.ms = 72_000;
    passage.tend();
    expect(sockets.map(({ closed }) => closed)).toEqual([true, false]);
  });

  it("forgets a gateway that stopped, and lets go of its sockets", async () => {
    const { sockets, receive, passage, time } = await setUp();
    receive(pushData(1), 40_000);
    receive(pullData(1), 40_001);
    time.ms = 301_000;
    passage.tend();
    expect(sockets.map(({ closed }) => closed)).toEqual([true, true]);
    expect(passage.figures()).toMatchObject({ gateways: 0, associations: 0 });
  });
});
