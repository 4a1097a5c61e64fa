/**
 * The measured side of the ingest and relay benchmarks: the intake as the service starts it, with the server to relay to
 * as a second word. Same frame as the floor; prints the intake's figures when asked (any octets in). `MASTLOG_BENCH_STORED`: a line is printed when so many receptions are stored.
 */
import { openReader } from "../../src/store/open.ts";

// The compiled thread is what is measured; its types are those of the source.
const compiled = new URL("../../dist/server/intake/start.js", import.meta.url).href;
const { startIntake } = (await import(compiled)) as typeof import("../../src/intake/start.ts");

const [, , dbPath = ":memory:", relayTo] = process.argv;
const upstream = relayTo?.split(":");
const intake = await startIntake({
  relay: upstream === undefined ? [] : [{ host: upstream[0] ?? "", port: Number(upstream[1]) }],
  dbPath,
  udpHost: "127.0.0.1",
  udpPort: 0,
  log: (sentence: string) => process.stderr.write(`${sentence}\n`),
  onLost: (error: Error) => {
    throw error;
  },
});
process.stdout.write(`${intake.udp[0]?.port}\n`);
const awaited = Number(process.env.MASTLOG_BENCH_STORED ?? 0);
if (awaited > 0) {
  const db = openReader(dbPath);
  const stored = db.prepare("SELECT max(id) FROM reception").pluck();
  const poll = setInterval(() => {
    if (((stored.get() as number | null) ?? 0) < awaited) return;
    process.stdout.write("stored\n");
    clearInterval(poll);
    db.close();
  }, 10);
}
process.stdin.on("end", () => void end());
process.stdin.on("data", () => process.stdout.write(`${JSON.stringify(intake.figures())}\n`));

/** An answer that left at 25 ms measures the listener and not the store: a figure that holds such answers says so. */
async function end(): Promise<void> {
  await intake.close();
  const { answeredBeforeStored: early, datagrams } = intake.figures();
  if (early > 0)
    process.stderr.write(
      `${early} of ${datagrams} answers left before they were stored: storing is slower.\n`,
    );
  process.stdout.write(`${JSON.stringify(process.cpuUsage())}\n`);
}
