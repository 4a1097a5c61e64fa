/** An honest gateway beside sources that send far more than can be stored: it is answered, and all is accounted for. */
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { cleanUp, endOf, repository, spawnKept } from "../process/program.ts";
import { pause, type Service, startService, until } from "../process/service.ts";
import { storedNumber } from "../process/stored.ts";
import { peakMemoryMb } from "./memory.ts";

afterEach(cleanUp);

/** The campaign: `MASTLOG_FLOOD_SECONDS=60 MASTLOG_FLOOD_RATE=50000`. */
const SECONDS = Number(process.env.MASTLOG_FLOOD_SECONDS ?? 3);
/** Of what can be stored, all of which is: it takes the processor longer than a flood that is dropped. */
const STORED_SECONDS = process.env.MASTLOG_FLOOD_SECONDS === undefined ? SECONDS / 2 : SECONDS;
/** Datagrams a second of the worst floods: some ten times what one core stores. */
const RATE = Number(process.env.MASTLOG_FLOOD_RATE ?? 20_000);
const HONEST_EUI = "02005E10000000AA";

interface Status {
  arrived: { datagrams: number };
  acknowledged: { waiting: number; dropped: number };
  lost: {
    inKernel: number | null;
    dropped: number;
    bySource: { source: string; count: number }[];
    words: string;
  };
  storage: { state: string; words: string };
}

const status = (service: Service) => service.json<Status>("/api/status");

interface Flooder {
  readonly perSecond: number;
  readonly identifiers: number;
}

async function besideHonest(what: string, flooders: readonly Flooder[], seconds = SECONDS): Promise<void> {
  const service = await startService();
  const floods = flooders.map(({ perSecond, identifiers }, index) => {
    const words = [service.udpPort, perSecond, seconds, "127.0.0.1", identifiers, index + 1].map(String);
    const file = fileURLToPath(new URL("flooder.mjs", import.meta.url));
    return endOf(spawnKept(process.execPath, [file, ...words], repository));
  });
  const honest = await GatewaySocket.open(service.udpPort);
  let sent = 0;
  let isOver = false;
  const flooded = Promise.all(floods).then((ends) => {
    isOver = true;
    return ends.reduce((sum, { out }) => sum + Number(out), 0);
  });
  let isDropping = false;
  while (!isOver) {
    await honest.send(uplink(sent++, { gatewayEui: HONEST_EUI, base: 0x01f0_0000 }).bytes);
    await pause(50);
    if (sent % 20 === 0) isDropping ||= (await status(service)).storage.state === "slow";
  }
  const flood = await flooded;
  // On a machine without a free processor the last answers take their time.
  for (let i = 0; i < 300 && honest.answered < sent; i++) await pause(50);
  const answered = honest.answered;
  const times = [...honest.answers.values()].map(({ afterMs }) => afterMs).sort((a, b) => a - b);
  await honest.close();
  const end = await until(
    () => status(service),
    // The system's count is read once a second.
    ({ arrived, lost }) => lost.inKernel === null || arrived.datagrams + lost.inKernel === flood + sent,
    60_000,
  );
  const { inKernel, dropped, bySource } = end.lost;
  const lostInKernel = inKernel ?? flood + sent - end.arrived.datagrams;
  console.info(
    `${what}: ${flood} flooded, ${lostInKernel} lost in the kernel, ${dropped} dropped; honest: ${sent} tried, ${sent - answered} unanswered, median ${times[times.length >> 1]?.toFixed(1)} ms, longest ${times.at(-1)?.toFixed(1)} ms; peak memory ${peakMemoryMb(service.pid).toFixed(0)} MB`,
  );
  // The kernel's buffer is one for all sources, and no program can share it out; beyond it the honest one loses nothing.
  expect(sent - answered).toBeLessThanOrEqual(lostInKernel);
  if (lostInKernel === 0) expect(answered).toBe(sent);
  expect(bySource.reduce((sum, { count }) => sum + count, 0)).toBe(dropped);
  if (dropped > 0) {
    expect(isDropping || end.storage.state === "slow").toBe(true);
    expect(end.lost.words).toContain("dropped because more arrived than could be stored");
  }
  const ofHonest = `SELECT count(*) FROM reception JOIN gateway ON gateway.id = reception.gateway_id WHERE eui = '${HONEST_EUI}'`;
  // Its turn comes before what the flood left waiting.
  await until(
    () => storedNumber(service.db, ofHonest),
    (stored) => stored >= answered,
    60_000,
  );
  // How the service ends with much left to store is the slow disk's test.
  await until(
    () => status(service),
    ({ acknowledged }) => acknowledged.waiting === 0,
    60_000,
  );
  const { status: code, err } = await service.end("SIGTERM");
  expect({ code, err }).toMatchObject({ code: 0 });
  // So what was not answered had not arrived: whatever the listener read of it was answered, and stored.
  expect(storedNumber(service.db, ofHonest)).toBe(answered);
  const unstored = Number(/(\d+) datagrams? could not be stored/.exec(err)?.[1] ?? 0);
  // All was stored before the end.
  expect(err).not.toContain("no time left");
  const accounted =
    storedNumber(service.db, "SELECT count(*) FROM datagram WHERE gateway_id > 0") +
    storedNumber(
      service.db,
      "SELECT coalesce(sum(count), 0) FROM refusal WHERE gateway_id = 0 AND refused = 1",
    );
  expect(accounted + unstored + dropped).toBe(end.arrived.datagrams);
}

describe("an honest gateway", () => {
  it("beside two that send 5,000 datagrams a second each is answered and recorded", async () => {
    const one = { perSecond: 5_000, identifiers: 1 };
    await besideHonest("two gateways", [one, one], STORED_SECONDS);
  }, 200_000);

  it(`beside one source of ${RATE} datagrams a second is answered and recorded`, async () => {
    await besideHonest("one source", [{ perSecond: RATE, identifiers: 1 }]);
  }, 200_000);

  it("beside 100,000 invented identifiers is answered and recorded", async () => {
    await besideHonest("100,000 identifiers", [{ perSecond: RATE, identifiers: 100_000 }]);
  }, 200_000);
});
