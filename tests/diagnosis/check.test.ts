import { describe, expect, it } from "vitest";
import {
  type CheckQuestion,
  type GatewayHealth,
  judgeCheck,
  type NodeHealth,
  type SiteHealth,
} from "../../src/diagnosis/check.ts";

const SHED = "02005E1000000001";
const PROBE = "01A2B3C4";

const gateway = (change: Partial<GatewayHealth> = {}): GatewayHealth => ({
  eui: SHED,
  name: null,
  silentSeconds: 4,
  isOut: false,
  ...change,
});
const node = (change: Partial<NodeHealth> = {}): NodeHealth => ({
  devAddr: PROBE,
  name: null,
  isStranger: false,
  silentSeconds: 40,
  isOverdue: false,
  expected: 50,
  missed: 1,
  missedDuringOutage: 0,
  ...change,
});
const site = (change: Partial<SiteHealth> = {}): SiteHealth => ({
  recordedSeconds: 3_600,
  notRecordingSeconds: 1,
  gateways: [gateway()],
  nodes: [node()],
  ...change,
});
const asked = (change: Partial<CheckQuestion> = {}): CheckQuestion => ({
  gateways: [],
  nodes: [],
  maxLoss: 0.05,
  maxSilenceSeconds: null,
  ...change,
});
const answer = (health: Partial<SiteHealth>, question: Partial<CheckQuestion> = {}) => {
  const { state, sentence } = judgeCheck(site(health), asked(question));
  return [state, sentence.replace(/\u202F/g, " ")];
};

describe("the check of a site", () => {
  it("is well, with what that rests on", () => {
    expect(answer({})).toEqual([
      "well",
      "Well: 1 gateway in reach, 1 node within 5 % loss, over 1 h recorded.",
    ]);
  });

  it("is not well when a gateway is out by its own interval, or by a limit that was asked for", () => {
    const quiet = { gateways: [gateway({ silentSeconds: 130, isOut: true })] };
    expect(answer(quiet)).toEqual(["not-well", `Not well: gateway ${SHED} silent for 2 min 10 s.`]);
    expect(answer(quiet, { maxSilenceSeconds: 300, gateways: [SHED] })[0]).toBe("well");
    expect(
      answer(
        { gateways: [gateway({ name: "Shed", silentSeconds: 301 })] },
        { maxSilenceSeconds: 300, gateways: [SHED] },
      ),
    ).toEqual(["not-well", "Not well: gateway Shed silent for 5 min 1 s."]);
  });

  it("is not well when a node lost more than the limit: 3 of 50 are 6 %, 2 of 50 are 4 %", () => {
    expect(answer({ nodes: [node({ missed: 3, missedDuringOutage: 1 })] })).toEqual([
      "not-well",
      `Not well: node ${PROBE} lost 6.0 % (3 of 50, 1 of them with no gateway in reach).`,
    ]);
    expect(answer({ nodes: [node({ missed: 2 })] })[0]).toBe("well");
    expect(answer({ nodes: [node({ isStranger: true, missed: 30 })] })[0]).toBe("well");
  });

  it("cannot tell while nobody records, and a fault that was recorded still comes first", () => {
    expect(answer({ notRecordingSeconds: null, recordedSeconds: 0, gateways: [], nodes: [] })).toEqual([
      "cannot-tell",
      "Cannot tell: nothing was ever recorded.",
    ]);
    expect(answer({ notRecordingSeconds: 600 })).toEqual([
      "cannot-tell",
      "Cannot tell: nothing was recorded for 10 min.",
    ]);
    expect(answer({ notRecordingSeconds: 600, nodes: [node({ missed: 25 })] })).toEqual([
      "not-well",
      `Not well: node ${PROBE} lost 50.0 % (25 of 50); nothing was recorded for 10 min.`,
    ]);
  });

  it("cannot tell of what was never heard, nor of a node with too few counters that was asked for", () => {
    expect(answer({}, { gateways: ["02005E10000000FE"] })).toEqual([
      "cannot-tell",
      "Cannot tell: gateway 02005E10000000FE was never heard.",
    ]);
    const rare = { nodes: [node({ expected: 9, missed: 5 })] };
    expect(answer(rare)[0]).toBe("well");
    expect(answer(rare, { nodes: [PROBE] })).toEqual([
      "cannot-tell",
      `Cannot tell: node ${PROBE} sent too little: 9 of 10 counters.`,
    ]);
  });

  it("names five reasons and counts the rest", () => {
    const nodes = Array.from({ length: 8 }, (_, i) => node({ devAddr: `0000000${i}`, isOverdue: true }));
    expect(answer({ nodes })[1]).toMatch(/00000004 silent for 40 s; and 3 more\.$/);
  });
});
