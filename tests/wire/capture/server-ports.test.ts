/** Is the server's port told from everything else that crosses a capture? */

import { describe, expect, test } from "vitest";
import type { Arrival, Endpoint } from "../../../src/model/datagram.ts";
import {
  createServerPortFinder,
  isDownstream,
  protocolShape,
} from "../../../src/wire/capture/capture-decoder.ts";
import { arrival, hex, joined, recogniseServerPorts } from "./octets.ts";

const eui = "02005E1000000001";
const text = (body: string): Uint8Array => new Uint8Array(Buffer.from(body));
const pushData = joined(hex(`02 1234 00 ${eui}`), text('{"rxpk":[]}'));
const pullData = hex(`02 1235 02 ${eui}`);
const txAck = hex(`02 1236 05 ${eui}`);
const pushAck = hex("02 1234 01");
const pullAck = hex("02 1235 04");
const pullResponse = joined(hex("02 1236 03"), text('{"txpk":{}}'));

const server: Endpoint = { address: "192.0.2.1", port: 1700 };
const gateway = (port: number): Endpoint => ({ address: "192.0.2.10", port });
const send = (from: Endpoint, to: Endpoint, ...all: readonly Uint8Array[]): Arrival[] =>
  all.map((bytes) => arrival({ from, to, bytes }));
const session = (to: Endpoint, from: Endpoint): Arrival[] => [
  ...send(from, to, pullData, pushData, pushData, txAck),
  ...send(to, from, pullAck, pushAck, pushAck, pullResponse),
];
const noise = (port: number, count: number): Arrival[] =>
  Array.from({ length: count }, (_, at) =>
    arrival({ from: gateway(50_000 + at), to: { ...server, port }, bytes: Uint8Array.of(at, 1, 0, 0, 0, 1) }),
  );

describe("shape", () => {
  test("each datagram of the protocol has its shape, and near misses have none", () => {
    expect([pushData, pullData, txAck, pushAck, pullAck, pullResponse].map(protocolShape)).toEqual([
      "push-data",
      "pull-data",
      "tx-ack",
      "answer",
      "answer",
      "downlink",
    ]);
    const misses = [
      hex(""),
      hex("02"),
      hex(`03 1234 02 ${eui}`),
      hex(`02 1234 02 ${eui} 00`),
      hex(`02 1234 00 ${eui}`),
      hex("02 1234 01 00"),
      hex(`02 1234 06 ${eui}`),
      joined(hex("02 1236 03"), text("[]")),
      // An opening brace within the gateway's EUI, and none behind it.
      hex("02 1234 00 02005E7B"),
      hex("02 1236 05 02005E7B"),
      joined(txAck, text("[]")),
    ];
    // JSON white space and padding may stand before the brace.
    for (const blank of ["\t", "\n", "\r", " ", "\0", " \r\n\t\0"])
      expect(protocolShape(joined(hex(`02 1234 00 ${eui}`), text(`${blank}{}`)))).toBe("push-data");
    for (const other of ["[", "\v", "x", "\u0001"])
      expect(protocolShape(joined(hex(`02 1234 00 ${eui}`), text(`${other}{}`)))).toBe("other");
    expect(protocolShape(joined(txAck, text(' {"txpk_ack":{}}')))).toBe("tx-ack");
    expect(misses.map(protocolShape)).toEqual(misses.map(() => "other"));
  });
});

