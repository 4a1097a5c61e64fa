/**
 * How does a synthetic site reach a listener? Live: in real time, through two sockets a gateway as real forwarders have,
 * never waiting for an answer; a PULL_RESP is answered by a TX_ACK, as a gateway would; nothing is transmitted by radio.
 * Or as what a packet capture on the listener's machine would hold.
 */

import { createSocket } from "node:dgram";
import { lookup } from "node:dns/promises";
import type { Endpoint } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import { plainLines } from "../model/text.ts";
import { createPcapWriter } from "../wire/capture/pcap-writer.ts";
import { decodeDownstream, type PullResponse } from "../wire/forwarder/downstream.ts";
import { answerFor } from "../wire/forwarder/header.ts";
import { Acknowledgements, datagramOctets } from "./gateway-output.ts";
import type { Play } from "./play-site.ts";
import type { Scenario } from "./scenario.ts";
import { type ScenarioClock, worldUs } from "./time-and-chance.ts";
import type { Passage } from "./transmission.ts";

/** A UDP socket that is tied to the listener's address and port. */
interface SiteSocket {
  send(octets: Uint8Array): void;
  close(): Promise<void>;
}

/** What the run needs of the machine: time and sockets. */
export interface LiveOutside {
  /** Microseconds since 1970. */
  nowUs(): number;
  /** Resolves after at least that time, or at once when the signal fires; 0 lets arrivals be read. */
  wait(us: number, signal: AbortSignal): Promise<void>;
  openSocket(onDatagram: (octets: Uint8Array) => void): Promise<SiteSocket>;
}

export interface LiveSummary {
  /** Moment of the run at which it ended, microseconds since its start. */
  readonly untilUs: number;
  /** Datagrams handed to the network, copies included. */
  readonly sent: number;
  readonly octets: number;
  readonly receptions: number;
  /** Datagrams without copies and losses, and of these answered within 100 ms. */
  readonly answerable: number;
  readonly answered: number;
  /** Requests of a real server to transmit that gateways took or refused. */
  readonly asked: number;
}

interface GatewaySockets {
  readonly up: SiteSocket;
  readonly down: SiteSocket;
  readonly acknowledgements: Acknowledgements;
}

// Time for the last answers, and a bound on how long arrivals go unread in a burst.
const LAST_ANSWERS_US = 100_000;
const SENDS_BETWEEN_READS = 16;

/** Plays until the scenario ends or the signal fires. */
export async function sendLive(
  play: Play,
  euis: readonly Eui[],
  clock: ScenarioClock,
  durationUs: number,
  outside: LiveOutside,
  signal: AbortSignal,
): Promise<LiveSummary> {
  const gateways = new Map<Eui, GatewaySockets>();
  const tally = { sent: 0, octets: 0, receptions: 0, asked: 0 };
  for (const eui of euis) gateways.set(eui, await openSockets(eui, play, clock, outside, tally));
  let burst = 0;
  for (const passage of play.passages) {
    const waitUs = clock.startUs + passage.atUs / clock.speed - outside.nowUs();
    if (waitUs > 0 || ++burst % SENDS_BETWEEN_READS === 0) await outside.wait(Math.max(0, waitUs), signal);
    if (signal.aborted) break;
    // The site's own network server is not at the other end of these sockets.
    if (passage.datagram.kind === "pull-response" || passage.datagram.kind === "tx-ack") continue;
    play.truth.passed(passage);
    const sockets = gateways.get(passage.gatewayEui);
    if (sockets !== undefined) pass(passage, passage.datagram, sockets, outside, tally);
  }
  const elapsedUs = (outside.nowUs() - clock.startUs) * clock.speed;
  const untilUs = signal.aborted ? Math.min(Math.max(0, elapsedUs), durationUs) : durationUs;
  await outside.wait(LAST_ANSWERS_US, new AbortController().signal);
  let answerable = 0;
  let answered = 0;
  for (const { up, down, acknowledgements } of gateways.values()) {
    await Promise.all([up.close(), down.close()]);
    answerable += acknowledgements.totals.sent;
    answered += acknowledgements.totals.answered;
  }
  return { untilUs, ...tally, answerable, answered };
}

