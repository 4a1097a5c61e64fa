/** The rule of what is kept, set over HTTP while a gateway sends: what is older goes, and what arrives is stored. */
import { afterAll, expect, it } from "vitest";
import type { KeptView } from "../../src/contract/service.ts";
import { storeFile } from "../commands/run-command.ts";
import { traffic } from "../store/some-days.ts";
import { GatewaySocket, uplink } from "./gateway-socket.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startService, until } from "./service.ts";
import { storedNumber } from "./stored.ts";

const { path: db, remove } = storeFile(traffic(6));
afterAll(async () => {
  await cleanUp();
  remove();
});

const UPLINKS = 60;
const DAY_MS = 86_400_000;

it("a rule set over HTTP removes older days while what arrives is stored and answered", {
  timeout: 180_000,
}, async () => {
  const service = await startService({ db });
  const gateway = await GatewaySocket.open(service.udpPort);
  const base = `http://127.0.0.1:${service.webPort}`;
  const put = (rule: unknown) =>
    fetch(`${base}/api/kept`, {
      method: "PUT",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(rule),
    });
  const older = () =>
    storedNumber(db, "SELECT count(*) FROM reception WHERE at_us < 1767225600000000 + 86400000000 * 200");
  expect(older()).toBeGreaterThan(1_000);
  expect((await put({ maxAgeDays: 0, maxBytes: null })).status).toBe(400);
  expect((await put({ maxAgeDays: 30, maxBytes: null })).status).toBe(204);
  for (let number = 0; number < UPLINKS; number++) {
    await gateway.send(uplink(number).bytes);
    await new Promise((done) => setTimeout(done, 20));
  }
  const kept = await until(
    () => service.json<KeptView>("/api/kept"),
    ({ removed }) => removed !== null && older() <= 8,
    120_000,
  );
  expect({ ...kept, removed: kept.removed?.rule }).toEqual({
    maxAgeDays: 30,
    maxBytes: null,
    removed: "30 days",
    givesBack: true,
  });
  // A midnight of UTC, thirty days and less than one more ago.
  const before = Date.parse(kept.removed?.before ?? "");
  expect(before % DAY_MS).toBe(0);
  expect(Math.floor((Date.now() - before) / DAY_MS)).toBe(30);
  await until(
    () => gateway.answered,
    (answered) => answered === UPLINKS,
  );
  expect(
    storedNumber(db, "SELECT count(*) FROM reception WHERE at_us > 1767225600000000 + 86400000000 * 200"),
  ).toBe(UPLINKS);
  // What only removed rows could tell is no empty answer; what was removed is told where the window reaches into it.
  const gone = await fetch(`${base}/api/joins?to=2026-03-16T00:00:00Z`);
  expect([gone.status, (await gone.json()).code]).toEqual([410, "rows-removed"]);
  const sums = await service.json<{ window: { removed: { basis: string } } }>(
    "/api/gateways?to=2026-03-16T00:00:00Z",
  );
  expect(sums.window.removed.basis).toBe("sums");
  const all = await service.json<{ window: { from: string; removed: { rule: string } } }>("/api/joins");
  expect([all.window.from, all.window.removed.rule]).toEqual([kept.removed?.before, "30 days"]);
  await gateway.close();
  await service.end("SIGTERM");
  const { out } = await runProgram(["keep", "--db", db, "--json"], temporaryFolder());
  expect(JSON.parse(out)).toEqual(kept);
});
