/**
 * How does a synthetic site speak to a real listener? In real time, through two sockets a gateway as real forwarders
 * have, never waiting for an answer. A PULL_RESP is answered by a TX_ACK, as a gateway would; nothing is transmitted by radio.
 */
import type { Eui } from "../model/identifiers.ts";
import { decodeDownstream, type PullResponse } from "../wire/forwarder/downstream.ts";
import { Acknowledgements, datagramOctets } from "./gateway-output.ts";
import type { Play } from "./play-site.ts";
import type { ScenarioClock } from "./time-and-chance.ts";
import type { Passage } from "./transmission.ts";

/** A UDP socket that is tied to the listener's address and port. */
export interface SiteSocket {
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
  const hasReport = datagram.kind === "push-data" && datagram.status !== null && !isCopy;
  const octets = datagramOctets(gatewayEui, datagram, hasReport ? acknowledgements.closeInterval() : 0);
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
