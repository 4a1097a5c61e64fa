/** How does the passage between gateways and server stand, in a sentence? From figures handed in. */
import type { Standing } from "../contract/common.ts";

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
      return silentForSeconds === null ? "silent: it never answered" : `silent for ${span(silentForSeconds)}`;
    case "refusing":
      return trouble === "ECONNREFUSED"
        ? "refused: nobody listens on that port"
        : `out of reach (${trouble || "no reason given"})`;
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
  const parts = [
    `Relaying to ${server.name}, ${words}`,
    gateways === 1 ? "1 gateway" : `${gateways.toLocaleString("en-GB")} gateways`,
  ];
  const astray = listeners.filter(({ state }) => STANDINGS[state] === "bad").map(({ name }) => name);
  if (astray.length > 0) parts.push(`${astray.join(" and ")}, which only hears, cannot be reached`);
  const recording =
    storage === "well"
      ? ""
      : storage === "slow"
        ? " Recording lags behind."
        : " The passage works, not recording.";
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
  const came = count === 1 ? "A datagram came" : `${count.toLocaleString("en-GB")} datagrams came`;
  return `${came} back from ${from} after this relay had passed ${count === 1 ? "it" : "them"} on, last at ${at}: two relays point at each other. What comes back is dropped here; give one of them another --relay.`;
}

/** Why datagrams were not passed on, in words. */
export function notRelayedWords(reason: string): string {
  return NOT_RELAYED_WORDS[reason] ?? reason;
}

function span(seconds: number): string {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  return seconds < 5_400 ? `${Math.round(seconds / 60)} min` : `${Math.round(seconds / 3_600)} h`;
}
