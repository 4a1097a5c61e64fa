/** How does the passage between gateways and server stand, in a sentence? From figures handed in. */
import type { Standing } from "../contract/common.ts";
import { duration, figure, milliseconds, plural } from "../words/format.ts";

export type UpstreamCondition = "answering" | "waiting" | "idle" | "silent" | "refusing" | "unresolved";

export interface UpstreamFacts {
  /** "ns.example:1700". */
  readonly name: string;
  readonly state: UpstreamCondition;
  /** The system's word for its trouble; empty without. */
  readonly trouble: string;
  /** Since its last answer; null when it never answered. */
  readonly silentForSeconds: number | null;
}

const STANDINGS: Readonly<Record<UpstreamCondition, Standing>> = {
  answering: "good",
  waiting: "waiting",
  idle: "waiting",
  silent: "bad",
  refusing: "bad",
  unresolved: "bad",
};

/** Standing and clause of one upstream. */
export function judgeUpstream(facts: UpstreamFacts): { standing: Standing; words: string } {
  return { standing: STANDINGS[facts.state], words: clauseOf(facts) };
}

function clauseOf({ state, trouble, silentForSeconds }: UpstreamFacts): string {
  switch (state) {
    case "answering":
      return "answering";
    case "waiting":
      return "not answering yet";
    case "idle":
      return "nothing to answer: no gateway sends";
    case "silent":
      return silentForSeconds === null
        ? "silent: it never answered"
        : `silent for ${duration(Math.round(silentForSeconds))}`;
    case "refusing":
      return trouble === "ECONNREFUSED"
        ? "refused: nobody listens on that port"
        : `unreachable (${trouble || "no reason given"})`;
    case "unresolved":
      return trouble === "" ? "its name has no address" : trouble;
  }
}

export interface PassageFacts {
  /** The server first. */
  readonly upstreams: readonly UpstreamFacts[];
  readonly gateways: number;
  readonly storage: "well" | "slow" | "failed";
}

/** Standing and sentence of the whole passage. */
export function judgePassage({ upstreams, gateways, storage }: PassageFacts): {
  standing: Standing;
  words: string;
} {
  const [server, ...listeners] = upstreams;
  if (server === undefined) return { standing: "bad", words: "No server to relay to." };
  const { standing, words } = judgeUpstream(server);
  const parts = [`Relaying to ${server.name}, ${words}`, plural(gateways, "gateway")];
  const astray = listeners.filter(({ state }) => STANDINGS[state] === "bad").map(({ name }) => name);
  if (astray.length > 0) parts.push(`${astray.join(" and ")}, which only gets copies, cannot be reached`);
  const recording =
    storage === "well"
      ? ""
      : storage === "slow"
        ? " Recording lags behind."
        : " Relaying works. Recording has stopped.";
  const worst = storage === "well" && astray.length === 0 ? standing : atLeastLook(standing);
  return { standing: storage === "failed" ? "bad" : worst, words: `${parts.join("; ")}.${recording}` };
}

function atLeastLook(standing: Standing): Standing {
  return standing === "bad" ? "bad" : "look";
}

const NOT_RELAYED_WORDS: Readonly<Record<string, string>> = {
  unreadable: "no readable head, from a source that never sent one",
  source: "from an address that can be no gateway's",
  loop: "from this relay itself or from an upstream, or sent back after it was passed on",
  capped: "no room: as many associations as there are sockets",
  hurried: "too many new sources at once",
};

/** That datagrams go round between relays; `at`: when that was seen last. */
export function loopSentence(loop: {
  readonly count: number;
  readonly from: string;
  readonly at: string;
}): string {
  const { count, from, at } = loop;
  const came = count === 1 ? "A datagram came" : `${figure(count)} datagrams came`;
  return `${came} back from ${from} after this relay had passed ${count === 1 ? "it" : "them"} on, last at ${at}: two relays point at each other. What comes back is dropped here; give one of them another --relay.`;
}

/** Why datagrams were not passed on, in words. */
export function notRelayedWords(reason: string): string {
  return NOT_RELAYED_WORDS[reason] ?? reason;
}

