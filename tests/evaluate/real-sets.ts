/**
 * Does a confidence hold on data that no simulator made? The open sets of tests/data/open-receptions, each as a whole and
 * week by week, judged by what is known of the truth (the README there; `KNOWN` gives what and from where). A finding
 * where nothing is known of the truth is counted as such, neither right nor wrong.
 *
 * The weeks of one node are one node: their findings are not independent, and the whole is made of them.
 */
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { gapsView } from "../../src/views/gaps.ts";
import type { CauseWord } from "../../src/words/causes.ts";
import { farNode, indoorNode, type OpenReception, storeOf } from "../published/open-receptions.ts";
import type { FindingResult } from "./match.ts";

type RealSet = "indoor node" | "far node";

/** What is known of why frames were lost. */
export interface KnownTruth {
  readonly set: RealSet;
  /** Where it holds: a stretch, or null for losses that go on steadily. */
  readonly stretch: { readonly from: string; readonly to: string } | null;
  /** Causes that are true of it. */
  readonly right: readonly CauseWord[];
  readonly what: string;
  readonly source: string;
}

const README = "tests/data/open-receptions/README.md";

export const KNOWN: readonly KnownTruth[] = [
  {
    set: "indoor node",
    stretch: null,
    right: ["weak-link"],
    what: "0.8 dB of median margin: it loses steadily",
    source: `${README}; 0.5 dB at the best gateway of each frame by tests/published/open-receptions.test.ts`,
  },
  {
    set: "indoor node",
    stretch: { from: "2023-07-11T11:44:00Z", to: "2023-07-11T17:07:00Z" },
    right: ["gateway-unreachable"],
    what: "every gateway and several unrelated networks have nothing: the collecting side was down, the node sent",
    source: README,
  },
  {
    set: "far node",
    stretch: null,
    right: ["weak-link"],
    what: "109 km, 2.3 dB of median margin: it works on good days only",
    source: README,
  },
];

/** One dropout of a real set. `isRight` null: the truth is not known. */
export interface RealFinding {
  readonly set: RealSet;
  /** "whole", or the day on which its week begins. */
  readonly part: string;
  readonly cause: string;
  readonly confidence: number;
  readonly isRight: boolean | null;
}

export interface RealScore {
  readonly dropouts: number;
  readonly leftOpen: number;
  /** Named where nothing is known of the truth. */
  readonly notKnown: number;
  readonly named: readonly Pick<FindingResult, "confidence" | "isRight">[];
  readonly wrong: readonly RealFinding[];
  readonly bySet: readonly {
    readonly set: RealSet;
    readonly part: "whole" | "weeks";
    readonly leftOpen: number;
    readonly right: number;
    readonly wrong: number;
    readonly notKnown: number;
  }[];
}

const WEEK_US = 7 * 86_400_000_000;
/** A week with fewer receptions is the rest of a set. Chosen. */
const MIN_RECEPTIONS = 50;
const SETS: readonly [RealSet, () => readonly OpenReception[]][] = [
  ["indoor node", indoorNode],
  ["far node", farNode],
];

/** Judges both sets as they are recorded, whole (unless told not to) and by weeks. Takes some seconds. */
export function realFindings({ whole = true } = {}): RealFinding[] {
  return SETS.flatMap(([set, read]) => {
    const rows = read();
    return [
      ...(whole ? findingsIn(set, "whole", rows) : []),
      ...weeksOf(rows).flatMap(([week, some]) => findingsIn(set, week, some)),
    ];
  });
}

function weeksOf(rows: readonly OpenReception[]): [string, OpenReception[]][] {
  const first = rows.reduce((least, { atUs }) => Math.min(least, atUs), Number.POSITIVE_INFINITY);
  const weeks = new Map<number, OpenReception[]>();
  for (const row of rows) {
    const week = Math.floor((row.atUs - first) / WEEK_US);
    const some = weeks.get(week);
    if (some === undefined) weeks.set(week, [row]);
    else some.push(row);
  }
  return [...weeks]
    .filter(([, some]) => some.length >= MIN_RECEPTIONS)
    .map(([week, some]) => [new Date((first + week * WEEK_US) / 1000).toISOString().slice(0, 10), some]);
}

function findingsIn(set: RealSet, part: string, rows: readonly OpenReception[]): RealFinding[] {
  const db = storeOf(rows);
  try {
    const span = storedSpanUs(db);
    if (span === null) return [];
    const { gaps } = gapsView(db, { fromUs: span.fromUs, toUs: span.toUs + 1, live: false });
    return gaps.map(({ finding: { cause, confidence }, kind, from, to }) => {
      const known = KNOWN.find((one) => one.set === set && isOf(one, { kind, from, to }));
      const isRight = known === undefined ? null : known.right.some((right) => right === cause);
      return { set, part, cause, confidence, isRight };
    });
  } finally {
    db.close();
  }
}

/** A steady loss is what a link does; any other dropout is of a stretch when at least half of it lies there. */
function isOf({ stretch }: KnownTruth, gap: { kind: string; from: string; to: string }): boolean {
  if (stretch === null) return gap.kind === "steady";
  if (gap.kind === "steady") return false;
  const [from, to] = [Date.parse(gap.from), Date.parse(gap.to)];
  const shared = Math.min(to, Date.parse(stretch.to)) - Math.max(from, Date.parse(stretch.from));
  return shared >= (to - from) / 2;
}

/** How many were named, and right, where the truth is known. */
export function realScoreOf(findings: readonly RealFinding[]): RealScore {
  const named = findings.filter(({ cause }) => cause !== "unexplained");
  const judged = named.flatMap((one) => (one.isRight === null ? [] : [{ ...one, isRight: one.isRight }]));
  return {
    dropouts: findings.length,
    leftOpen: findings.length - named.length,
    notKnown: named.length - judged.length,
    named: judged.map(({ confidence, isRight }) => ({ confidence, isRight })),
    wrong: judged.filter(({ isRight }) => !isRight),
    bySet: SETS.flatMap(([set]) =>
      (["whole", "weeks"] as const).map((part) => {
        const own = findings.filter(
          (one) => one.set === set && (one.part === "whole") === (part === "whole"),
        );
        const count = (isRight: boolean | null) =>
          own.filter((one) => one.cause !== "unexplained" && one.isRight === isRight).length;
        const leftOpen = own.filter(({ cause }) => cause === "unexplained").length;
        return { set, part, leftOpen, right: count(true), wrong: count(false), notKnown: count(null) };
      }),
    ),
  };
}
