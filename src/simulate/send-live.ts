/**
 * How does a synthetic site speak to a real listener? In real time, through two sockets a gateway as real forwarders
 * have, never waiting for an answer. Only UDP datagrams leave: nothing is transmitted by radio.
 */
import type { Eui } from "../model/identifiers.ts";
import { decodeDownstream } from "../wire/forwarder/downstream.ts";
import { Acknowledgements } from "./acknowledgements.ts";
import { datagramOctets } from "./datagram-octets.ts";
import type { Play } from "./play-site.ts";
import type { ScenarioClock } from "./scenario-time.ts";
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
  for (const eui of euis) gateways.set(eui, await openSockets(outside));
  const tally = { sent: 0, octets: 0, receptions: 0 };
  let burst = 0;
  for (const passage of play.passages) {
    const waitUs = clock.startUs + passage.atUs / clock.speed - outside.nowUs();
    if (waitUs > 0 || ++burst % SENDS_BETWEEN_READS === 0) await outside.wait(Math.max(0, waitUs), signal);
    if (signal.aborted) break;
    play.truth.passed(passage);
    const sockets = gateways.get(passage.gatewayEui);
    if (sockets !== undefined) pass(passage, sockets, outside, tally);
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

async function openSockets(outside: LiveOutside): Promise<GatewaySockets> {
  const acknowledgements = new Acknowledgements();
  const read = (octets: Uint8Array): void => {
    const decoded = decodeDownstream(octets);
    // A PULL_RESP asks for a radio transmission: there is no radio here.
    if (!decoded.ok || decoded.datagram.kind === "pull-response") return;
    const kind = decoded.datagram.kind === "push-ack" ? "push-data" : "pull-data";
    acknowledgements.answered(kind, decoded.datagram.token, outside.nowUs());
  };
  return { up: await outside.openSocket(read), down: await outside.openSocket(read), acknowledgements };
}

function pass(
  { datagram, fate, isCopy, gatewayEui }: Passage,
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
