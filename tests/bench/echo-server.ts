/** The server at the end of the relay's benchmark: acknowledges at once and does nothing else. Prints its port. */
import { createSocket } from "node:dgram";

const socket = createSocket("udp4");
socket.on("message", (bytes, from) => {
  const [version = 0, high = 0, low = 0, identifier] = bytes;
  if (identifier !== 0 && identifier !== 2) return;
  socket.send(Uint8Array.of(version, high, low, identifier === 0 ? 1 : 4), from.port, from.address);
});
socket.bind(0, "127.0.0.1", () => {
  socket.setRecvBufferSize(4 * 1024 * 1024);
  process.stdout.write(`${socket.address().port}\n`);
});
process.stdin.on("end", () => socket.close());
process.stdin.resume();
