/**
 * The measured side of the ingest and relay benchmarks: the intake as the service starts it, with the server to relay to
 * as a second word. Same frame as the floor.
 */
// The compiled thread is what is measured; its types are those of the source.
const compiled = new URL("../../dist/server/intake/start-intake.js", import.meta.url).href;
const { startIntake } = (await import(compiled)) as typeof import("../../src/intake/start-intake.ts");

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
process.stdin.on("end", () => void intake.close());
process.stdin.resume();
