/** How do the passage in line, a gateway's way back and a node's answers stand, in words? */
import { describe, expect, it } from "vitest";
import {
  type AnswerCounts,
  answersSentence,
  judgePassage,
  judgeUpstream,
  judgeWayBack,
  loopSentence,
  notRelayedWords,
  outcomeOf,
  outcomeStanding,
  outcomeWords,
  type RoundTripPlace,
  roundTripMeaning,
  type UpstreamFacts,
  type WayBackFacts,
  windowWords,
} from "../../src/diagnosis/relay-sentences.ts";

const plain = (text: string) => text.replaceAll("\u202F", " ");
const server = (change: Partial<UpstreamFacts> = {}): UpstreamFacts => ({
  name: "ns.example:1700",
  state: "answering",
  trouble: "",
  silentForSeconds: null,
  ...change,
});

describe("a server to relay to", () => {
  it.each([
    [server(), "good", "answering"],
    [server({ state: "waiting" }), "waiting", "not answering yet"],
    [server({ state: "idle" }), "waiting", "nothing to answer: no gateway sends"],
    [server({ state: "silent" }), "bad", "silent: it never answered"],
    [server({ state: "silent", silentForSeconds: 44.6 }), "bad", "silent for 45 s"],
    [server({ state: "silent", silentForSeconds: 5_400 }), "bad", "silent for 1 h 30 min"],
    [server({ state: "refusing", trouble: "ECONNREFUSED" }), "bad", "refused: nobody listens on that port"],
    [server({ state: "refusing", trouble: "ENETUNREACH" }), "bad", "unreachable (ENETUNREACH)"],
    [server({ state: "refusing" }), "bad", "unreachable (no reason given)"],
    [server({ state: "unresolved" }), "bad", "its name has no address"],
    [server({ state: "unresolved", trouble: "no such name" }), "bad", "no such name"],
  ])("%o is told as it stands", (facts, standing, words) => {
    const judged = judgeUpstream(facts);
    expect({ ...judged, words: plain(judged.words) }).toEqual({ standing, words });
  });
});

describe("the passage", () => {
  const passage = (upstreams: readonly UpstreamFacts[], storage: "well" | "slow" | "failed" = "well") =>
    judgePassage({ upstreams, gateways: upstreams.length, storage });
  const deaf = server({ name: "copy.example:1700", state: "refusing", trouble: "ECONNREFUSED" });

  it("stands as its server does, with the gateways that pass", () => {
    expect(passage([server()])).toEqual({
      standing: "good",
      words: "Relaying to ns.example:1700, answering; 1 gateway.",
    });
    expect(judgePassage({ upstreams: [server()], gateways: 2, storage: "well" }).words).toContain(
      "; 2 gateways.",
    );
    expect(passage([]).words).toBe("No server to relay to.");
  });

  it("is worth a look when one that only hears cannot be reached, and no worse than bad", () => {
    expect(passage([server(), deaf])).toEqual({
      standing: "look",
      words:
        "Relaying to ns.example:1700, answering; 2 gateways; copy.example:1700, which only gets copies, cannot be reached.",
    });
    expect(passage([server({ state: "silent" }), deaf]).standing).toBe("bad");
  });

  it("is worth a look when the recording lags, and bad when it has stopped", () => {
    expect(passage([server()], "slow")).toEqual({
      standing: "look",
      words: "Relaying to ns.example:1700, answering; 1 gateway. Recording lags behind.",
    });
    expect(passage([server()], "failed")).toEqual({
      standing: "bad",
      words: "Relaying to ns.example:1700, answering; 1 gateway. Relaying works. Recording has stopped.",
    });
  });

  it("names a loop with its count and its last time", () => {
    const loop = { from: "192.0.2.9 port 1700", at: "2026-03-14T09:00:00.000Z" };
    expect(loopSentence({ count: 1, ...loop })).toMatch(
      /^A datagram came back from 192\.0\.2\.9 port 1700 after this relay had passed it on, last at 2026-03-14/,
    );
    expect(loopSentence({ count: 40, ...loop })).toMatch(/^40 datagrams came back .* had passed them on/);
  });

  it("says why a datagram was not passed on, and repeats a reason it has no words for", () => {
    expect(notRelayedWords("capped")).toBe("no room: as many associations as there are sockets");
    expect(notRelayedWords("new-reason")).toBe("new-reason");
  });
});

describe("a gateway's word on a downlink", () => {
  it.each([
    ["accepted", null, "good", "taken for sending"],
    ["accepted-lower-power", "TX_POWER", "look", "taken for sending at a lower power"],
    ["refused", "TOO_LATE", "bad", "refused: came too late"],
    ["refused", "too_late", "bad", "refused: came too late"],
    ["refused", "OVERHEATED", "bad", "refused: OVERHEATED"],
    ["refused", null, "bad", "refused: no reason given"],
    ["unreadable", null, "look", "the gateway's answer could not be read"],
    [null, null, "waiting", "the gateway did not say"],
    ["something else", null, "waiting", "the gateway did not say"],
  ])("%s, %s", (result, word, standing, words) => {
    const outcome = outcomeOf(result);
    expect([outcomeStanding(outcome), outcomeWords(outcome, word)]).toEqual([standing, words]);
  });

  it("has a window by name", () => {
    expect(["rx1", "join-rx2", "none", "rx9", null].map(windowWords)).toEqual([
      "RX1",
      "join, RX2",
      "answers no uplink heard here",
      "rx9",
      "not known",
    ]);
  });
});

