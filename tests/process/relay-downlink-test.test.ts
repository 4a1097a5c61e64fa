import { afterEach, describe, expect, it } from "vitest";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { encodePullData, encodePushData, encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import { packet, phy } from "../store/traffic.ts";
import { TestSocket } from "./network-server.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { type Service, startService, until } from "./service.ts";

afterEach(cleanUp);

const SHED = "02005E1000000001";
const CHANNELS = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000];

/** A gateway on the bench that hears a European plan and takes what it is asked to send. */
async function benchGateway(service: Service) {
  const push = await TestSocket.open();
  const pull = await TestSocket.open();
  const asked: Buffer[] = [];
  pull.onDatagram = (bytes) => {
    if (bytes[3] !== 3) return;
    asked.push(bytes);
    const outcome = { result: "accepted", word: null, powerDbm: null } as const;
    const token = bytes.readUInt16BE(1);
    pull.send(encodeTxAck({ version: 2, token, gatewayEui: SHED, outcome }), service.udpPort);
  };
  for (let i = 0; i < 60; i++) {
    const heard = {
      payload: phy("01A2B3C4", i),
      tmstUs: 1_000_000 + i * 2_000_000,
      frequencyHz: CHANNELS[i % CHANNELS.length] ?? 0,
      spreadingFactor: 7 + (i % 6),
    };
    const bytes = encodePushData({
      version: 2,
      token: i,
      gatewayEui: SHED,
      packets: [packet(heard)],
      status: null,
    });
    push.send(bytes, service.udpPort);
  }
  return {
    asked,
    call: () => pull.send(encodePullData({ version: 2, token: 9, gatewayEui: SHED }), service.udpPort),
    close: () => Promise.all([push.close(), pull.close()]),
  };
}

const ASKED = {
  gatewayEui: SHED,
  confirm: SHED,
  frequencyHz: 868_300_000,
  dataRate: "SF9BW125",
  powerDbm: 14,
};

function post(service: Service, body: object): Promise<Response> {
  return fetch(`http://127.0.0.1:${service.webPort}/api/downlink-test`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  });
}

describe("a downlink test", () => {
  it("reaches the gateway where it pulls from, tells its word, is logged, and stays within the limits", async () => {
    const service = await startService({ words: ["--allow-transmit"] });
    const gateway = await benchGateway(service);
    await until(
      () => service.json<{ gateways: { region: { name: string | null } }[] }>("/api/gateways"),
      ({ gateways }) => gateways[0]?.region.name === "EU868",
    );
    // Not before it has called: there is no downlink path to it.
    expect((await post(service, ASKED)).status).toBe(409);
    gateway.call();
    await until(
      () => service.json<{ calledSecondsAgo: number | null }>(`/api/downlink-test?gateway=${SHED}`),
      ({ calledSecondsAgo }) => calledSecondsAgo !== null,
    );
    for (const part of [
      { confirm: "yes" },
      { powerDbm: 20 },
      { frequencyHz: 868_400_000 },
      { frequencyHz: 902_300_000 },
    ])
      expect((await post(service, { ...ASKED, ...part })).status).toBeGreaterThanOrEqual(403);
    expect(gateway.asked).toEqual([]);

    const answer = await post(service, ASKED);
    expect(answer.status).toBe(200);
    expect(await answer.json()).toMatchObject({ outcome: "accepted", airtimeMs: 144.384 });
    expect(gateway.asked.length).toBe(1);
    const heard = decodeDownstream(gateway.asked[0] ?? new Uint8Array());
    expect(heard.ok && heard.datagram).toMatchObject({
      kind: "pull-response",
      transmission: { moment: { kind: "immediate" }, frequencyHz: 868_300_000, powerDbm: 14 },
    });
    // What was asked for stands among the gateway's downlinks, with its word.
    const { downlinks } = await until(
      () => service.json<{ downlinks: { outcome: string; size: number }[] }>("/api/downlinks"),
      ({ downlinks: rows }) => rows[0]?.outcome === "accepted",
    );
    expect(downlinks).toMatchObject([{ size: 12 }]);
    await gateway.close();
    const { err } = await service.end("SIGTERM");
    expect(err).toMatch(
      /Downlink test: gateway 02005E1000000001 at 127\.0\.0\.1 port \d+ is asked to send 12 octets/,
    );
    expect(err).toMatch(/Downlink test: gateway 02005E1000000001 answered accepted after [\d.]+\u202Fms\./);
  });

  it("is off unless --allow-transmit is given, and never goes together with a relay", async () => {
    const service = await startService();
    const gateway = await benchGateway(service);
    gateway.call();
    const refused = await until(
      () => post(service, ASKED),
      ({ status }) => status !== 404,
    );
    expect(refused.status).toBe(409);
    expect(await refused.text()).toContain("--allow-transmit");
    expect(gateway.asked).toEqual([]);
    await gateway.close();
    const folder = temporaryFolder();
    const both = await runProgram(["listen", "--allow-transmit", "--relay", "127.0.0.1:9"], folder);
    expect([both.status, both.out]).toEqual([2, ""]);
    expect(both.err).toContain("exclude each other");
  });
});
