/** How does a test stand in for a network server, and for the two sockets of a gateway? Plain sockets that keep all they hear. */
import { createSocket, type RemoteInfo, type Socket } from "node:dgram";

const BUFFER_BYTES = 4 * 1024 * 1024;

/** A UDP socket of a test's, with what it does on each datagram. */
export class TestSocket {
  onDatagram: (bytes: Buffer, from: RemoteInfo) => void = () => undefined;
  heard = 0;
  readonly #socket: Socket;

  private constructor(socket: Socket) {
    this.#socket = socket;
    socket.on("message", (bytes, from) => {
      this.heard += 1;
      this.onDatagram(bytes, from);
    });
    socket.on("error", () => undefined);
  }

  static open(host = "127.0.0.1", port = 0): Promise<TestSocket> {
    const socket = createSocket({
      type: host.includes(":") ? "udp6" : "udp4",
      lookup: (name, _options, answer) => answer(null, name, host.includes(":") ? 6 : 4),
    });
    return new Promise((resolve, reject) => {
      socket.once("error", reject);
      socket.bind(port, host, () => {
        socket.removeListener("error", reject);
        socket.setRecvBufferSize(BUFFER_BYTES);
        resolve(new TestSocket(socket));
      });
    });
  }

  get port(): number {
    return this.#socket.address().port;
  }

  send(bytes: Uint8Array, port: number, host = "127.0.0.1"): void {
    this.#socket.send(bytes, port, host);
  }

  close(): Promise<void> {
    return new Promise((done) => this.#socket.close(() => done()));
  }
}

/** PUSH_ACK or PULL_ACK to a datagram, as the reference test server makes it; null where none is due. */
export function acknowledgement(bytes: Uint8Array): Uint8Array | null {
  const identifier = bytes[3];
  if (identifier !== 0 && identifier !== 2) return null;
  return Uint8Array.of(bytes[0] ?? 0, bytes[1] ?? 0, bytes[2] ?? 0, identifier === 0 ? 1 : 4);
}

/** A server on loopback that acknowledges everything and remembers where each gateway pulls from. */
export async function networkServer(host = "127.0.0.1", port = 0) {
  const socket = await TestSocket.open(host, port);
  const heard: { bytes: Buffer; from: number }[] = [];
  const pulledFrom = new Map<string, number>();
  let answers = true;
  socket.onDatagram = (bytes, from) => {
    heard.push({ bytes, from: from.port });
    if (bytes[3] === 2) pulledFrom.set(bytes.toString("hex", 4, 12), from.port);
    const answer = acknowledgement(bytes);
    if (answers && answer !== null) socket.send(answer, from.port, from.address);
  };
  return {
    socket,
    port: socket.port,
    heard,
    pulledFrom,
    fallSilent: () => {
      answers = false;
    },
    close: () => socket.close(),
  };
}
