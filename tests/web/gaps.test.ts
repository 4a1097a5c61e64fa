import { describe, expect, test } from "vitest";
import type { DropoutRow, EpisodeRow, Evidence, GapPage } from "../../src/contract/gaps.ts";
import { drawnNeighbours, lanesOf, scoreCells, stanceOf } from "../../src/drawings/evidence.ts";
import { confidenceWords, episodeTitle } from "../../src/words/causes.ts";
import {
  costWords,
  counterWords,
  filterChoices,
  filterFromParams,
  gapItems,
  lengthWords,
  strangerCount,
} from "../../web/src/pages/gaps/FindingText.tsx";

import { SHED, TOWER } from "../store/traffic.ts";
import { gapPage, gapsView } from "./gap-answers.ts";

const SPAN = { fromMs: Date.UTC(2026, 2, 14, 8), toMs: Date.UTC(2026, 2, 14, 9), live: false };
const VIEW = gapsView(SPAN);
const ALL = { cause: null, node: null, gateway: null, strangers: false };
const ids = (filter: Partial<typeof ALL> | object) =>
  gapItems(VIEW, { ...ALL, ...filter }).map(({ row }) => row.id);
const gap = (id: string) => VIEW.gaps.find((one) => one.id === id)!;

describe("the lines of the list", () => {
  test("gather what many nodes share in one, newest first, open ones before all", () => {
    expect(ids({})).toEqual(["gap-open", "gap-unexplained", "outage-1", "gap-steady"]);
    const [, , shared] = gapItems(VIEW, ALL);
    expect(shared?.kind === "episode" ? shared.gaps.map(({ id }) => id) : []).toEqual([
      "gap-shed-1",
      "gap-shed-2",
      "gap-shed-3",
    ]);
  });
  test("an open episode stands first, however early it began", () => {
    const gaps: DropoutRow[] = VIEW.gaps.map((row) => ({ ...row, open: row.id === "gap-steady" }));
    expect(gapItems({ ...VIEW, gaps }, ALL)[0]?.row.id).toBe("gap-steady");
  });
  test("are chosen by cause, node and gateway", () => {
    expect(ids({ cause: "weak-link" })).toEqual(["gap-steady"]);
    expect(ids({ gateway: SHED })).toEqual(["outage-1"]);
    expect(ids({ gateway: TOWER })).toEqual([]);
    expect(ids({ node: "01A2B3D0" })).toEqual(["outage-1", "gap-steady"]);
  });
  test("of a node show an episode with that node's gap alone", () => {
    const [shared] = gapItems(VIEW, { ...ALL, node: "01A2B3D0" });
    expect(shared?.kind === "episode" ? shared.gaps.map(({ id }) => id) : []).toEqual(["gap-shed-2"]);
  });
  test("show a gap of another cause than its episode's when that cause is asked for", () => {
    const gaps = VIEW.gaps.map((row) =>
      row.id === "gap-shed-2" ? { ...row, finding: { ...row.finding, cause: "weak-link" as const } } : row,
    );
    const found = gapItems({ ...VIEW, gaps }, { ...ALL, cause: "weak-link" });
    expect(found.map(({ row }) => row.id)).toEqual(["gap-shed-2", "gap-steady"]);
  });
  test("leave strangers out until they are asked for, or one of them by its address", () => {
    const gaps = VIEW.gaps.map((row) => ({
      ...row,
      stranger: row.id === "gap-steady" || row.id === "gap-shed-3",
    }));
    const ids = (part: object) => gapItems({ ...VIEW, gaps }, { ...ALL, ...part }).map(({ row }) => row.id);
    expect(ids({})).toEqual(["gap-open", "gap-unexplained", "outage-1"]);
    expect(ids({ strangers: true })).toContain("gap-steady");
    expect(ids({ node: "01A2B3D0" })).toContain("gap-steady");
    expect(strangerCount({ gaps })).toBe(1);
  });
  test("show a gap by itself whose episode is not told", () => {
    expect(gapItems({ gaps: VIEW.gaps, episodes: [] }, ALL)).toHaveLength(6);
  });
});

describe("the filter", () => {
  test("offers what occurs, each once, by name", () => {
    const { causes, nodes, gateways } = filterChoices(VIEW);
    expect(causes).toEqual(["gateway-unreachable", "node-silent", "weak-link", "unexplained"]);
    expect(nodes.map(({ title }) => title)).toEqual([
      "Frost probe row 3",
      "Frost probe row 12",
      "Pond pump",
      "Tractor tracker",
    ]);
    expect(gateways).toEqual([{ id: SHED, title: "Packing shed" }]);
  });
  test("tells nodes of one name apart by their addresses", () => {
    const gaps = VIEW.gaps.map((row) =>
      row.devAddr === "01A2B3C5" || row.devAddr === "01A2B3D0" ? { ...row, name: "Cold store 1 door" } : row,
    );
    expect(filterChoices({ ...VIEW, gaps }).nodes.map(({ title }) => title)).toEqual([
      "Cold store 1 door, 01A2B3C5",
      "Cold store 1 door, 01A2B3D0",
      "Frost probe row 12",
      "Tractor tracker",
    ]);
  });
  test("takes no cause from the address bar that there is not", () => {
    expect(filterFromParams(new URLSearchParams("cause=gremlins&node=&gateway=X"))).toEqual({
      ...ALL,
      gateway: "X",
    });
  });
});

