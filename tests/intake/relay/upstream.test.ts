import { describe, expect, it } from "vitest";
import { Upstream } from "../../../src/intake/relay/upstream.ts";

function setUp(host: string, answers: (readonly string[] | Error)[]) {
  const time = { ms: 0 };
  const moves: string[] = [];
  let asked = 0;
  const upstream = new Upstream({
    target: { host, port: 1700 },
    lookUp: async () => {
      const answer = answers[Math.min(asked++, answers.length - 1)] ?? [];
      if (answer instanceof Error) throw answer;
      return answer;
    },
    nowMs: () => time.ms,
    isOwnEndpoint: ({ address }) => address === "192.0.2.99",
    onMoved: ({ address }) => moves.push(address),
  });
  const pass = async (ms: number) => {
    const untilMs = time.ms + ms;
    while (time.ms < untilMs) {
      time.ms += 1_000;
      upstream.tend();
      await Promise.resolve();
      await Promise.resolve();
    }
  };
  return { upstream, moves, pass, asked: () => asked };
}

const noName = Object.assign(new Error("getaddrinfo ENOTFOUND"), { code: "ENOTFOUND" });

describe("an upstream", () => {
  it("that is an address is never looked up", async () => {
    const { upstream, moves, pass, asked } = setUp("192.0.2.10", []);
    await upstream.lookUp();
    await pass(300_000);
    expect({ moves, asked: asked() }).toEqual({ moves: ["192.0.2.10"], asked: 0 });
    expect(upstream.endpoint).toEqual({ address: "192.0.2.10", port: 1700 });
  });

  it("is looked up again each minute, and moved to only when its address is no longer one of the name's", async () => {
    const { upstream, moves, pass } = setUp("ns.example", [
      ["192.0.2.10", "192.0.2.11"],
      ["192.0.2.11", "192.0.2.10"],
      ["192.0.2.20"],
    ]);
    await upstream.lookUp();
    await pass(61_000);
    expect(moves).toEqual(["192.0.2.10"]);
    await pass(61_000);
    expect(moves).toEqual(["192.0.2.10", "192.0.2.20"]);
  });

  it("keeps its address while name service is away, and is unresolved only when it never had one", async () => {
    const { upstream, pass } = setUp("ns.example", [["192.0.2.10"], noName]);
    await upstream.lookUp();
    await pass(130_000);
    expect(upstream.endpoint?.address).toBe("192.0.2.10");
    const other = setUp("ns.example", [noName, noName, ["192.0.2.10"]]);
    await other.upstream.lookUp();
    expect(other.upstream.figures()).toMatchObject({ state: "unresolved", address: null });
    expect(other.upstream.figures().trouble).toContain("ENOTFOUND");
    await other.pass(11_000);
    expect(other.upstream.endpoint?.address).toBe("192.0.2.10");
  });

  it("stands as answering, silent or refusing by what came of what was sent", async () => {
    const { upstream, pass } = setUp("192.0.2.10", []);
    await upstream.lookUp();
    expect(upstream.figures().state).toBe("idle");
    upstream.sent(true);
    expect(upstream.figures().state).toBe("waiting");
    await pass(1_000);
    upstream.answered(7);
    expect(upstream.figures()).toMatchObject({ state: "answering", lastAnswerAtUs: 7, received: 1, sent: 1 });
    upstream.sent(true);
    await pass(6_000);
    expect(upstream.figures().state).toBe("silent");
    upstream.troubled("ECONNREFUSED");
    expect(upstream.figures()).toMatchObject({ state: "refusing", refusals: 1, trouble: "ECONNREFUSED" });
    await pass(1_000);
    upstream.answered(9);
    expect(upstream.figures()).toMatchObject({ state: "answering", trouble: "" });
    await pass(61_000);
    expect(upstream.figures().state).toBe("idle");
  });

  it("is not called silent for a TX_ACK, which nobody answers", async () => {
    const { upstream, pass } = setUp("192.0.2.10", []);
    await upstream.lookUp();
    upstream.sent(true);
    upstream.answered(1);
    upstream.sent(false);
    await pass(10_000);
    expect(upstream.figures().state).toBe("answering");
  });

  it("gives the next address a try after 15 s of silence, and a second after a refusal", async () => {
    const { upstream, moves, pass } = setUp("ns.example", [["2001:db8::10", "192.0.2.10"]]);
    await upstream.lookUp();
    upstream.sent(true);
    await pass(14_000);
    expect(moves).toEqual(["2001:db8::10"]);
    await pass(2_000);
    expect(moves).toEqual(["2001:db8::10", "192.0.2.10"]);
    const refused = setUp("ns.example", [["2001:db8::10", "192.0.2.10"]]);
    await refused.upstream.lookUp();
    await refused.pass(1_000);
    refused.upstream.troubled("ECONNREFUSED");
    expect(refused.moves).toEqual(["2001:db8::10", "192.0.2.10"]);
  });

  it("is never the relay itself", async () => {
    const { upstream } = setUp("ns.example", [["192.0.2.99", "192.0.2.10"]]);
    await upstream.lookUp();
    expect(upstream.endpoint?.address).toBe("192.0.2.10");
  });
});
