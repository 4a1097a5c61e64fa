// The intake as the service starts it, but that nothing becomes rows until somebody looks. Prints its port; a line on
// standard input is a look, answered by a line. Usage: holding-intake.mjs STORE
const { startIntake } = await import(new URL("../../dist/server/intake/start.js", import.meta.url).href);

const intake = await startIntake({
  dbPath: process.argv[2],
  udpHost: "127.0.0.1",
  udpPort: 0,
  holdAfterMs: 0,
  log: (sentence) => process.stderr.write(`${sentence}\n`),
  onLost: (error) => {
    throw error;
  },
});
process.stdout.write(`${intake.udp[0].port}\n`);
process.stdin.on("data", async () => {
  await intake.look();
  process.stdout.write("looked\n");
});
