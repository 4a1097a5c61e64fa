/**
 * What would a packet capture on the listener's machine hold? The datagrams of a synthetic site as they arrive, and
 * the server's acknowledgements, by which a reader recognises the server's port.
 */

import { createSocket } from "node:dgram";
import { lookup } from "node:dns/promises";
import type { Endpoint } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import { plainLines } from "../model/text.ts";
import { createPcapWriter } from "../wire/capture/pcap-writer.ts";
import { answerFor } from "../wire/forwarder/header.ts";
import { Acknowledgements, datagramOctets } from "./gateway-output.ts";
import type { Play } from "./play-site.ts";
import type { Scenario } from "./scenario.ts";
import type { LiveOutside, SiteSocket } from "./send-live.ts";
import { type ScenarioClock, worldUs } from "./time-and-chance.ts";

/** One datagram of the capture. */
export interface CapturedDatagram {
  /** Microseconds since 1970. */
  readonly atUs: number;
  readonly from: Endpoint;
  readonly to: Endpoint;
  readonly bytes: Uint8Array;
}

/** The octets of a packet capture (pcap, Ethernet, microseconds). */
export function captureOctets(datagrams: readonly CapturedDatagram[]): Uint8Array {
  const writer = createPcapWriter();
  return Buffer.concat([writer.header, ...datagrams.map((datagram) => writer.datagram(datagram))]);
}

// RFC 5737: documentation addresses.
const SERVER: Endpoint = { address: "192.0.2.10", port: 1700 };
const GATEWAY_NETWORK = "198.51.100.";
const FIRST_GATEWAY_HOST = 11;
const FIRST_GATEWAY_PORT = 50_110;
// Chosen: how long the server takes to answer.
const ANSWER_US = 800;

/**
 * Plays the whole scenario at once. In order of capture time; lost datagrams are not in it. `answers`: whether the
 * server's acknowledgements are.
 */
export function captureSite(
  play: Play,
  scenario: Scenario,
  clock: ScenarioClock,
  { answers = true }: { readonly answers?: boolean } = {},
): CapturedDatagram[] {
  const datagrams: CapturedDatagram[] = [];
  const gateways = new Map<Eui, { up: Endpoint; down: Endpoint; acknowledgements: Acknowledgements }>();
  for (const [index, { eui, address }] of scenario.gateways.entries()) {
    const host = address ?? `${GATEWAY_NETWORK}${FIRST_GATEWAY_HOST + index}`;
    const port = FIRST_GATEWAY_PORT + 2 * index;
    gateways.set(eui, {
      up: { address: host, port },
      down: { address: host, port: port + 1 },
      acknowledgements: new Acknowledgements(),
    });
  }
  for (const passage of play.passages) {
    play.truth.passed(passage);
    const gateway = gateways.get(passage.gatewayEui);
    if (gateway === undefined) continue;
    const { acknowledgements } = gateway;
    const { datagram, sentUs, atUs, isCopy, fate } = passage;
    const hasReport = datagram.kind === "push-data" && datagram.status !== null && !isCopy;
    const bytes = datagramOctets(
      passage.gatewayEui,
      datagram,
      hasReport ? acknowledgements.closeInterval() : 0,
    );
    if (datagram.kind === "pull-response" || datagram.kind === "tx-ack") {
      const ends = datagram.kind === "tx-ack" ? [gateway.down, SERVER] : [SERVER, gateway.down];
      const [from = SERVER, to = SERVER] = ends;
      if (fate === "arrives") datagrams.push({ atUs: worldUs(clock, atUs), from, to, bytes });
      continue;
    }
    if (fate !== "arrives") {
      acknowledgements.lost(datagram.kind);
      continue;
    }
    const from = datagram.kind === "push-data" ? gateway.up : gateway.down;
    const arrivedUs = worldUs(clock, atUs);
    datagrams.push({ atUs: arrivedUs, from, to: SERVER, bytes });
    const answer = answers ? answerFor(bytes) : null;
    if (answer !== null)
      datagrams.push({ atUs: arrivedUs + ANSWER_US, from: SERVER, to: from, bytes: answer });
    if (isCopy) continue;
    acknowledgements.sent(datagram.kind, datagram.token, sentUs);
    // The downlink path is taken to be as long as the way here.
    acknowledgements.answered(datagram.kind, datagram.token, atUs + ANSWER_US + (atUs - sentUs));
  }
  return datagrams.sort((a, b) => a.atUs - b.atUs);
}

// Where does the simulator meet the machine? Clock, waiting, sockets, Ctrl-C and the terminal, in one object that
// tests replace.

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
