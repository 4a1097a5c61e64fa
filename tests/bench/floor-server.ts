/**
 * The floor of the ingest benchmark: the least that could be called "receive and keep". Receives, JSON.parse, one
 * insert a reception, one durable commit for whatever has queued, acknowledges. No decoding, no ledger, no roll-ups.
 * Run as a child process (store, and port if not any): prints its port, ends when its standard input ends.
 */
import { createSocket } from "node:dgram";
import { openFloor, type Rxpk } from "./floor-store.ts";

const { db, keep } = openFloor(process.argv[2] ?? ":memory:", "FULL");
const queue: { bytes: Buffer; port: number; address: string }[] = [];
let scheduled = false;

const socket = createSocket("udp4");
socket.on("message", (bytes, from) => {
  queue.push({ bytes, port: from.port, address: from.address });
  if (scheduled) return;
  scheduled = true;
  setImmediate(commit);
});

function commit(): void {
  scheduled = false;
  const batch = queue.splice(0);
  db.transaction(() => {
    for (const { bytes } of batch) {
      const body = JSON.parse(bytes.toString("utf8", 12)) as { rxpk: Rxpk[] };
      const eui = bytes.toString("hex", 4, 12);
      for (const one of body.rxpk) keep(eui, Date.now(), one);
    }
  })();
  for (const { bytes, port, address } of batch) {
    socket.send(Buffer.from([bytes[0] ?? 2, bytes[1] ?? 0, bytes[2] ?? 0, 1]), port, address);
  }
}

socket.bind(Number(process.argv[3] ?? 0), "127.0.0.1", () => {
  socket.setRecvBufferSize(4 * 1024 * 1024);
  process.stdout.write(`${socket.address().port}\n`);
});
process.stdin.on("end", () => {
  socket.close();
  db.close();
  process.stdout.write(`${JSON.stringify(process.cpuUsage())}\n`);
});
process.stdin.resume();