describe("a gateway's way back", () => {
  const way = (change: Partial<WayBackFacts>) =>
    judgeWayBack({
      server: "answering",
      asked: 40,
      refused: 0,
      late: 0,
      timed: 40,
      lost: 0,
      askedPush: 1_000,
      fullestBudget: null,
      ...change,
    });

  it("is well when downlinks are taken, or none was asked for", () => {
    expect(way({})).toEqual({ standing: "good", clause: "downlinks are taken in time" });
    expect(way({ asked: 0, timed: 0 })).toEqual({
      standing: "good",
      clause: "the server answers; no downlink was asked for",
    });
    expect(way({ server: "unknown", asked: 0, timed: 0, lost: null })).toEqual({
      standing: "waiting",
      clause: "nothing of a server was seen for it",
    });
  });

  it("is bad without a server, and when it transmitted too long, whatever else is well", () => {
    expect(way({ server: "silent" })).toEqual({
      standing: "bad",
      clause: "the server does not answer this gateway",
    });
    expect(way({ fullestBudget: 1.01 }).clause).toBe("it transmitted longer than a sub-band allows");
    expect(way({ fullestBudget: 1 })).toEqual({
      standing: "look",
      clause: "its duty cycle is nearly used up in a sub-band",
    });
    expect(way({ fullestBudget: 0.8 }).standing).toBe("good");
  });

  it("with more than 5 % of 20 downlinks or more refused is bad, with less worth a look", () => {
    expect(way({ asked: 40, refused: 2 })).toEqual({
      standing: "look",
      clause: "the gateway refused 2 of 40 downlinks",
    });
    expect(way({ asked: 40, refused: 3 }).standing).toBe("bad");
    expect(way({ asked: 20, refused: 2 }).standing).toBe("bad");
    // Of fewer than 20 it takes more than half.
    expect(way({ asked: 19, refused: 9 }).standing).toBe("look");
    expect(way({ asked: 19, refused: 10 }).standing).toBe("bad");
  });

  it("names lateness where half of the refused were late", () => {
    expect(way({ asked: 40, refused: 4, late: 2, timed: 38 }).clause).toBe(
      "2 of 38 timed downlinks came too late",
    );
    expect(way({ asked: 40, refused: 4, late: 1 }).clause).toBe("the gateway refused 4 of 40 downlinks");
    expect(way({ late: 1 })).toEqual({ standing: "look", clause: "1 of 40 timed downlinks were late" });
  });

  it("with more than 1 % of its acknowledgements lost is worth a look", () => {
    expect(way({ lost: 10 }).standing).toBe("good");
    expect(way({ lost: 11 })).toEqual({
      standing: "look",
      clause: plainThousands("11 of 1,000 acknowledgements were lost"),
    });
    expect(way({ lost: null }).standing).toBe("good");
    expect(way({ lost: 0, askedPush: 0 }).standing).toBe("good");
  });

  const plainThousands = (text: string) => text.replace(",", "\u202F");
});

describe("what a round trip covers", () => {
  const meaning = (change: Partial<RoundTripPlace>) =>
    plain(roundTripMeaning({ inLine: false, inCapture: true, serverMs: 40, gatewayMs: null, ...change }));

  it("is told by where it was measured", () => {
    expect(meaning({ inLine: true, inCapture: true })).toBe(
      "Measured at this relay and in captures: from there to the server and back, not the way from the gateway.",
    );
    expect(meaning({ inLine: true, inCapture: false })).toBe(
      "Measured at this relay: from here to the server and back. The way from the gateway to here is not in it.",
    );
    expect(meaning({})).toBe(
      "Measured where the capture was taken: from there to the server and back. At the gateway that is the whole round trip; on the way, only the part beyond that place.",
    );
  });

  it("names the place of a capture where one end answers within 2 ms", () => {
    expect(meaning({ gatewayMs: 1.9 })).toContain(
      "The gateway answered downlinks there within 1.9 ms. The capture was taken at or beside the gateway",
    );
    expect(meaning({ gatewayMs: 2 })).toContain("At the gateway that is the whole round trip");
    expect(meaning({ serverMs: 1.9 })).toContain("taken at or beside the server");
    expect(meaning({ serverMs: 1.9, gatewayMs: 1 })).toContain("taken at or beside the server");
    expect(meaning({ serverMs: 2, gatewayMs: 1 })).toContain("at or beside the gateway");
  });
});

describe("whether a node got its answers", () => {
  const none = { all: 0, good: 0 };
  const said = (change: Partial<AnswerCounts>) =>
    answersSentence({ seen: true, confirmed: none, joins: none, commands: none, ...change });

  it("counts what was asked, in one sentence", () => {
    expect(
      said({
        confirmed: { all: 10, good: 8 },
        joins: { all: 2, good: 1 },
        commands: { all: 3, good: 3 },
      }),
    ).toBe(
      "8 of 10 confirmed uplinks were answered; 1 of 2 join-requests were accepted; 3 of 3 data-rate commands took effect.",
    );
  });

  it("has words for a single one", () => {
    expect(said({ confirmed: { all: 1, good: 1 } })).toBe("The confirmed uplink was answered.");
    expect(said({ confirmed: { all: 1, good: 0 } })).toBe("The confirmed uplink was not answered.");
    expect(said({ commands: { all: 1, good: 1 } })).toBe("The data-rate command took effect.");
    expect(said({ commands: { all: 1, good: 0 } })).toBe("The data-rate command had no effect.");
  });

  it("tells nothing asked from nothing to be seen", () => {
    expect(said({})).toBe("The node asked for no answer, and the network commanded nothing.");
    expect(said({ seen: false, joins: { all: 1, good: 1 } })).toMatch(/^Answers were not to be seen here/);
  });
});
