import { describe, expect, it } from "vitest";
import { FindingLine, GapsView, NodesView } from "../../src/contract/index.ts";
import { mainCause } from "../../src/diagnosis/gap-sentences.ts";
import type { Store } from "../../src/store/open.ts";
import { changeMarks, NO_POSITION } from "../../src/store/user-data.ts";
import { newestFindings } from "../../src/views/gap-why.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

interface Dropout {
  readonly id: string;
  readonly devAddr?: number;
  readonly fromS: number;
  readonly toS: number;
  readonly missed: number;
  readonly cause: string;
  readonly word?: string;
  readonly open?: 0 | 1;
}

/** Stores a dropout as the search for gaps leaves it behind. */
function put(db: Store, dropout: Dropout): void {
  const { id, devAddr = 0x01000002, fromS, toS, missed, cause, word = "likely", open = 0 } = dropout;
  const finding = {
    word,
    sentence: `${cause}.`,
    evidence: [],
    against: [],
    alternatives: [],
    recordNext: [],
  };
  db.prepare(
    `INSERT INTO gap (id, dev_addr, life, tag, kind, open, from_us, to_us, missed, heard, expected, context_from_us,
       context_to_us, judged_to_us, cause, confidence, finding)
     VALUES (@id, @devAddr, 1, 'run', 'counters', @open, @fromUs, @toUs, @missed, 0, NULL, 0, 0, 0, @cause, 0.8, @finding)`,
  ).run({
    id,
    devAddr,
    open,
    fromUs: START_US + fromS * 1e6,
    toUs: START_US + toS * 1e6,
    missed,
    cause,
    finding: JSON.stringify(finding),
  });
}

/** Twenty minutes of two nodes; the second loses every fifth counter. What was found about it is put in by the test. */
function orchard(...dropouts: Dropout[]): Store {
  const traffic = keepalives(SHED, 0, 1200);
  for (let n = 0; n < 60; n++) {
    traffic.push(push(SHED, n * 20 + 1, [{ payload: phy("01000001", n) }]));
    if (n % 5 !== 3) traffic.push(push(SHED, n * 20 + 7, [{ payload: phy("01000002", n) }]));
  }
  const db = siteOf(traffic);
  db.exec("DELETE FROM gap");
  for (const dropout of dropouts) put(db, dropout);
  return db;
}

const WINDOW = windowOf(0, 1200);
const text = (sentence: readonly { text: string }[]) => sentence.map((part) => part.text).join("");
const WEAK: Dropout = { id: "a", fromS: 60, toS: 100, missed: 12, cause: "weak-link" };
const NOISE: Dropout = { id: "b", fromS: 900, toS: 940, missed: 2, cause: "interference" };

describe("what a node's loss is attributed to", () => {
  it("stands in its row, and a node that lost nothing has none", () => {
    const view = nodesView(orchard(WEAK), WINDOW);
    expect(NodesView.parse(view)).toEqual(view);
    expect(view.nodes.map(({ devAddr, why }) => [devAddr, why])).toEqual([
      ["01000001", null],
      ["01000002", { cause: "weak-link", words: "weak link (likely)" }],
    ]);
  });

  it("is the heaviest of several causes, and says that there are others", () => {
    const [, losing] = nodesView(orchard(NOISE, WEAK), WINDOW).nodes;
    expect(losing?.why).toEqual({ cause: "weak-link", words: "mostly weak link (likely)" });
  });

  it("is said in the sentences of the node and of the site, each with its way into the gaps", () => {
    const db = orchard(WEAK);
    const page = nodePage(db, WINDOW, "01000002", 1);
    expect(text(page?.sentence ?? [])).toMatch(/; 12 missed in 12 gaps: weak link \(likely\)\.$/);
    expect(page?.sentence.find(({ href }) => href?.startsWith("#/gaps"))?.href).toBe("#/gaps?node=01000002");
    expect(text(siteView(db, WINDOW).sentence)).toMatch(
      /^1 of 2 nodes lost .* 20\u202Fmin: weak link \(likely\); /,
    );
  });

  it("is nothing outside the window in which it was lost", () => {
    expect(nodesView(orchard(WEAK), windowOf(600, 1200)).nodes.map(({ why }) => why)).toEqual([null, null]);
  });

  it("is not guessed from causes that are not known", () => {
    expect(mainCause([], 3)).toBeNull();
    expect(mainCause([{ cause: "gremlins", lost: 3, confidence: 0.97 }], 3)).toBeNull();
  });

  it("accounts for half of what was missed at least, and for all of it unless it says mostly", () => {
    const share = (lost: number) => [{ cause: "weak-link", lost, confidence: 0.85 }];
    expect(mainCause(share(5), 12)).toBeNull();
    expect(mainCause(share(6), 12)?.words).toBe("mostly weak link (likely)");
    expect(mainCause(share(12), 12)?.words).toBe("weak link (likely)");
  });
});

describe("the newest findings", () => {
  it("stand open ones first, then newest first, no more than asked for", () => {
    const db = orchard(WEAK, NOISE, {
      id: "c",
      fromS: 10,
      toS: 1200,
      missed: 0,
      cause: "node-silent",
      open: 1,
    });
    const lines = newestFindings(db, WINDOW, 2);
    for (const line of lines) expect(FindingLine.parse(line)).toEqual(line);
    expect(lines.map(({ id, words, open }) => [id, words, open])).toEqual([
      ["c", "node silent (likely)", true],
      ["b", "interference (likely)", false],
    ]);
    expect(siteView(db, WINDOW).findings).toHaveLength(3);
  });

  it("leave strangers out", () => {
    expect(newestFindings(orchard({ ...WEAK, devAddr: 0x26000001 }), WINDOW, 5)).toEqual([]);
  });
});

describe("a finding", () => {
  it("calls a gateway by the name that it has today", () => {
    const db = orchard(WEAK);
    const told = (sentence: string) => ({
      word: "certain",
      sentence,
      evidence: [],
      against: [],
      alternatives: [],
    });
    const words = JSON.stringify({ ...told(`Gateway ${SHED} sent nothing.`), recordNext: [] });
    db.prepare("UPDATE gap SET finding = ?").run(words);
    db.prepare("INSERT INTO label (kind, id, name) VALUES ('gateway', ?, ?)").run(SHED, 'The "old" shed $&');
    expect(gapsView(db, WINDOW).gaps[0]?.finding.sentence).toBe('The "old" shed $& sent nothing.');
  });
});

describe("a finding that begins at a mark", () => {
  it("says so in the view of gaps", () => {
    const db = orchard(WEAK, NOISE);
    const atUs = START_US + 62e6;
    const common = { untilUs: null, kind: "note" as const, gatewayEui: null, devAddr: null, ...NO_POSITION };
    changeMarks(db, { kind: "add", mark: { ...common, atUs, text: "Cut the hedge" } });
    const view = gapsView(db, WINDOW);
    expect(GapsView.parse(view)).toEqual(view);
    expect(view.gaps.map(({ id, mark }) => [id, mark?.text ?? null])).toEqual([
      ["b", null],
      ["a", "Cut the hedge"],
    ]);
  });
});