// What do a gateway's words on downlinks, and the windows they are for, mean to a person?

// Meanings of txpk_ack.error and warn: PROTOCOL.TXT 1.3 to 1.6, section 6. A full queue is reported as a collision, and
// TOO_EARLY mostly means too late (public issue threads of the reference daemons).
const OUTCOMES: Readonly<Record<string, string>> = {
  TOO_LATE: "came too late",
  TOO_EARLY: "its moment lay too far ahead, or had just passed",
  COLLISION_PACKET: "its moment was taken by another packet, or the queue was full",
  COLLISION_BEACON: "its moment was taken by a beacon",
  TX_FREQ: "the frequency is not allowed to this radio",
  TX_POWER: "the power is not possible",
  GPS_UNLOCKED: "the gateway has no GPS time",
};

export type Outcome = "accepted" | "accepted-lower-power" | "refused" | "unreadable" | "unanswered";

/** `result` as stored; null: no TX_ACK was seen. */
export function outcomeOf(result: string | null): Outcome {
  switch (result) {
    case "accepted":
    case "accepted-lower-power":
    case "refused":
    case "unreadable":
      return result;
    default:
      return "unanswered";
  }
}

/** One clause for an outcome and its word. */
export function outcomeWords(outcome: Outcome, word: string | null): string {
  switch (outcome) {
    case "accepted":
      return "taken for sending";
    case "accepted-lower-power":
      return "taken for sending at a lower power";
    case "unreadable":
      return "the gateway's answer could not be read";
    case "unanswered":
      return "the gateway did not say";
    case "refused": {
      const known = OUTCOMES[word?.toUpperCase() ?? ""];
      return known === undefined ? `refused: ${word ?? "no reason given"}` : `refused: ${known}`;
    }
  }
}

export function outcomeStanding(outcome: Outcome): Standing {
  if (outcome === "accepted") return "good";
  if (outcome === "refused") return "bad";
  return outcome === "unanswered" ? "waiting" : "look";
}

const WINDOWS: Readonly<Record<string, string>> = {
  rx1: "RX1",
  rx2: "RX2",
  rx: "RX1 or RX2",
  "join-rx1": "join, RX1",
  "join-rx2": "join, RX2",
  immediate: "at once (class C)",
  gps: "at a GPS time (class B)",
  none: "answers no uplink heard here",
};

export function windowWords(window: string | null): string {
  return window === null ? "not known" : (WINDOWS[window] ?? window);
}

/** Share of refusals that is no chance any more, and of how many. Common practice, no source. */
const REFUSED_SHARE = 0.05;
const MIN_REFUSED = 20;
/** Acknowledgements lost, beyond which the path is worth a look. Common practice, no source. */
const LOST_SHARE = 0.01;

export interface WayBackFacts {
  readonly server: "answering" | "silent" | "unknown";
  readonly asked: number;
  readonly refused: number;
  readonly late: number;
  readonly timed: number;
  /** Acknowledgements of PUSH_DATA; null where they are not to be seen. */
  readonly lost: number | null;
  readonly askedPush: number;
  /** Share of the budget that allows least, 0 and up; null when none is known. */
  readonly fullestBudget: number | null;
}

/** How a gateway's way back stands, in one clause. */
export function judgeWayBack(facts: WayBackFacts): { standing: Standing; clause: string } {
  const { server, asked, refused, late, timed, lost, askedPush, fullestBudget } = facts;
  const times = (count: number) => figure(count);
  if (server === "silent") return { standing: "bad", clause: "the server does not answer this gateway" };
  if (fullestBudget !== null && fullestBudget > 1)
    return { standing: "bad", clause: "it transmitted longer than a sub-band allows" };
  if (refused > 0) {
    const clause =
      late > 0 && late * 2 >= refused
        ? `${times(late)} of ${times(timed)} timed downlinks came too late`
        : `the gateway refused ${times(refused)} of ${times(asked)} downlinks`;
    const isMuch = asked >= MIN_REFUSED ? refused / asked > REFUSED_SHARE : refused * 2 > asked;
    return { standing: isMuch ? "bad" : "look", clause };
  }
  if (late > 0)
    return { standing: "look", clause: `${times(late)} of ${times(timed)} timed downlinks were late` };
  if (lost !== null && askedPush > 0 && lost / askedPush > LOST_SHARE)
    return { standing: "look", clause: `${times(lost)} of ${times(askedPush)} acknowledgements were lost` };
  if (fullestBudget !== null && fullestBudget > 0.8)
    return { standing: "look", clause: "its duty cycle is nearly used up in a sub-band" };
  if (server === "unknown" && asked === 0)
    return { standing: "waiting", clause: "nothing of a server was seen for it" };
  return {
    standing: "good",
    clause: asked === 0 ? "the server answers; no downlink was asked for" : "downlinks are taken in time",
  };
}

