/** What do a gateway's words on downlinks, and the windows they are for, mean to a person? */
import type { Standing } from "../contract/common.ts";

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
  return window === null ? "not told" : (WINDOWS[window] ?? window);
}

/** Share of refusals that is no chance any more, and of how many. Common practice, no source. */
const REFUSED_SHARE = 0.05;
const REFUSED_LEAST = 20;
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
  const times = (count: number) => count.toLocaleString("en-GB");
  if (server === "silent") return { standing: "bad", clause: "the server does not answer this gateway" };
  if (fullestBudget !== null && fullestBudget > 1)
    return { standing: "bad", clause: "it transmitted longer than a sub-band allows" };
  if (refused > 0) {
    const clause =
      late > 0 && late * 2 >= refused
        ? `${times(late)} of ${times(timed)} timed downlinks came too late`
        : `the gateway refused ${times(refused)} of ${times(asked)} downlinks`;
    const isMuch = asked >= REFUSED_LEAST ? refused / asked > REFUSED_SHARE : refused * 2 > asked;
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

function milliseconds(ms: number): string {
  return `${ms.toFixed(ms < 10 ? 1 : 0)}\u2009ms`;
}