describe("the words of a line", () => {
  test("name an outage that cost nobody a frame by its gateway", () => {
    expect(episodeTitle({ ...VIEW.episodes[0]!, nodes: 0 })).toBe("Packing shed");
  });
  test("say what was missed, and of a silence what was due", () => {
    expect(costWords(gap("gap-shed-1"))).toBe("3 missed");
    expect(costWords(gap("gap-steady"))).toBe("9 of 40 missed");
    expect(costWords(gap("gap-open"))).toBe("silent, about 3 frames due");
    expect(costWords({ ...gap("gap-open"), expectedByRhythm: null })).toBe("silent");
  });
  test("name one counter or a run of them", () => {
    expect(counterWords(gap("gap-unexplained"))).toBe("FCnt 1842");
    expect(counterWords(gap("gap-shed-1"))).toBe("FCnt 1803 to 1804");
    expect(counterWords(gap("gap-open"))).toBe("");
  });
  test("say that an open gap goes on", () => {
    expect(lengthWords({ from: "2026-03-14T08:00:00Z", to: "2026-03-14T08:07:00Z", open: true })).toMatch(
      /^7\u202Fmin so far$/,
    );
  });
  test("never round a confidence up to a certainty", () => {
    expect(confidenceWords({ word: "certain", confidence: 0.996 })).toBe("certain, 99\u202F%");
  });
  test("name the gateway of an episode, or the site", () => {
    const episode = VIEW.episodes[0]!;
    expect(episodeTitle(episode)).toBe("3 nodes at Packing shed");
    const whole: EpisodeRow = { ...episode, scope: "site", gateway: null, gatewayName: null };
    expect(episodeTitle(whole)).toBe("3 nodes of the whole site");
  });
});

describe("a lane of the evidence", () => {
  const said = (lane: Evidence["lane"], weight: number): Evidence => ({
    sentence: "x",
    lane,
    weight,
    receptionsQuery: null,
  });
  test("stands on the heavier side of its sentences", () => {
    const evidence = [said("noise", 2), said("load", 0.5)];
    const against = [said("noise", -1), said("load", -3), said("margin", -1)];
    expect(
      ["noise", "load", "margin", "joins"].map((lane) => stanceOf({ evidence, against }, lane as "noise")),
    ).toEqual(["for", "against", "against", null]);
  });
  test("of one gateway's heartbeat heeds only what is said of that gateway", () => {
    const of = (gateway: string, weight: number) => ({
      ...said("heartbeat", weight),
      receptionsQuery: { devAddr: null, life: null, gateway, from: "", to: "" },
    });
    const finding = { evidence: [of(SHED, 5)], against: [of(TOWER, -3)] };
    expect(stanceOf(finding, "heartbeat", SHED)).toBe("for");
    expect(stanceOf(finding, "heartbeat", TOWER)).toBe("against");
    expect(stanceOf({ ...finding, evidence: [] }, "heartbeat", SHED)).toBeNull();
  });
  test("that weighs nothing still stands where its sentence stands", () => {
    expect(stanceOf({ evidence: [said("noise", 0)], against: [] }, "noise")).toBe("for");
  });
  test("without data is left out, unless a sentence rests on it", () => {
    const page = gapPage("gap-shed-1", SPAN)!;
    const bare: GapPage = { ...page, joins: [], transmissions: [], noiseDbm: [], neighbours: [] };
    const kinds = lanesOf(bare, (name, eui) => name ?? eui).map(({ lane }) => lane);
    expect(kinds).toEqual(["counters", "neighbours", "heartbeat", "heartbeat", "noise", "load", "margin"]);
    expect(lanesOf(page, (name, eui) => name ?? eui).map(({ lane }) => lane)).toContain("joins");
  });
  test("of the neighbours shows those of whom most was due", () => {
    const page = gapPage("gap-shed-1", SPAN)!;
    const many = Array.from({ length: 20 }, (_, at) => ({
      ...page.neighbours[0]!,
      life: at + 1,
      expected: at,
    }));
    expect(drawnNeighbours({ ...page, neighbours: many }).map(({ expected }) => expected)).toEqual([
      19, 18, 17, 16, 15, 14, 13, 12,
    ]);
  });
});

describe("the table in place of the score", () => {
  test("counts every counter within the axis once, and knows the gap", () => {
    const page = gapPage("gap-shed-1", SPAN)!;
    const cells = scoreCells(page);
    const sum = (of: (cell: (typeof cells)[number]) => number) =>
      cells.reduce((total, cell) => total + of(cell), 0);
    expect(cells).toHaveLength(page.axis.cells);
    expect(sum(({ heard }) => heard) + sum(({ missed }) => missed)).toBe(page.counters.length);
    expect(sum(({ missed }) => missed)).toBe(page.counters.filter(({ fate }) => fate === "missed").length);
    expect(cells.filter(({ inGap }) => inGap).length / cells.length).toBeCloseTo(0.25, 1);
    expect(cells.filter(({ inGap }) => inGap)[5]?.gateways[0]).toMatchObject({
      keepalives: 0,
      receptions: 0,
      load: null,
    });
  });

  test("tells cells of which nothing was recorded from cells in which nothing came", () => {
    const page = gapPage("gap-shed-1", SPAN)!;
    const { fromMs, cellSeconds } = page.axis;
    const cellMs = cellSeconds * 1000;
    // From the middle of the second cell to the end of the fourth.
    const range = { fromMs: fromMs + 1.5 * cellMs, toMs: fromMs + 4 * cellMs };
    const [shed, ...others] = page.heartbeat;
    const cells = scoreCells({ ...page, heartbeat: [{ ...shed!, notRecorded: [range] }, ...others] });
    const told = cells.map(({ gateways }) => gateways.map(({ notRecorded }) => notRecorded));
    expect(told.slice(0, 5).map(([first]) => first)).toEqual([false, false, true, true, false]);
    expect(told.flatMap(([, ...rest]) => rest)).not.toContain(true);
  });
});
