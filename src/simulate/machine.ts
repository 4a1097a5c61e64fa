/**
 * Where does the simulator meet the machine? Clock, waiting, sockets, Ctrl-C and the terminal, in one object that
 * tests replace.
 */
import { createSocket } from "node:dgram";
import { lookup } from "node:dns/promises";
import { plainLines } from "../model/plain-text.ts";
import type { LiveOutside, SiteSocket } from "./send-live.ts";

export interface Machine {
  write(text: string): void;
  writeError(text: string): void;
  /** Clock and sockets towards a listener. Rejects when the name cannot be resolved. */
  openNetwork(host: string, port: number): Promise<LiveOutside>;
  /** A signal that fires at the first Ctrl-C, until released. */
  interruption(): { readonly signal: AbortSignal; release(): void };
}

export const thisMachine: Machine = {
  write: (text) => {
    process.stdout.write(plainLines(text));
  },
  writeError: (text) => {
    process.stderr.write(plainLines(text));
  },
  openNetwork: async (host, port) => {
    // Resolved once, at the start, as the reference daemons do; they speak IPv4 where there is a choice.
    const { address, family } = await lookup(host, { verbatim: false });
    return {
      nowUs: () => Date.now() * 1000,
      wait,
      openSocket: (onDatagram) => openSocket(address, port, family === 6 ? "udp6" : "udp4", onDatagram),
    };
  },
  interruption: () => {
    const controller = new AbortController();
    const abort = (): void => controller.abort();
    process.once("SIGINT", abort);
    process.once("SIGTERM", abort);
    return {
      signal: controller.signal,
      release: () => {
        process.off("SIGINT", abort);
        process.off("SIGTERM", abort);
      },
    };
  },
};

function wait(us: number, signal: AbortSignal): Promise<void> {
  if (signal.aborted) return Promise.resolve();
  return new Promise((resolve) => {
    const done = (): void => {
      clearTimeout(timer);
      signal.removeEventListener("abort", done);
      resolve();
    };
    const timer = setTimeout(done, Math.ceil(us / 1000));
    signal.addEventListener("abort", done, { once: true });
  });
}

/** A connected socket, as the reference daemons use: the kernel discards answers from elsewhere. */
function openSocket(
  address: string,
  port: number,
  type: "udp4" | "udp6",
  onDatagram: (octets: Uint8Array) => void,
): Promise<SiteSocket> {
  return new Promise((resolve, reject) => {
    const socket = createSocket(type, onDatagram);
    socket.once("error", reject);
    socket.connect(port, address, () => {
      socket.off("error", reject);
      // Nobody listens there (ICMP refused): a gateway sends on, and so does this.
      socket.on("error", () => undefined);
      resolve({
        send: (octets) => socket.send(octets, () => undefined),
        close: () => new Promise((closed) => socket.close(() => closed())),
      });
    });
  });
}