describe("recognised", () => {
  test("the port that gateways send to, not the ones that they are answered at", () => {
    expect(recogniseServerPorts(session(server, gateway(40_000)))).toEqual([1700]);
  });

  test("among name, time and other traffic", () => {
    const all = [...noise(53, 300), ...session(server, gateway(40_000)), ...noise(123, 50)];
    expect(recogniseServerPorts(all)).toEqual([1700]);
  });

  test("two servers, and separate ports for the two directions, the busiest first", () => {
    const up = { ...server, port: 1780 };
    const down = { ...server, port: 1782 };
    const all = [
      ...send(gateway(40_000), up, pushData, pushData, pushData),
      ...send(gateway(40_001), down, pullData),
      ...send(down, gateway(40_001), pullAck, pullResponse),
      ...session({ address: "192.0.2.2", port: 1700 }, gateway(40_002)),
    ];
    expect(recogniseServerPorts(all)).toEqual([1700, 1780, 1782]);
  });

  test("a gateway that sends from the server's own port number does not hide it", () => {
    expect(recogniseServerPorts(session(server, gateway(1700)))).toEqual([1700]);
  });

  test("a port with a few chance hits among much else is not the server's", () => {
    expect(
      recogniseServerPorts([...noise(53, 100), ...send(gateway(1), { ...server, port: 53 }, pullData)]),
    ).toEqual([]);
  });

  test("answers alone, or TX_ACK alone, prove no server", () => {
    expect(recogniseServerPorts(send(server, gateway(40_000), pushAck, pullAck, pullResponse))).toEqual([]);
    expect(recogniseServerPorts(send(gateway(40_000), server, txAck, txAck))).toEqual([]);
  });

  test("a port that gets more answers than it sends to is a gateway's, whatever else reaches it", () => {
    const relayed = gateway(40_000);
    const all = [
      ...send(gateway(40_001), relayed, pushData),
      ...send(server, relayed, pushAck, pushAck),
      ...send(relayed, server, txAck, txAck),
    ];
    expect(recogniseServerPorts(all)).toEqual([]);
    // Where it answers as well, only the count of what it gets decides: three from servers, two from gateways.
    const both = [
      ...send(gateway(40_001), relayed, pushData, pullData),
      ...send(relayed, gateway(40_001), pushAck, pullAck),
      ...send(server, relayed, pushAck, pullResponse),
    ];
    expect(recogniseServerPorts([...both, ...send(server, relayed, pullAck)])).toEqual([]);
    expect(recogniseServerPorts(both)).toEqual([40_000]);
    // One answer against one uplink: half of what it gets has a gateway's shape.
    expect(recogniseServerPorts(all.slice(0, 2))).toEqual([40_000]);
  });

  test("answers count once for an uplink at most, and nothing else that a port sends counts", () => {
    const port = { ...server, port: 1700 };
    const answers = (count: number) =>
      Array.from({ length: count }, () => send(port, gateway(40_000), pullAck)).flat();
    // Two of eight are a gateway's: a quarter. With two answers they weigh a half, which is enough.
    const quarter = [...noise(1700, 6), ...send(gateway(40_000), port, pullData, pullData)];
    expect(recogniseServerPorts(quarter)).toEqual([]);
    expect(recogniseServerPorts([...quarter, ...answers(1)])).toEqual([]);
    expect(recogniseServerPorts([...quarter, ...answers(2)])).toEqual([1700]);
    // One of eight: nine answers do not make up for it.
    const eighth = [...noise(1700, 7), ...send(gateway(40_000), port, pullData)];
    expect(recogniseServerPorts([...eighth, ...answers(9)])).toEqual([]);
    const other = send(port, gateway(40_000), txAck, hex("00"), hex("00"));
    expect(recogniseServerPorts([...quarter, ...other])).toEqual([]);
  });

  test("a scan of many ports costs bounded memory and hides nothing that came first", () => {
    const scan = Array.from({ length: 60_000 }, (_, port) =>
      arrival({ to: { ...server, port: (port % 60_000) + 2000 }, bytes: hex("00") }),
    );
    const late = send(gateway(39_000), gateway(39_001), pullAck);
    const finder = createServerPortFinder();
    for (const one of [...session(server, gateway(40_000)), ...scan, ...late]) finder.observe(one);
    expect(finder.ports()).toEqual([1700]);
    expect(finder.observed).toBe(8 + 60_000 + 1);
  });
});

test("answers and downlinks from the server are told from what gateways send", () => {
  const all = session(server, gateway(1700));
  expect(all.map((one) => isDownstream(one, [1700]))).toEqual([
    false,
    false,
    false,
    false,
    true,
    true,
    true,
    true,
  ]);
  expect(isDownstream(arrival({ from: gateway(40_000), bytes: pullResponse }), [1700])).toBe(false);
});