async function openSockets(
  gatewayEui: Eui,
  play: Play,
  clock: ScenarioClock,
  outside: LiveOutside,
  tally: { sent: number; octets: number; asked: number },
): Promise<GatewaySockets> {
  const acknowledgements = new Acknowledgements();
  let down: SiteSocket | null = null;
  const read = (octets: Uint8Array): void => {
    const decoded = decodeDownstream(octets);
    if (!decoded.ok) return;
    const { datagram } = decoded;
    if (datagram.kind === "pull-response") {
      const atUs = (outside.nowUs() - clock.startUs) * clock.speed;
      const answer = answerTo(datagram, gatewayEui, play, atUs);
      if (answer === null) return;
      tally.asked += 1;
      if (answer.octets.length === 0) return;
      down?.send(answer.octets);
      tally.sent += 1;
      tally.octets += answer.octets.length;
      return;
    }
    const kind = datagram.kind === "push-ack" ? "push-data" : "pull-data";
    acknowledgements.answered(kind, datagram.token, outside.nowUs());
  };
  const up = await outside.openSocket(read);
  down = await outside.openSocket(read);
  return { up, down, acknowledgements };
}

/**
 * What a gateway answers to a PULL_RESP of a real server: a TX_ACK, or nothing at version 1. There is no radio: what it
 * "transmits" only makes it deaf. Null when it is off, unreachable, or cannot read it.
 */
function answerTo(
  { version, token, transmission }: PullResponse,
  gatewayEui: Eui,
  play: Play,
  atUs: number,
): { readonly octets: Uint8Array } | null {
  const outcome = transmission === null ? null : play.ask(gatewayEui, transmission, atUs);
  if (outcome === null) return null;
  if (version === 1) return { octets: new Uint8Array(0) };
  const datagram = { kind: "tx-ack", version, token, outcome } as const;
  play.truth.passed({ gatewayEui, datagram, sentUs: atUs, atUs, fate: "arrives", isCopy: false });
  return { octets: datagramOctets(gatewayEui, datagram, 0) };
}

function pass(
  { fate, isCopy, gatewayEui }: Passage,
  datagram: Extract<Passage["datagram"], { kind: "push-data" | "pull-data" }>,
  { up, down, acknowledgements }: GatewaySockets,
  outside: LiveOutside,
  tally: { sent: number; octets: number; receptions: number },
): void {
  const octets = octetsOf({ gatewayEui, datagram, isCopy }, acknowledgements);
  if (fate !== "arrives") {
    acknowledgements.lost(datagram.kind);
    return;
  }
  if (!isCopy) acknowledgements.sent(datagram.kind, datagram.token, outside.nowUs());
  (datagram.kind === "push-data" ? up : down).send(octets);
  tally.sent += 1;
  tally.octets += octets.length;
  if (datagram.kind === "push-data" && !isCopy)
    tally.receptions += datagram.packets.reduce((sum, { packet }) => sum + packet.signals.length, 0);
}

/** A status report tells the share of answers since the one before. */
function octetsOf(
  { gatewayEui, datagram, isCopy }: Pick<Passage, "gatewayEui" | "datagram" | "isCopy">,
  acknowledgements: Acknowledgements,
): Uint8Array {
  const hasReport = datagram.kind === "push-data" && datagram.status !== null && !isCopy;
  return datagramOctets(gatewayEui, datagram, hasReport ? acknowledgements.closeInterval() : 0);
}

// What would a packet capture hold? The datagrams as they arrive, and the server's acknowledgements, by which a reader
// recognises the server's port.

/** One datagram of the capture. */
interface CapturedDatagram {
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
    const bytes = octetsOf(passage, acknowledgements);
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
