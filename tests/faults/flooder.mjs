/**
 * A source that sends too much: `node flooder.mjs PORT PER_SECOND SECONDS FROM IDENTIFIERS TAG`. Uplinks of a packet
 * each, every one new, from one socket bound to FROM, under so many gateway identifiers. Prints how many the kernel took.
 */
import { createSocket } from "node:dgram";

const [port, perSecond, seconds, , identifiers, tag] = process.argv.slice(2).map(Number);
const from = process.argv[5];
const TICK_MS = 5;

const socket = createSocket("udp4");
let sent = 0;
let failed = 0;
let open = 0;
let skipped = 0;

function datagram(number) {
  const payload = Buffer.alloc(16, 0x40);
  payload.writeUInt32LE(0x01a4_0000 + (number % 500), 1);
  payload.writeUInt16LE(Math.floor(number / 500) & 0xffff, 6);
  const rxpk = {
    tmst: (number * 137) % 4_294_967_296,
    chan: 0,
    rfch: 0,
    freq: 868.1,
    stat: 1,
    modu: "LORA",
    datr: "SF7BW125",
    codr: "4/5",
    rssi: -80,
    lsnr: 5,
    size: payload.length,
    data: payload.toString("base64"),
  };
  const head = Buffer.from([2, number >> 8, number, 0, 2, 0, 0x5e, 0x12, tag, 0, 0, 0]);
  head.writeUIntBE(number % identifiers, 9, 3);
  return Buffer.concat([head, Buffer.from(JSON.stringify({ rxpk: [rxpk] }))]);
}

await new Promise((done) => socket.bind(0, from, done));
const startMs = performance.now();
const endMs = startMs + seconds * 1000;
while (performance.now() < endMs) {
  const dueInAll = Math.floor(((performance.now() - startMs) / 1000) * perSecond) - skipped;
  // What a busy machine kept from being sent is not caught up beyond a tenth of a second.
  const due = Math.min(dueInAll - sent, Math.ceil(perSecond / 10));
  skipped += dueInAll - sent - due;
  for (let n = 0; n < due; n++) {
    open += 1;
    socket.send(datagram(sent), port, "127.0.0.1", (error) => {
      open -= 1;
      if (error !== null) failed += 1;
    });
    sent += 1;
  }
  await new Promise((done) => setTimeout(done, TICK_MS));
}
while (open > 0) await new Promise((done) => setTimeout(done, TICK_MS));
socket.close();
process.stdout.write(`${sent - failed}\n`);
