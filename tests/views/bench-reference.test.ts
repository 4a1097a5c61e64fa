import { describe, expect, it } from "vitest";
import { BenchView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { writeBenchReference } from "../../src/store/settings.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { benchReferenceView, benchView } from "../../src/views/bench.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { MAST, orchardScenario, playedSite } from "./a-played-site.ts";

const KNOWN_GOOD = "02005E1000000002";

/** Two gateways on one table for an hour; the one under test hears everything so many dB worse. */
function table(worseDb: number): Store {
  const scenario = orchardScenario({ nodes: 10, rhythmSeconds: 40 }) as {
    gateways: object[];
    nodes: { pathGainDb: Record<string, number> }[];
  };
  scenario.gateways.push({ eui: KNOWN_GOOD, name: "Known good" });
  scenario.nodes.forEach((node, i) => {
    const gainDb = -133 - (i % 5);
    node.pathGainDb = { [KNOWN_GOOD]: gainDb, [MAST]: gainDb - worseDb };
  });
  return playedSite(scenario, 4);
}

function bench(db: Store, eui = MAST): BenchView {
  const view = benchView(db, resolveWindow({}, 0, storedSpanUs(db)), eui);
  if (view === null) throw new Error("no such gateway");
  return BenchView.parse(view);
}

const against = ({ items }: BenchView) => items.filter(({ part }) => part === "reference");
const state = (view: BenchView, id: string) => view.items.find((item) => item.id === id)?.state;

describe("a gateway beside a reference", () => {
  it("is measured against nothing until a reference is set, and offered those that were heard", () => {
    const db = table(0);
    expect(against(bench(db))).toEqual([]);
    expect(bench(db)).toMatchObject({ reference: null, others: [{ eui: KNOWN_GOOD, name: null }] });
    expect(benchReferenceView(db)).toBeNull();
  });

  it("passes within the limits set, over all and channel by channel, and the limits are said", () => {
    const db = table(0);
    writeLabel(db, { kind: "gateway", id: KNOWN_GOOD, name: "Known good" });
    writeBenchReference(db, { eui: KNOWN_GOOD, maxOffsetDb: 3, maxLossPoints: 10 });
    const view = bench(db);
    expect(state(view, "reference-offset")).toBe("pass");
    expect(state(view, "reference-loss")).toBe("pass");
    expect(view.reference).toEqual({
      eui: KNOWN_GOOD,
      name: "Known good",
      maxOffsetDb: 3,
      maxLossPoints: 10,
    });
    expect(new Set(against(view).map(({ channel }) => channel))).toEqual(
      new Set([null, "868.1\u202FMHz", "868.3\u202FMHz", "868.5\u202FMHz"]),
    );
    expect(against(view)[0]?.basis).toContain("3\u202FdB, 10 points of loss");
  });

  it("fails when it hears worse than allowed, and the verdict with it; other limits, another verdict", () => {
    const db = table(7);
    writeBenchReference(db, { eui: KNOWN_GOOD, maxOffsetDb: 3, maxLossPoints: 2 });
    const view = bench(db);
    expect(state(view, "reference-offset")).toBe("fail");
    expect(view.verdict).toBe("fail");
    writeBenchReference(db, { eui: KNOWN_GOOD, maxOffsetDb: 12, maxLossPoints: 100 });
    expect(state(bench(db), "reference-offset")).toBe("pass");
    expect(state(bench(db), "reference-loss")).toBe("pass");
  });

  it("is not measured against itself, and a reference that never came is waited for", () => {
    const db = table(0);
    writeBenchReference(db, { eui: KNOWN_GOOD, maxOffsetDb: 3, maxLossPoints: 2 });
    expect(against(bench(db, KNOWN_GOOD))).toEqual([]);
    writeBenchReference(db, { eui: "02005E10000000FE", maxOffsetDb: 3, maxLossPoints: 2 });
    expect(against(bench(db))).toMatchObject([{ id: "reference", state: "waiting" }]);
    expect(against(bench(db))[0]?.reason).toContain("has sent nothing yet");
    writeBenchReference(db, null);
    expect(against(bench(db))).toEqual([]);
  });
});
