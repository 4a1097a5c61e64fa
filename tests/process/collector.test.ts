/** Do two sites' services, each relaying to a third, find their own figures there when it is asked for their site? */
import { existsSync } from "node:fs";
import { afterEach, expect, it } from "vitest";
import type { AirView, GapsView, GatewaysView, NodesView, ServiceStatus } from "../../src/contract/index.ts";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { cleanUp } from "./program.ts";
import { type Service, startService, until } from "./service.ts";

afterEach(cleanUp);

const SITES = [
  { site: "Fennick Orchard", gatewayEui: "02005E1000000001", base: 0x0100_0000, nodes: 4, uplinks: 200 },
  { site: "Hollow Quarry", gatewayEui: "02005E1000000002", base: 0x0180_0000, nodes: 3, uplinks: 150 },
] as const;

/** What does not depend on when exactly a datagram arrived: the relay hands it on a little later. */
async function figuresOf(service: Service, site?: string): Promise<unknown> {
  const query = `last=3600${site === undefined ? "" : `&${new URLSearchParams({ site }).toString()}`}`;
  const { nodes } = await service.json<NodesView>(`/api/nodes?${query}`);
  const { gateways } = await service.json<GatewaysView>(`/api/gateways?${query}`);
  const { channels } = await service.json<AirView>(`/api/air?${query}`);
  const { gaps } = await service.json<GapsView>(`/api/gaps?${query}`);
  return {
    nodes: nodes.map(
      ({ devAddr, life, heard, expected, missed, receptions, rssiDbm, snrDb, marginDb, gateways }) => ({
        node: `${devAddr}/${life}`,
        counts: [heard, expected, missed, receptions],
        levels: [rssiDbm, snrDb, marginDb],
        gateways,
      }),
    ),
    gateways: gateways.map(({ eui, receptions, crcBad, crcNone, datagrams, outages, restarts }) => ({
      eui,
      counts: [receptions, crcBad, crcNone, datagrams, outages.length, restarts],
    })),
    channels: channels.map(({ gatewayEui, frequencyHz, receptions, airtimeSeconds }) => ({
      gatewayEui,
      counts: [frequencyHz, receptions, airtimeSeconds],
    })),
    gaps: gaps.map(({ devAddr, life, missedCounters }) => [devAddr, life, missedCounters]),
  };
}

const received = async (service: Service, datagrams: number) =>
  until(
    () => service.json<ServiceStatus>("/api/status"),
    ({ arrived, acknowledged }) => arrived.datagrams >= datagrams && acknowledged.waiting === 0,
  );

it("a collector narrowed to a site has the figures of the site's own service", async () => {
  const collector = await startService();
  const relayed = ["--relay", `127.0.0.1:${collector.udpPort}`];
  const services = await Promise.all(SITES.map(() => startService({ words: relayed })));
  let sent = 0;
  const counts = await Promise.all(
    SITES.map(async ({ gatewayEui, base, nodes, uplinks }, i) => {
      const gateway = await GatewaySocket.open(services[i]?.udpPort ?? 0);
      // Of some nodes some counters are never heard.
      // Without a counter: on a busy machine they arrive later than it says, and each place would date them back its own way.
      const heard = Array.from({ length: uplinks }, (_, n) =>
        uplink(n, { gatewayEui, nodes, base, everyUs: 0 }),
      ).filter(({ number }) => number % 11 !== 7);
      const datagrams = [keepalive(60_000 + i, gatewayEui), ...heard.map(({ bytes }) => bytes)];
      expect(await gateway.sendAll(datagrams)).toBe(true);
      await gateway.close();
      sent += datagrams.length;
      return datagrams.length;
    }),
  );
  await received(collector, sent);
  await Promise.all(services.map((service, i) => received(service, counts[i] ?? 0)));
  expect((await collector.json<ServiceStatus>("/api/status")).sites).toBeUndefined();
  for (const { site, gatewayEui } of SITES) {
    const answer = await fetch(`http://127.0.0.1:${collector.webPort}/api/labels/gateway/${gatewayEui}`, {
      method: "PUT",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ site }),
    });
    expect(answer.status).toBe(204);
  }
  await until(
    () => collector.json<ServiceStatus>("/api/status"),
    ({ sites }) => sites?.join() === "Fennick Orchard,Hollow Quarry",
  );
  for (const [i, { site }] of SITES.entries()) {
    const service = services[i] as Service;
    const own = await figuresOf(service);
    expect(own).toMatchObject({ gateways: [{ eui: SITES[i]?.gatewayEui }] });
    await until(
      () => figuresOf(collector, site),
      (figures) => JSON.stringify(figures) === JSON.stringify(own),
    );
  }
  const all = (await collector.json<NodesView>("/api/nodes?last=3600")).nodes;
  expect(all).toHaveLength(7);
  expect(all.reduce((missed, node) => missed + node.missed, 0)).toBeGreaterThan(0);
  for (const service of [...services, collector]) {
    expect((await service.end("SIGTERM")).status).toBe(0);
    // The connections that answered for single sites are closed as well: one file is left.
    for (const beside of ["-wal", "-shm"]) expect(existsSync(`${service.db}${beside}`)).toBe(false);
  }
});
