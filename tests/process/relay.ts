/** What exactly reached the service, and when? A relay on loopback between gateways and service that writes it down. */
import { createSocket, type Socket } from "node:dgram";
import { writeFileSync } from "node:fs";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";

interface Relayed {
  readonly atUs: number;
  readonly fromPort: number;
  readonly bytes: Uint8Array;
  readonly up: boolean;
}

export interface Relay {
  readonly port: number;
  /** Datagrams that went up. */
  count(): number;
  /** When each went up, microseconds since 1970, in order. */
  upAtUs(): number[];
  /** The same traffic as a packet capture, answers included, as one taken on the service's machine. */
  writeCapture(path: string): void;
  close(): Promise<void>;
}

/**
 * Passes every datagram on to the port and every answer back, each source through a socket of its own. Each of
 * `alsoTo` hears the same datagrams at the same moments; what it answers goes nowhere.
 */
export function startRelay(servicePort: number, alsoTo: readonly number[] = []): Promise<Relay> {
  const front = createSocket("udp4");
  const backs = new Map<number, Socket>();
  const relayed: Relayed[] = [];
  const nowUs = () => Math.round((performance.timeOrigin + performance.now()) * 1000);
  const copies = alsoTo.map((port) => ({ port, socketOf: new Map<number, Socket>() }));
  const copyFrom = (fromPort: number, bytes: Uint8Array): void => {
    for (const { port, socketOf } of copies) {
      let socket = socketOf.get(fromPort);
      if (socket === undefined) {
        socket = createSocket("udp4");
        socket.on("error", () => undefined);
        socketOf.set(fromPort, socket);
      }
      socket.send(bytes, port, "127.0.0.1");
    }
  };
  const backOf = (fromPort: number): Socket => {
    const known = backs.get(fromPort);
    if (known !== undefined) return known;
    const back = createSocket("udp4");
    backs.set(fromPort, back);
    back.on("message", (bytes) => {
      relayed.push({ atUs: nowUs(), fromPort, bytes: Uint8Array.from(bytes), up: false });
      front.send(bytes, fromPort, "127.0.0.1");
    });
    back.on("error", () => undefined);
    return back;
  };
  front.on("message", (bytes, from) => {
    relayed.push({ atUs: nowUs(), fromPort: from.port, bytes: Uint8Array.from(bytes), up: true });
    backOf(from.port).send(bytes, servicePort, "127.0.0.1");
    copyFrom(from.port, bytes);
  });
  const close = (socket: Socket) => new Promise<void>((done) => socket.close(() => done()));
  return new Promise((resolve) => {
    front.bind(0, "127.0.0.1", () =>
      resolve({
        port: front.address().port,
        count: () => relayed.filter(({ up }) => up).length,
        upAtUs: () => relayed.flatMap(({ atUs, up }) => (up ? [atUs] : [])),
        writeCapture: (path) => {
          const writer = createPcapWriter();
          const service = { address: "192.0.2.10", port: 1700 };
          const packets = relayed.map(({ atUs, fromPort, bytes, up }) => {
            const gateway = { address: "198.51.100.11", port: fromPort };
            return writer.datagram({
              atUs,
              bytes,
              ...(up ? { from: gateway, to: service } : { from: service, to: gateway }),
            });
          });
          writeFileSync(path, Buffer.concat([writer.header, ...packets]));
        },
        close: async () => {
          const copying = copies.flatMap(({ socketOf }) => [...socketOf.values()]);
          await Promise.all([front, ...backs.values(), ...copying].map(close));
        },
      }),
    );
  });
}
