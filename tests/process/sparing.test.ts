/** `listen --sparing`: gateways are answered at once, what arrives is stored within a second, and both are told. */
import { afterAll, expect, it } from "vitest";
import type { ServiceStatus } from "../../src/contract/service.ts";
import { SPARING_NOTICE } from "../../src/diagnosis/notices.ts";
import { GatewaySocket, uplink } from "./gateway-socket.ts";
import { cleanUp } from "./program.ts";
import { startService, until } from "./service.ts";
import { storedNumber } from "./stored.ts";

afterAll(cleanUp);

it("a sparing service answers before it stores, says so, and loses nothing at an orderly end", async () => {
  const service = await startService({ words: ["--sparing"] });
  const gateway = await GatewaySocket.open(service.udpPort);
  const receptions = () => storedNumber(service.db, "SELECT count(*) FROM reception");
  for (let number = 0; number < 20; number++) await gateway.send(uplink(number).bytes);
  await until(
    () => gateway.answered,
    (answered) => answered === 20,
  );
  await until(receptions, (count) => count === 20);
  const status = await until(
    () => service.json<ServiceStatus>("/api/status"),
    ({ acknowledged }) => acknowledged.beforeStored === 20,
  );
  expect(status.acknowledged).toMatchObject({ afterCommit: 0, beforeStored: 20, dropped: 0 });
  expect(status.storage).toMatchObject({ state: "well", words: "" });
  expect(status.notices).toEqual([SPARING_NOTICE]);
  for (let number = 20; number < 40; number++) await gateway.send(uplink(number).bytes);
  await until(
    () => gateway.answered,
    (answered) => answered === 40,
  );
  await gateway.close();
  const { err } = await service.end("SIGTERM");
  expect(err).toContain(SPARING_NOTICE);
  expect(receptions()).toBe(40);
});
