/**
 * What would a packet capture on the listener's machine hold? The datagrams of a synthetic site as they arrive, and
 * the server's acknowledgements, by which a reader recognises the server's port.
 */
import type { Endpoint } from "../model/arrival.ts";
import type { Eui } from "../model/identifiers.ts";
import { createPcapWriter } from "../wire/capture/pcap-writer.ts";
import { answerFor } from "../wire/forwarder/answer.ts";
import { Acknowledgements } from "./acknowledgements.ts";
import { datagramOctets } from "./datagram-octets.ts";
import type { Play } from "./play-site.ts";
import type { Scenario } from "./scenario.ts";
import { type ScenarioClock, worldUs } from "./scenario-time.ts";

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
    // The way back is taken to be as long as the way here.
    acknowledgements.answered(datagram.kind, datagram.token, atUs + ANSWER_US + (atUs - sentUs));
  }
  return datagrams.sort((a, b) => a.atUs - b.atUs);
}
