/** A listener that is killed, stays away and is started again: what is said of the time between? */
import { afterEach, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "./gateway-socket.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { pause, startService, until } from "./service.ts";
import { storedNumber } from "./stored.ts";

afterEach(cleanUp);

const NODES = 2;
const AWAY_MS = 3_000;

interface Range {
  readonly from: string;
  readonly to: string;
}

/** Sends uplinks `from` to `to` and keepalives between them, ten a second. */
async function sendFor(port: number, from: number, to: number): Promise<void> {
  const socket = await GatewaySocket.open(port);
  for (let number = from; number < to; number++) {
    await socket.send(keepalive(60_000 + number));
    expect(await socket.sendAll([uplink(number, { nodes: NODES }).bytes])).toBe(true);
    await pause(100);
  }
  await socket.close();
}

it("a listener killed and started again says of the time between that it was not recorded", async () => {
  const first = await startService();
  await sendFor(first.udpPort, 0, 20);
  await until(
    () => storedNumber(first.db, "SELECT count(*) FROM reception"),
    (count) => count === 20,
  );
  await first.end("SIGKILL");
  await pause(AWAY_MS);
  const second = await startService({ db: first.db });
  // Counters 10 and 11 of both nodes were sent meanwhile.
  await sendFor(second.udpPort, 24, 44);
  expect((await second.end("SIGTERM")).status).toBe(0);

  const answer = async <T>(command: string): Promise<T> => {
    const { out } = await runProgram([command, "--json", "--db", first.db], temporaryFolder());
    return JSON.parse(out) as T;
  };
  const { nodes } = await answer<{ nodes: object[] }>("nodes");
  expect(nodes).toHaveLength(NODES);
  for (const node of nodes)
    expect(node).toMatchObject({ heard: 20, missed: 2, missedNotRecorded: 2, missedDuringOutage: 0 });
  const { gateways } = await answer<{ gateways: { outages: Range[]; notRecorded: Range[] }[] }>("gateways");
  expect(gateways[0]?.outages).toEqual([]);
  const lengths = (gateways[0]?.notRecorded ?? []).map(({ from, to }) => Date.parse(to) - Date.parse(from));
  expect(lengths.some((ms) => ms >= AWAY_MS)).toBe(true);
  expect(await answer("gaps")).toMatchObject({ gaps: [] });
  expect((await answer<{ recorded: Range[] }>("site")).recorded).toHaveLength(2);
});