/** Faster than this, the other end stands beside the place of capture. Chosen: a network in one building. */
const BESIDE_MS = 2;

export interface RoundTripPlace {
  /** Round trips were measured by the relay, or read from captures. */
  readonly inLine: boolean;
  readonly inCapture: boolean;
  /** Median from a PUSH_DATA to its PUSH_ACK, ms. */
  readonly serverMs: number;
  /** Median from a PULL_RESP to its TX_ACK, ms; null: none passed. */
  readonly gatewayMs: number | null;
}

/** Which part of the way the round trips of PUSH_DATA and PULL_DATA cover, in sentences. */
export function roundTripMeaning({ inLine, inCapture, serverMs, gatewayMs }: RoundTripPlace): string {
  if (inLine && inCapture)
    return "Measured at this relay and in captures: from there to the server and back, not the way from the gateway.";
  if (inLine)
    return "Measured at this relay: from here to the server and back. The way from the gateway to here is not in it.";
  const gateway =
    gatewayMs === null ? "" : ` The gateway answered downlinks there within ${milliseconds(gatewayMs)}.`;
  return `Measured where the capture was taken: from there to the server and back.${gateway} ${placeOf(serverMs, gatewayMs)}`;
}

function placeOf(serverMs: number, gatewayMs: number | null): string {
  if (gatewayMs !== null && gatewayMs < BESIDE_MS && serverMs >= BESIDE_MS)
    return "The capture was taken at or beside the gateway: this is nearly the gateway's own round trip.";
  if (serverMs < BESIDE_MS)
    return "The capture was taken at or beside the server: this is hardly more than the server's own time.";
  return "At the gateway that is the whole round trip; on the way, only the part beyond that place.";
}

// Did a node get its answers? One sentence from the counts.

export interface AnswerCounts {
  /** Whether a server's datagrams passed here at all. */
  readonly seen: boolean;
  readonly confirmed: { readonly all: number; readonly good: number };
  readonly joins: { readonly all: number; readonly good: number };
  readonly commands: { readonly all: number; readonly good: number };
}

export function answersSentence({ seen, confirmed, joins, commands }: AnswerCounts): string {
  if (!seen)
    return "Answers were not to be seen here: they are seen only when Mastlog relays, or in a capture that holds both directions.";
  const parts = [
    part(confirmed, "confirmed uplink", "answered"),
    part(joins, "join-request", "accepted"),
    part(commands, "data-rate command", "took effect"),
  ].filter((one) => one !== null);
  if (parts.length === 0) return "The node asked for no answer, and the network commanded nothing.";
  const all = parts.join("; ");
  return `${all.charAt(0).toUpperCase()}${all.slice(1)}.`;
}

function part({ all, good }: { all: number; good: number }, name: string, verb: string): string | null {
  if (all === 0) return null;
  const noun = all === 1 ? name : `${name}s`;
  const passive = verb === "took effect" ? verb : all === 1 ? `was ${verb}` : `were ${verb}`;
  if (all === 1)
    return good === 1
      ? `the ${noun} ${passive}`
      : `the ${noun} ${verb === "took effect" ? "had no effect" : `was not ${verb}`}`;
  return `${figure(good)} of ${figure(all)} ${noun} ${passive}`;
}
